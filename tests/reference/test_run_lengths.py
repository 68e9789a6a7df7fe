"""Group K: how long the touch tests run until they claim, beside published run lengths."""

import numba
import numpy as np
import pytest

from soft_tactile_node.estimation.detector import CONTACT_BEGAN, DETECTOR, TESTS, advance_detector
from soft_tactile_node.estimation.model import TouchModel
from soft_tactile_node.estimation.tuning import TUNING

SPC = "as quoted in the manual of the R package spc [SEEN]"

FOREVER_S = 1e15
MEMORY_S = 0.02
PLAIN = TUNING._replace(
    detect_s=(MEMORY_S,) * TESTS,
    confirm_s=0.0,
    zero_s=FOREVER_S,
    fall_s=FOREVER_S,
    ring_gain=0.0,
    held_s=FOREVER_S,
)
"""The detector's touch tests alone: neither zero nor thresholds learn, each test is the average of its readings."""


@numba.njit
def claim(tuning, touch, state, noise, step_s):
    """Return how many scans the detector takes until it claims a touch; all of them and one more if it never does."""
    u = np.zeros(3)
    for i in range(noise.shape[0]):
        u[2] = noise[i]
        if advance_detector(tuning, touch, state, u, 0.0, 0.0, i * step_s, step_s) == CONTACT_BEGAN:
            return i + 1
    return noise.shape[0] + 1


def run_lengths(weight, limit, shift, published, runs, seed):
    """Return run lengths of the package's touch tests on white noise that shifts by `shift` standard deviations.

    `weight` is the weight of the newest scan, which the sample interval sets. The published tests have two sides, with
    limits `limit` standard deviations of the average apart from zero: the other side is that of the mirrored noise.
    """
    step_s = -MEMORY_S * np.log1p(-weight)
    spread = np.zeros((TESTS, 3))
    spread[:, 0] = 1.0
    touch = TouchModel(spread, np.full(TESTS, limit * np.sqrt(weight / (2.0 - weight))), 1e-9)
    rng = np.random.default_rng(seed)
    longest = max(50, round(10.0 * published))
    lengths = np.zeros(runs)
    for i in range(runs):
        noise = shift + rng.standard_normal(longest)
        lengths[i] = min(claim(PLAIN, touch, np.zeros(1, DETECTOR)[0], side * noise, step_s) for side in (1.0, -1.0))
    return lengths


def compare(table, name, lengths, published, source):
    """Judge a mean run length by its own standard error; 3.3 of them are passed once in a thousand tests."""
    table.close(name, lengths.mean(), published, source, atol=3.3 * lengths.std() / np.sqrt(lengths.size))


@pytest.mark.slow
@pytest.mark.parametrize(("weight", "limit", "column"), [(0.5, 2.0, "pub_lam0.5"), (0.05, 2.0, "pub_lam0.05")])
def test_crowder(table, read_table, weight, limit, column):
    """K10: in control and shifted, the mean run lengths of Crowder's table; its misprint at 1.25 is left out."""
    rows = {row["shift_sigma"]: row[column] for row in read_table("ewma_arl_crowder.csv")}
    for shift in (0.0, 0.5, 1.0, 2.0, 4.0):
        got = run_lengths(weight, limit, shift, rows[shift], 3000, 10)
        compare(table, f"K10 weight {weight}, shift {shift}", got, rows[shift], f"Crowder 1987, {SPC}")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("weight", "limit", "column"), [(0.5, 3.071, "pub_lam0.5_L3.071"), (0.03, 2.437, "pub_lam0.03_L2.437")]
)
def test_lucas_and_saccucci(table, read_table, weight, limit, column):
    """K11: the designs of one false alarm in 500 scans, and how quickly they find a shift."""
    rows = {row["shift_sigma"]: row[column] for row in read_table("ewma_arl_lucas_saccucci.csv")}
    for shift, runs in ((0.0, 500), (0.5, 1500), (1.0, 3000), (3.0, 3000)):
        got = run_lengths(weight, limit, shift, rows[shift], runs, 11)
        compare(table, f"K11 weight {weight}, shift {shift}", got, rows[shift], f"Lucas & Saccucci 1990, {SPC}")


@pytest.mark.slow
def test_other_published_designs(table):
    """K9: a printed value to ten digits. K13: without memory it is a Shewhart chart at three standard deviations."""
    compare(
        table,
        "K9 weight 0.25",
        run_lengths(0.25, 3.0, 1.0, 11.15, 5000, 12),
        11.154267016,
        "SAS/QC 1999 [SEEN]",
    )
    chart = "closed form, 1 / P(|z| > 3)"
    compare(table, "K13 shift 0", run_lengths(1.0 - 1e-12, 3.0, 0.0, 370.4, 1000, 13), 370.398, chart)
    compare(table, "K13 shift 1", run_lengths(1.0 - 1e-12, 3.0, 1.0, 43.9, 3000, 14), 43.895, chart)


def test_no_slower_than_the_best(table, read_table):
    """K3: a cumulative sum is the quickest test of a known shift; the touch test is within a third of it.

    Both give one false alarm in about 500 scans; the sum is tuned to the shift of one standard deviation.
    """
    best = next(row["calc_h5"] for row in read_table("cusum_arl.csv") if row["shift_sigma"] == 1.0)
    got = run_lengths(0.1, 2.814, 1.0, 10.3, 5000, 15).mean()
    table.between("touch test over cumulative sum at 1 sigma", got / best, 0.9, 4.0 / 3.0, "Lucas & Crosier 1982 [NUM]")
