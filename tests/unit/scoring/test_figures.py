"""The sheet of figures: its names, what is missing and why, several pairs, and the bend rejection."""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.errors import RangeError
from soft_tactile_node.recordings import EstimateTable, Recording, Truth
from soft_tactile_node.scoring import KEYS, score
from unit.scoring.cases import make_estimate, make_time, make_truth


def test_names_are_fixed() -> None:
    """The figures carry exactly these names, in this order, and are plain JSON."""
    names = []
    names += [f"finite_share_{axis}" for axis in "xyz"]
    for axis in "xyz":
        names += [f"force_{axis}_rmse_n", f"force_{axis}_rmse_percent_fs"]
        names += [f"force_{axis}_contact_rmse_n", f"force_{axis}_zero_rmse_n"]
    names += ["free_bias_n", "free_rms_n", "bend_rejection_db", "bend_rejection_strict_db", "contacts", "missed"]
    names += ["latency_median_s", "latency_p95_s", "release_median_s", "release_p95_s", "false_alarms_per_min"]
    names += ["false_contact_share", "f1", "f1_light", "within_2_sigma_contact", "within_2_sigma_free"]
    names += ["nees_x", "nees_y", "nees_z", "slips", "slips_found", "false_slips_per_min", "wrong_force_max_s"]
    truth = make_truth((4.0, 6.0, 1.0))
    figures = score([(make_estimate(truth, (4.0, 6.0)), truth)], [[]]).figures
    assert list(figures) == names == list(KEYS)
    assert json.loads(json.dumps(figures, allow_nan=False)) == figures


def test_every_missing_figure_says_what_it_needs() -> None:
    """A figure that is not computed has a reason, one that is computed has none."""
    truth = make_truth()
    detail = score([(make_estimate(truth), truth)])
    missing = {key for key, value in detail.figures.items() if value is None}
    assert missing == set(detail.reasons)
    assert all(reason.startswith("needs ") for reason in detail.reasons.values())
    assert detail.reasons["slips_found"] == "needs --events"
    assert detail.reasons["bend_rejection_db"] == "needs --recording and --press"
    assert {"latency_median_s", "f1", "f1_light", "nees_z"} <= missing


def test_pairs_are_pooled() -> None:
    """Rates and errors of several pairs are those of one long recording."""
    quiet, touched = make_truth(), make_truth((4.0, 6.0, 1.0))
    pairs = [(make_estimate(quiet, (3.0, 3.1), error_n=0.3), quiet), (make_estimate(touched, (4.0, 6.0)), touched)]
    figures = score(pairs).figures
    assert figures["contacts"] == 1
    assert_allclose(figures["force_z_rmse_n"], 0.3 / np.sqrt(2), rtol=1e-9, atol=0)
    assert_allclose(figures["false_alarms_per_min"], 60.0 / (9.0 + 6.75), rtol=1e-9, atol=0)


def test_counts_must_fit() -> None:
    """As many event lists and recordings as pairs, and at least one pair."""
    truth = make_truth()
    pair = (make_estimate(truth), truth)
    with pytest.raises(RangeError, match="pairs must be at least one"):
        score([])
    with pytest.raises(RangeError, match="events must be one for each of 2 pairs; got 1"):
        score([pair, pair], [[]])


def test_a_short_or_backward_truth_is_refused() -> None:
    """A truth that ends within the first second, or runs backwards, gives an error and no figures."""
    short = make_truth(duration_s=0.8)
    with pytest.raises(RangeError, match="truth must be longer than 1 s"):
        score([(make_estimate(short), short)])
    truth = make_truth()
    backward = Truth(truth.time_s[::-1], truth.force_n, truth.bend_rad, truth.in_contact, truth.slip)
    with pytest.raises(RangeError, match="truth time_s must not run backwards"):
        score([(make_estimate(truth), backward)])


def make_recording(change: np.ndarray, pressure_pa: float, force_z_n: np.ndarray | None = None) -> Recording:
    """Return a recording at 500 Hz with relative changes of each channel, tared in the first second."""
    time_s = make_time(len(change) / 500)
    force = None if force_z_n is None else np.column_stack([0 * force_z_n, 0 * force_z_n, force_z_n])
    pressure = np.full(len(time_s), np.nan)
    pressure[::5] = pressure_pa
    return Recording(time_s, pressure, 1e-5 * (1 + change), np.full(len(time_s), 20.0), force_n=force)


def make_press() -> list[Recording]:
    """Return an unpressurised press (1 % summed change a newton) and one at pressure with twice the response."""
    force = np.where(make_time() < 1.0, 0.0, 2.0)
    change = force[:, None] * np.array([0.004, 0.006])
    return [make_recording(change, 0.0, force), make_recording(2 * change, 3e4, force)]


def make_free_case(estimate_n: float) -> tuple[EstimateTable, Truth, Recording]:
    """Return a contact-free recording that looks like 3 N by the unpressurised slope, with a constant estimate."""
    truth = make_truth()
    change = np.where(truth.time_s < 1.0, 0.0, 3.0)[:, None] * np.array([0.004, 0.006])
    return make_estimate(truth, error_n=estimate_n), truth, make_recording(change, 2e4)


def test_bend_rejection_in_decibel() -> None:
    """An apparent 3 N of which 0.03 N remain is a rejection of 40 dB (20 log10 of an amplitude ratio of 100).

    The strict figure takes the least-squares weights over both presses: with responses of 1 and 2 times the slope that
    is (1 + 2) / (1 + 4) = 0.6 of the naive force, 4.437 dB less.
    """
    estimate, truth, recording = make_free_case(0.03)
    figures = score([(estimate, truth)], recordings=[recording], press=make_press()).figures
    assert_allclose(figures["bend_rejection_db"], 40.0, rtol=0, atol=1e-6)
    assert_allclose(figures["bend_rejection_strict_db"], 40.0 + 20 * np.log10(0.6), rtol=0, atol=1e-6)


def test_bend_rejection_needs_a_pair_without_contact_and_unpressurised_presses() -> None:
    """Without a contact-free pair, without unpressurised rows or with a zero estimate the figure is left empty."""
    estimate, truth, recording = make_free_case(0.03)
    touched = make_truth((4.0, 6.0, 1.0))
    detail = score([(make_estimate(touched), touched)], recordings=[recording], press=make_press())
    assert detail.reasons["bend_rejection_db"] == "needs a pair without contact"
    detail = score([(estimate, truth)], recordings=[recording], press=make_press()[1:])
    assert detail.reasons["bend_rejection_db"] == "needs unpressurised rows in --press"
    assert detail.figures["bend_rejection_strict_db"] is not None
    zero = make_free_case(0.0)[0]
    detail = score([(zero, truth)], recordings=[recording], press=make_press())
    assert detail.reasons["bend_rejection_db"] == "needs an estimate that is not zero throughout"


def test_bend_rejection_refuses_what_does_not_belong_together() -> None:
    """A recording of other rows, of other channels, or a press without force is refused by name."""
    estimate, truth, recording = make_free_case(0.03)
    with pytest.raises(RangeError, match="--recording must have the rows of its estimate"):
        score([(estimate, truth)], recordings=[recording.select_rows(slice(0, 4000))], press=make_press())
    one_channel = make_recording(np.zeros((5000, 1)), 0.0, np.ones(5000))
    with pytest.raises(RangeError, match="--press must have 2 channels; got 1"):
        score([(estimate, truth)], recordings=[recording], press=[one_channel])
    with pytest.raises(RangeError, match="press recordings must have force_z_n"):
        score([(estimate, truth)], recordings=[recording], press=[recording])
