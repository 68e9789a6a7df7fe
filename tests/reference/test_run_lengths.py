"""Group K: how long the touch test runs until it claims, beside published run lengths."""

import numpy as np
import pytest
from soft_tactile_node.estimation.touch_test import QUICK_S, free_scores

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.estimation.model import build_model
from soft_tactile_node.estimation.settings import LIGHT
from soft_tactile_node.simulation import simulate

SPC = "as quoted in the manual of the R package spc [SEEN]"


@pytest.fixture(scope="module")
def touch_test():
    """A finger of one channel whose drift never learns: its touch test is then an exponentially weighted average."""
    free, _ = simulate("free-bend", pad="liquid_metal", seed=2, duration_s=60.0)
    press, _ = simulate("press", pad="liquid_metal", seed=2, duration_s=60.0)
    model = build_model(calibrate([free], [press]), LIGHT).separation
    nothing = np.zeros((1, 1, 1))
    return model._replace(
        wander_s=np.array([1e15]), wander_rest=nothing + 1.0, wander_active=nothing, wander_loaded=nothing,
        touch_z=np.ones(1),
    )  # fmt: skip


def score(model, departure, step_s):
    """Return the test's score of each scan of one channel; the first scan starts the averages."""
    rows = departure.size
    ones = np.ones((rows, 1))
    return free_scores(
        model, np.arange(rows) * step_s, departure[:, None].copy(), np.full(rows, 0.5), 0.0 * ones, ones
    )[:, 0]


def run_lengths(model, weight, limit, shift, published, runs, seed):
    """Return run lengths of the package's touch test on white noise that shifts by `shift` standard deviations.

    `weight` is the weight of the newest scan, which the sample interval sets. The test is two-sided here, as in the
    tables, with limits `limit` standard deviations of the average apart from zero.
    """
    step_s = -QUICK_S * np.log1p(-weight)
    # how the score answers one scan of size one, over the weight of that scan, is its scale
    scale = score(model, np.array([0.0, 1.0]), step_s)[1] / weight
    bound = limit * abs(scale) * np.sqrt(weight / (2.0 - weight))
    rng = np.random.default_rng(seed)
    longest = max(50, round(10.0 * published))
    lengths = np.zeros(runs)
    for i in range(runs):
        noise = shift + rng.standard_normal(longest + 1)
        noise[0] = 0.0
        beyond = np.abs(score(model, noise, step_s)[1:]) > bound
        lengths[i] = np.argmax(beyond) + 1 if beyond.any() else longest
    return lengths


def compare(table, name, lengths, published, source):
    """Judge a mean run length by its own standard error; 3.3 of them are passed once in a thousand tests."""
    table.close(name, lengths.mean(), published, source, atol=3.3 * lengths.std() / np.sqrt(lengths.size))


@pytest.mark.slow
@pytest.mark.parametrize(("weight", "limit", "column"), [(0.5, 2.0, "pub_lam0.5"), (0.05, 2.0, "pub_lam0.05")])
def test_crowder(table, read_table, touch_test, weight, limit, column):
    """K10: in control and shifted, the mean run lengths of Crowder's table; its misprint at 1.25 is left out."""
    rows = {row["shift_sigma"]: row[column] for row in read_table("ewma_arl_crowder.csv")}
    for shift in (0.0, 0.5, 1.0, 2.0, 4.0):
        got = run_lengths(touch_test, weight, limit, shift, rows[shift], 3000, 10)
        compare(table, f"K10 weight {weight}, shift {shift}", got, rows[shift], f"Crowder 1987, {SPC}")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("weight", "limit", "column"), [(0.5, 3.071, "pub_lam0.5_L3.071"), (0.03, 2.437, "pub_lam0.03_L2.437")]
)
def test_lucas_and_saccucci(table, read_table, touch_test, weight, limit, column):
    """K11: the designs of one false alarm in 500 scans, and how quickly they find a shift."""
    rows = {row["shift_sigma"]: row[column] for row in read_table("ewma_arl_lucas_saccucci.csv")}
    for shift, runs in ((0.0, 500), (0.5, 1500), (1.0, 3000), (3.0, 3000)):
        got = run_lengths(touch_test, weight, limit, shift, rows[shift], runs, 11)
        compare(table, f"K11 weight {weight}, shift {shift}", got, rows[shift], f"Lucas & Saccucci 1990, {SPC}")


@pytest.mark.slow
def test_other_published_designs(table, touch_test):
    """K9: a printed value to ten digits. K13: without memory it is a Shewhart chart at three standard deviations."""
    compare(
        table,
        "K9 weight 0.25",
        run_lengths(touch_test, 0.25, 3.0, 1.0, 11.15, 5000, 12),
        11.154267016,
        "SAS/QC 1999 [SEEN]",
    )
    chart = "closed form, 1 / P(|z| > 3)"
    compare(table, "K13 shift 0", run_lengths(touch_test, 1.0 - 1e-12, 3.0, 0.0, 370.4, 1000, 13), 370.398, chart)
    compare(table, "K13 shift 1", run_lengths(touch_test, 1.0 - 1e-12, 3.0, 1.0, 43.9, 3000, 14), 43.895, chart)


def test_no_slower_than_the_best(table, read_table, touch_test):
    """K3: a cumulative sum is the quickest test of a known shift; the touch test is within a third of it.

    Both give one false alarm in about 500 scans; the sum is tuned to the shift of one standard deviation.
    """
    best = next(row["calc_h5"] for row in read_table("cusum_arl.csv") if row["shift_sigma"] == 1.0)
    got = run_lengths(touch_test, 0.1, 2.814, 1.0, 10.3, 5000, 15).mean()
    table.between("touch test over cumulative sum at 1 sigma", got / best, 0.9, 4.0 / 3.0, "Lucas & Crosier 1982 [NUM]")
