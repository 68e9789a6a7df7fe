"""Contacts found, late, missed and invented, on hand-built cases whose answer can be counted on the fingers."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.scoring import score
from unit.scoring.cases import between, make_estimate, make_time, make_truth

TOUCH = (4.0, 6.0, 1.0)


def score_reports(*reports: tuple[float, float], truth: Truth | None = None) -> dict[str, float | int | None]:
    """Score an estimate that reports contact in the given stretches (s)."""
    truth = truth or make_truth(TOUCH)
    return score([(make_estimate(truth, *reports), truth)]).figures


def test_latency_runs_from_onset_to_the_first_report() -> None:
    """A report 30 ms after the onset is 30 ms late."""
    figures = score_reports((4.03, 6.0))
    assert (figures["contacts"], figures["missed"]) == (1, 0)
    assert_allclose(figures["latency_median_s"], 0.03, rtol=0, atol=1e-9)
    assert_allclose(figures["latency_p95_s"], 0.03, rtol=0, atol=1e-9)


def test_onset_is_the_first_sample_of_a_twentieth_newton() -> None:
    """With a slow rise the latency counts from 0.05 N, not from the touch."""
    truth = make_truth((4.0, 4.2, 0.02), (4.2, 6.0, 1.0))
    figures = score_reports((4.25, 6.0), truth=truth)
    assert_allclose(figures["latency_median_s"], 0.05, rtol=0, atol=1e-9)


@pytest.mark.parametrize("begin_s", [3.952, 3.99, 4.0, 4.1, 4.2])
def test_a_report_around_the_touch_has_no_latency(begin_s: float) -> None:
    """From 50 ms before the touch to the onset a report counts as immediate."""
    truth = make_truth((4.0, 4.2, 0.02), (4.2, 6.0, 1.0))
    figures = score_reports((begin_s, 6.0), truth=truth)
    assert figures["missed"] == 0
    assert figures["latency_median_s"] == 0.0


@pytest.mark.parametrize("begin_s", [1.0, 3.0, 3.94, 3.95])
def test_a_contact_reported_long_before_the_touch_is_missed(begin_s: float) -> None:
    """Whoever says contact all the time has found nothing."""
    figures = score_reports((begin_s, 6.0))
    assert (figures["contacts"], figures["missed"]) == (1, 1)
    assert figures["latency_median_s"] is None


def test_a_contact_reported_too_early_is_not_saved_by_a_second_report() -> None:
    """Letting go and reporting again during a contact does not undo that it was claimed before it was there."""
    assert score_reports((3.9, 5.0), (5.5, 6.0))["missed"] == 1


def test_an_early_report_that_ended_does_not_spoil_the_next() -> None:
    """A false report that is over before the touch is a false alarm; the contact counts by its own report."""
    figures = score_reports((3.9, 3.98), (4.02, 6.0))
    assert figures["missed"] == 0
    assert_allclose(figures["latency_median_s"], 0.02, rtol=0, atol=1e-9)
    assert figures["false_alarms_per_min"] is not None
    assert figures["false_alarms_per_min"] > 0


def test_a_report_after_the_contact_does_not_find_it() -> None:
    """A report that begins when the contact is over comes too late."""
    assert score_reports((6.0, 6.2))["missed"] == 1
    assert score_reports((5.998, 6.2))["missed"] == 0


def test_a_touch_below_a_twentieth_newton_is_no_contact() -> None:
    """Force that never reaches 0.05 N is not a contact, at 0.05 N it is."""
    assert score_reports(truth=make_truth((4.0, 6.0, 0.0499)))["contacts"] == 0
    assert score_reports(truth=make_truth((4.0, 6.0, 0.05)))["contacts"] == 1


def test_short_pauses_do_not_end_a_contact() -> None:
    """A pause of 48 ms joins two touches to one contact, one of 50 ms does not."""
    assert score_reports(truth=make_truth((4.0, 5.0, 1.0), (5.048, 6.0, 1.0)))["contacts"] == 1
    assert score_reports(truth=make_truth((4.0, 5.0, 1.0), (5.05, 6.0, 1.0)))["contacts"] == 2


def test_force_counts_by_its_norm() -> None:
    """A touch that pushes sideways is a contact like any other."""
    truth = make_truth()
    force = truth.force_n.copy()
    force[between(truth.time_s, (4.0, 6.0)), :2] = 0.04
    sideways = Truth(truth.time_s, force, truth.bend_rad, truth.in_contact, truth.slip)
    assert score_reports(truth=sideways)["contacts"] == 1


def test_release_latency_runs_from_the_last_sample_of_force() -> None:
    """The last sample of 0.05 N is at 5.998 s; a report that ends at 6.1 s is 102 ms late, an earlier end is not."""
    figures = score_reports((4.0, 6.1))
    assert_allclose(figures["release_median_s"], 0.102, rtol=0, atol=1e-9)
    assert score_reports((4.0, 5.5))["release_median_s"] == 0.0


def test_a_report_that_never_ends_is_late_to_the_end() -> None:
    """Without a release the delay counts up to the end of the recording, and a contact that lasts to it has none."""
    assert_allclose(score_reports((4.0, 10.0))["release_median_s"], 10.0 - 5.998, rtol=0, atol=1e-9)
    assert score_reports((4.0, 10.0), truth=make_truth((4.0, 10.0, 1.0)))["release_median_s"] is None


def test_latency_statistics_over_several_contacts() -> None:
    """Median and 95th percentile are those of all contacts of all pairs (numpy's linear percentile)."""
    truth = make_truth((2.0, 3.0, 1.0), (4.0, 5.0, 1.0), (6.0, 7.0, 1.0))
    estimate = make_estimate(truth, (2.01, 3.0), (4.02, 5.0), (6.03, 7.0))
    other = make_estimate(truth, (2.04, 3.0), (4.05, 5.0), (6.3, 7.0))
    figures = score([(estimate, truth), (other, truth)]).figures
    latencies = [0.01, 0.02, 0.03, 0.04, 0.05, 0.3]
    assert figures["contacts"] == 6
    assert_allclose(figures["latency_median_s"], 0.035, rtol=0, atol=1e-9)
    assert_allclose(figures["latency_p95_s"], np.percentile(latencies, 95), rtol=0, atol=1e-9)


def test_latency_is_not_quoted_below_200_hz() -> None:
    """An estimate at 100 Hz has no latency figure, though it can find contacts; at 200 Hz it has one."""
    for rate, quoted in ((100.0, False), (200.0, True)):
        time_s = make_time(10.0, rate)
        force = np.zeros((len(time_s), 3))
        force[between(time_s, (4.0, 6.0)), 2] = 1.0
        truth = Truth(time_s, force, force[:, 0], force[:, 2] > 0, force[:, 2] > 5)
        figures = score([(make_estimate(truth, (4.03, 6.0)), truth)]).figures
        assert figures["missed"] == 0
        assert (figures["latency_median_s"] is not None) == quoted


def count_alarms(*reports: tuple[float, float]) -> float:
    """Return the number of false alarms beside one contact from 4 to 6 s, in 9 s of counted time."""
    rate = score_reports(*reports)["false_alarms_per_min"]
    assert rate is not None
    return float(rate * (9.0 - 2.0 - 0.25) / 60.0)


@pytest.mark.parametrize(
    ("reports", "alarms"),
    [
        ([], 0),
        ([(4.0, 6.0)], 0),
        ([(2.0, 2.1)], 1),
        ([(2.0, 2.1), (8.0, 8.1)], 2),
        ([(2.0, 2.998)], 1),
        ([(2.0, 3.0)], 2),
        ([(1.5, 3.6)], 3),
        ([(6.1, 6.24)], 0),
        ([(6.25, 6.3)], 1),
        ([(4.0, 6.25)], 0),
        ([(4.0, 7.2)], 0),
        ([(4.0, 7.25)], 1),
        ([(4.0, 9.6)], 3),
        ([(3.99, 6.0)], 1),
        ([(2.9, 6.0)], 2),
        ([(6.2, 8.3)], 2),
    ],
)
def test_false_alarms_are_counted(reports: list[tuple[float, float]], alarms: int) -> None:
    """Each report that starts in contact-free time counts one, and each further full second spent there one more.

    Contact-free is the time outside true contacts and the 0.25 s after each, whichever contact the report began with.
    """
    assert_allclose(count_alarms(*reports), alarms, rtol=0, atol=1e-6)


def test_the_first_second_is_left_out() -> None:
    """What is reported, or true, in the first second does not count."""
    figures = score_reports((0.2, 0.9), (4.0, 6.0))
    assert figures["false_alarms_per_min"] == 0.0
    early = make_truth((0.2, 1.5, 1.0), TOUCH)
    figures = score_reports((4.0, 6.0), truth=early)
    assert (figures["contacts"], figures["missed"]) == (1, 0)


def test_false_contact_share_is_a_share_of_contact_free_time() -> None:
    """1.35 s of 6.75 s contact-free time reported as contact are a fifth."""
    figures = score_reports((2.0, 2.6), (4.0, 7.0))
    assert_allclose(figures["false_contact_share"], (0.6 + 0.75) / 6.75, rtol=1e-9, atol=0)


def test_f1_counts_samples() -> None:
    """F1 is the harmonic mean of precision and recall over rows (C. J. van Rijsbergen, Information Retrieval, 1979)."""
    figures = score_reports((5.0, 6.0), (8.0, 8.5))
    precision, recall = 1.0 / 1.5, 1.0 / 2.0
    assert_allclose(figures["f1"], 2 * precision * recall / (precision + recall), rtol=1e-9, atol=0)


def test_f1_leaves_out_weak_force_and_the_quarter_second_after_a_release() -> None:
    """Rows of force below 0.05 N and the 0.25 s after a release are neither right nor wrong."""
    truth = make_truth((3.0, 4.0, 0.03), TOUCH, (8.0, 8.5, 0.02))
    assert score_reports((3.5, 6.25), (8.1, 8.4), truth=truth)["f1"] == 1.0
    below = score_reports((3.5, 6.252), truth=truth)["f1"]
    assert below is not None
    assert below < 1.0


def test_f1_light_looks_at_light_touches_only() -> None:
    """Contacts above 0.3 N do not count for f1_light; contact-free rows do."""
    truth = make_truth((2.0, 3.0, 0.3), (4.0, 6.0, 0.31), (7.0, 8.0, 0.1))
    assert score_reports((2.0, 3.0), (7.0, 8.0), truth=truth)["f1_light"] == 1.0
    assert_allclose(score_reports((2.0, 3.0), (5.0, 5.5), truth=truth)["f1_light"], 2 / 3, rtol=1e-9, atol=0)
    assert_allclose(score_reports((2, 3), (7, 8), (9, 9.5), truth=truth)["f1_light"], 4 / 4.5, rtol=1e-9, atol=0)
    assert score_reports((4.0, 6.0), truth=make_truth(TOUCH))["f1_light"] is None


def test_an_estimate_row_holds_until_the_next() -> None:
    """An estimate at a tenth of the truth's rate is held, never interpolated or looked ahead."""
    truth = make_truth(TOUCH)
    time_s = truth.time_s[::50]
    reported = between(time_s, (4.1, 6.0))
    slow = EstimateTable(
        time_s=time_s,
        force_n=np.where(reported[:, None], [0.0, 0.0, 1.0], 0.0),
        force_variance_n2=np.full((len(time_s), 3), 1e-4),
        contact_probability=np.zeros(len(time_s)),
        in_contact=reported,
        bend_rad=np.zeros(len(time_s)),
        flags=np.zeros(len(time_s), dtype=np.int64),
    )
    figures = score([(slow, truth)]).figures
    assert figures["missed"] == 0
    assert_allclose(figures["force_z_rmse_n"], np.sqrt(50 / 4500), rtol=1e-9, atol=0)
    assert_allclose(figures["f1"], 2 * 950 / (2 * 950 + 50), rtol=1e-9, atol=0)


def test_backward_stamps_in_the_estimate_do_not_undo_the_past() -> None:
    """A row whose stamp runs backwards takes over at once; it neither shifts a report nor hides a wrong force."""
    truth = make_truth(TOUCH)
    error = np.zeros((5000, 3))
    error[2500:2510, 2] = 2.0
    estimate = make_estimate(truth, (4.014, 6.0), error_n=error)
    stamps = truth.time_s.copy()
    stamps[2005:2010] -= 0.5
    stamps[2500:2510] -= 0.5
    jumped = EstimateTable(
        stamps,
        estimate.force_n,
        estimate.force_variance_n2,
        estimate.contact_probability,
        estimate.in_contact,
        estimate.bend_rad,
        estimate.flags,
    )
    figures = score([(jumped, truth)]).figures
    assert_allclose(figures["latency_median_s"], 0.008, rtol=0, atol=1e-9)
    assert figures["false_alarms_per_min"] == 0.0
    assert_allclose(figures["force_z_rmse_n"], np.sqrt(11 * 4.0 / 4500), rtol=1e-9, atol=0)
