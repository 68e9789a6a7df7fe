"""Group M, static characteristics: the definitions on a worked set, and on presses whose answer is known."""

import numpy as np
import pytest

from soft_tactile_node.calibration import characteristics as ch
from soft_tactile_node.calibration.press_figures import find_hysteresis, find_non_linearity, find_repeatability
from soft_tactile_node.calibration.slow_figures import creep_per_decade
from soft_tactile_node.calibration.uncertainty import coverage_factor

X = np.arange(6.0)
UP = np.array([0.00, 0.98, 1.95, 2.96, 3.99, 5.00])
DOWN = np.array([0.04, 1.06, 2.07, 3.06, 4.05, 5.00])
SPAN = 5.0
IEC = "IEC 61298-2:2008, definition from memory [NUM]"


def test_hysteresis(table):
    """M6: largest gap between falling and rising output at the same input."""
    table.close("M6 hysteresis (of span)", ch.hysteresis(UP, DOWN) / SPAN, 0.024, IEC, atol=1e-12)


@pytest.mark.parametrize(
    ("kind", "of_span"),
    [
        (ch.terminal_deviation, 0.320e-2),
        (ch.independent_deviation, 0.1667e-2),
        (ch.zero_based_deviation, 0.1778e-2),
    ],
)
def test_non_linearity(table, kind, of_span):
    """M7: three kinds, three numbers; which one is meant must be said."""
    table.close(f"M7 {kind.__name__} (of span)", kind(X, 0.5 * (UP + DOWN)) / SPAN, of_span, IEC, atol=1e-6)


def test_repeatability(table):
    """M8: standard deviation of three repeats."""
    repeats = np.array([2.96, 2.99, 2.95])
    table.close("M8 deviation (of span)", ch.repeatability_deviation(repeats) / SPAN, 0.004163, "ISO 5725", atol=1e-6)


def test_signal_to_noise(table):
    """M9: amplitude ratios in decibels; a peak over an rms is 3.01 dB more than an rms over an rms."""
    table.close("M9 ratio 100 (dB)", ch.signal_to_noise_db(100.0, 1.0), 40.0, "definition", atol=1e-12)
    rms = ch.signal_to_noise_db(1.0 / np.sqrt(2.0), 0.01)
    table.close("M9 sine, rms over rms (dB)", rms, 36.990, "definition", atol=5e-4)


def test_coverage(table):
    """M11: the factor of an expanded uncertainty at nine degrees of freedom; M10: the noise of a mean of 16."""
    table.close("M11 t(0.975), 9 degrees", coverage_factor(9.0), 2.262157, "JCGM 100:2008, table G.2 [LIB]", atol=1e-6)
    noise = np.random.default_rng(5).standard_normal((4000, 16))
    table.close("M10 deviation of a mean of 16", noise.mean(axis=1).std(), 0.25, "definition [NUM]", rtol=0.03)


def presses(amplitude, count=12, rows=400):
    """Return triangular presses, force and its rise per row (N)."""
    one = np.concatenate([np.zeros(40), np.linspace(0, amplitude, rows), np.linspace(amplitude, 0, rows)])
    force = np.tile(one, count)
    return force, np.gradient(force)


def test_hysteresis_of_presses(table):
    """A play of width r under presses opens a gap of 2 r between the branches, once past the first turn."""
    force, rate = presses(4.0)
    gap = 0.03
    apparent = force - np.where(rate > 0.0, gap, np.where(rate < 0.0, -gap, 0.0))
    table.close(
        "hysteresis of presses (N)", find_hysteresis(apparent, force, rate), 2.0 * gap, "play operator", rtol=1e-6
    )


def test_non_linearity_of_presses(table):
    """A parabola y = x + a x (s - x) over 0..s strays by a s^2 / 8 from its best line, Chebyshev."""
    force, _ = presses(4.0)
    apparent = force + 0.02 * force * (4.0 - force)
    got = find_non_linearity(apparent, force)
    # bins replace the curve by twelve means: both ends are half a bin short, by (11/12)^2
    table.close("non-linearity of presses (N)", got, 0.02 * 16.0 / 8.0 * (11 / 12) ** 2, "Chebyshev", rtol=0.05)


def test_repeatability_of_presses(table):
    """The spread between presses is the spread that was put in, with the uncertainty of a standard deviation."""
    count = 40
    force, _ = presses(4.0, count)
    offsets = 0.05 * np.random.default_rng(3).standard_normal(count)
    error = np.repeat(offsets, force.size // count)
    found = find_repeatability(error, force)
    assert found is not None
    deviation, spread = found
    table.close("repeatability of presses (N)", deviation, offsets.std(ddof=1), "put in", rtol=1e-9)
    wanted = deviation / np.sqrt(2.0 * (count - 1))
    table.close("its uncertainty (N)", spread.standard, wanted, "JCGM 100:2008, E.4.3", rtol=1e-9)


def test_too_few_presses_give_no_figure():
    """What the recordings cannot show is not a number."""
    force, rate = presses(4.0, count=2, rows=20)
    assert find_repeatability(force, force) is None
    assert np.isnan(find_hysteresis(force, force, rate))
    assert np.isnan(find_non_linearity(force, force))


@pytest.mark.parametrize("kind", [ch.terminal_deviation, ch.zero_based_deviation])
def test_kinds_of_non_linearity_of_presses(table, kind):
    """Each kind of non-linearity of presses is that of the mean curve through their bins."""
    force, _ = presses(4.0)
    apparent = force + 0.02 * force * (4.0 - force)
    x = np.linspace(0.0, 4.0, 2000)
    wanted = kind(x, x + 0.02 * x * (4.0 - x)) * (11 / 12) ** 2
    table.close(f"{kind.__name__} of presses (N)", find_non_linearity(apparent, force, kind), wanted, IEC, rtol=0.06)


def test_creep(table):
    """A response that grows by 3 % of its value at 1 s in each decade of time creeps by 3 % a decade."""
    time_s = np.arange(1, 6001) / 100.0
    noise = 1e-3 * np.random.default_rng(2).standard_normal(time_s.size)
    share, spread, degrees = creep_per_decade(time_s, 2.0 * (1.0 + 0.03 * np.log10(time_s)) + noise)
    table.close("creep (1/decade)", share, 0.03, "logarithmic creep", atol=3.0 * spread + 1e-4)
    assert 0.0 < spread < 1e-3
    assert degrees == 7
