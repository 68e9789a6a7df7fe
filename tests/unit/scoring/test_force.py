"""Force errors, honesty of the variance and confidently wrong force."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal

from soft_tactile_node.recordings import EstimateTable
from soft_tactile_node.scoring import score
from soft_tactile_node.scoring.honesty import compute_nees_band, estimate_effective_size
from unit.scoring.cases import between, make_estimate, make_truth

TRUTH = make_truth((4.0, 6.0, 1.0))
ROWS = 4500
CONTACT = 1000


def test_rmse_over_all_and_over_contact_samples() -> None:
    """Errors are those of the rows after the first second, per axis, in N and in percent of full scale."""
    touched = TRUTH.force_n[:, 2] > 0
    error = np.where(touched[:, None], [0.1, 0.2, 0.4], [0.0, 0.0, -0.3])
    error[:500] = 99.0
    figures = score([(make_estimate(TRUTH, error_n=error), TRUTH)]).figures
    share = CONTACT / ROWS
    assert_allclose(figures["force_x_rmse_n"], 0.1 * np.sqrt(share), rtol=1e-9, atol=0)
    assert_allclose(figures["force_y_contact_rmse_n"], 0.2, rtol=1e-9, atol=0)
    assert_allclose(figures["force_z_contact_rmse_n"], 0.4, rtol=1e-9, atol=0)
    overall = np.sqrt(0.16 * share + 0.09 * (1 - share))
    assert_allclose(figures["force_z_rmse_n"], overall, rtol=1e-9, atol=0)
    assert_allclose(figures["force_z_rmse_percent_fs"], 100 * overall / 5.0, rtol=1e-9, atol=0)
    assert_allclose(figures["force_x_rmse_percent_fs"], 100 * 0.1 * np.sqrt(share) / 2.0, rtol=1e-9, atol=0)
    assert_allclose(figures["force_z_zero_rmse_n"], np.sqrt(share), rtol=1e-9, atol=0)
    assert_allclose(figures["free_bias_n"], -0.3, rtol=1e-9, atol=0)
    assert_allclose(figures["free_rms_n"], 0.3, rtol=1e-9, atol=0)


def test_full_scale_can_be_given() -> None:
    """The percent figures refer to the full scale of the calibration where there is one."""
    figures = score([(make_estimate(TRUTH, error_n=0.1), TRUTH)], full_scale_n=(1.0, 4.0, 10.0)).figures
    found = [figures[f"force_{axis}_rmse_percent_fs"] for axis in "xyz"]
    assert_allclose(np.array(found, dtype=float), [10.0, 2.5, 1.0], rtol=1e-9, atol=0)


def test_unfinished_estimates_have_no_other_figure() -> None:
    """Below 99.5 % finite rows on an observed axis nothing else counts; at 99.5 % it does."""
    for missing, counts in ((22, True), (23, False)):
        error = np.zeros((5000, 3))
        error[600 : 600 + missing, 1] = np.nan
        detail = score([(make_estimate(TRUTH, (4.0, 6.0), error_n=error), TRUTH)])
        assert_allclose(detail.figures["finite_share_y"], 1 - missing / ROWS, rtol=1e-12, atol=0)
        assert (detail.figures["force_z_rmse_n"] is not None) == counts
        assert (detail.figures["contacts"] is not None) == counts
        assert ("99.5%" in detail.reasons.get("f1", "")) != counts


def test_an_axis_that_is_not_observed_is_left_empty() -> None:
    """An axis without a single finite row has no figures and does not spoil those of the others."""
    error = np.zeros((5000, 3))
    error[:, 0] = np.nan
    figures = score([(make_estimate(TRUTH, (4.0, 6.0), error_n=error), TRUTH)]).figures
    assert figures["finite_share_x"] == 0.0
    assert figures["force_x_rmse_n"] is None
    assert figures["nees_x"] is None
    assert figures["force_z_rmse_n"] == 0.0
    assert figures["within_2_sigma_contact"] == 1.0


def test_shares_within_two_sigma() -> None:
    """An error of just below two sigma counts as within, one just above does not; contact and free are apart."""
    error = np.zeros((5000, 3))
    touched = TRUTH.force_n[:, 2] > 0
    error[touched] = [0.0399, 0.0401, 0.0399]
    error[between(TRUTH.time_s, (2.0, 2.675)), 2] = 0.5
    figures = score([(make_estimate(TRUTH, error_n=error, sigma_n=0.02), TRUTH)]).figures
    assert_allclose(figures["within_2_sigma_contact"], 2 / 3, rtol=1e-9, atol=0)
    free_rows = ROWS - CONTACT - 125
    assert_allclose(figures["within_2_sigma_free"], 1 - 338 / (3 * free_rows), rtol=1e-9, atol=0)


def test_free_rows_leave_out_the_quarter_second_after_a_release() -> None:
    """Errors in the 0.25 s after a contact do not touch the contact-free share."""
    error = np.zeros((5000, 3))
    error[between(TRUTH.time_s, (6.0, 6.25))] = 1.0
    assert score([(make_estimate(TRUTH, error_n=error), TRUTH)]).figures["within_2_sigma_free"] == 1.0
    error[between(TRUTH.time_s, (6.25, 6.252))] = 1.0
    below = score([(make_estimate(TRUTH, error_n=error), TRUTH)]).figures["within_2_sigma_free"]
    assert below is not None
    assert below < 1.0


def test_nees_is_squared_error_over_variance_on_contact_samples() -> None:
    """Errors of 1, 2 and 3 sigma give 1, 4 and 9."""
    touched = (TRUTH.force_n[:, 2] > 0)[:, None]
    error = np.where(touched, [0.02, -0.04, 0.06], 5.0)
    figures = score([(make_estimate(TRUTH, error_n=error, sigma_n=0.02), TRUTH)]).figures
    found = [figures[f"nees_{axis}"] for axis in "xyz"]
    assert_allclose(np.array(found, dtype=float), [1.0, 4.0, 9.0], rtol=1e-9, atol=0)


@pytest.mark.parametrize("variance", [0.0, np.nan, -1.0])
def test_a_variance_that_is_no_positive_number_is_never_honest(variance: float) -> None:
    """A force without a proper variance is outside every bound, and its normalised error is left empty."""
    estimate = make_estimate(TRUTH, error_n=0.5)
    bad = EstimateTable(
        estimate.time_s,
        estimate.force_n,
        np.full((5000, 3), variance),
        estimate.contact_probability,
        estimate.in_contact,
        estimate.bend_rad,
        estimate.flags,
    )
    figures = score([(bad, TRUTH)]).figures
    assert figures["within_2_sigma_contact"] == 0.0
    assert figures["nees_z"] is None
    assert_allclose(figures["wrong_force_max_s"], 9.0, rtol=1e-9, atol=0)


@pytest.mark.parametrize(
    ("count", "low", "high"), [(100, 0.742219, 1.295612), (50, 0.647147, 1.428404), (1, 0.000982, 5.023886)]
)
def test_band_of_an_honest_mean(count: int, low: float, high: float) -> None:
    """The band is chi-square over its degrees of freedom.

    n = 100: Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, section 5.4
    (0.742, 1.296); the others from any table of the chi-square distribution (32.357, 71.420 and 0.000982, 5.024).
    """
    assert_allclose(compute_nees_band(count), (low, high), rtol=0, atol=1e-5)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
def test_effective_size_of_a_first_order_process(correlation: float) -> None:
    """A first-order autoregression of n samples is worth n (1 - r) / (1 + r) independent ones.

    Source: D. S. Wilks, Statistical Methods in the Atmospheric Sciences, section on serial dependence (from memory).
    One estimate scatters by about a tenth at r = 0.9, so the mean of sixteen series is compared.
    """
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((16, 100_000))
    series = signal.lfilter([1.0], [1.0, -correlation], noise)
    expected = 100_000 * (1 - correlation) / (1 + correlation)
    found = np.mean([estimate_effective_size(row) for row in series])
    assert_allclose(found, expected, rtol=0.08, atol=0)


def test_wrong_force_is_the_longest_unflagged_stretch() -> None:
    """|error| > 3 sigma + 0.1 N for longer than 100 ms counts, unless flagged; shorter does not."""
    limit = 3 * 0.02 + 0.1

    def measure(
        *stretches: tuple[float, float], error_n: float, flagged: tuple[tuple[float, float], ...] = ()
    ) -> float:
        error = np.zeros((5000, 3))
        error[between(TRUTH.time_s, *stretches), 1] = error_n
        estimate = make_estimate(TRUTH, error_n=error, sigma_n=0.02, flagged=flagged)
        longest = score([(estimate, TRUTH)]).figures["wrong_force_max_s"]
        assert longest is not None
        return float(longest)

    assert_allclose(measure((2.0, 2.3), (3.0, 3.2), error_n=limit + 1e-6), 0.3, rtol=0, atol=1e-9)
    assert measure((2.0, 2.3), error_n=limit - 1e-6) == 0.0
    assert measure((2.0, 2.1), error_n=-1.0) == 0.0
    assert_allclose(measure((2.0, 2.102), error_n=-1.0), 0.102, rtol=0, atol=1e-9)
    assert_allclose(measure((2.0, 2.5), error_n=1.0, flagged=((2.0, 2.2),)), 0.3, rtol=0, atol=1e-9)
    assert_allclose(measure((0.0, 1.2), error_n=1.0), 0.2, rtol=0, atol=1e-9)


def test_flagged_share_is_known_beside_it() -> None:
    """The share of flagged rows is part of the details."""
    detail = score([(make_estimate(TRUTH, flagged=((2.0, 2.9),)), TRUTH)])
    assert_allclose(detail.force.flagged_share, 0.1, rtol=1e-9, atol=0)
