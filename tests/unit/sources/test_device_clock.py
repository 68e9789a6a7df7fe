from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import linprog

from soft_tactile_node.sources.device_clock import MAX_POINTS, DeviceClock, line_below, lower_hull

WRAP = 2**32


def delays(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return delays of a busy USB host: 0.2 ms at least, often 1 ms more, now and then 30 ms."""
    late = 0.2e-3 + rng.exponential(0.8e-3, count)
    return np.where(rng.random(count) < 0.01, late + rng.uniform(0.0, 30e-3, count), late)


class Link:
    """A device whose clock runs `skew` slow, and the host that hears of it late."""

    def __init__(self, seconds: float, rate_hz: float = 1000.0, skew: float = 0.0, seed: int = 1) -> None:
        rng = np.random.default_rng(seed)
        count = int(seconds * rate_hz)
        self.true_s = 1.7e9 + np.arange(count) / rate_hz  # of the host, in its epoch
        ticks = np.round((self.true_s - self.true_s[0]) / (1.0 + skew) * 1e6).astype(np.int64)
        self.clock = (ticks + WRAP - 5_000_000) % WRAP  # wraps after five seconds
        # frames queue behind each other: none overtakes another
        self.arrival_s = np.maximum.accumulate(self.true_s + delays(rng, count))

    def stamps(self, clock: DeviceClock) -> np.ndarray:
        """Return what the clock makes of it."""
        pairs = zip(self.clock.tolist(), self.arrival_s.tolist())
        return np.array([clock.to_host(raw, arrival) for raw, arrival in pairs])


@pytest.mark.parametrize("skew", [0.0, 40e-6, -40e-6, 300e-6])
def test_jitter_is_removed_and_the_wrap_does_not_show(skew: float) -> None:
    """Stamps lag the truth by the least delay alone, though arrivals stray by milliseconds and the clock wraps."""
    link = Link(130.0, skew=skew)
    clock = DeviceClock()
    error = link.stamps(clock) - link.true_s
    settled = slice(10_000, None)
    assert np.std((link.arrival_s - link.true_s)[settled]) > 1.5e-3
    # 50 us: the least of the delays in a stretch strays by some 10 us; the epoch has steps of 0.24 us
    assert_allclose(error[settled], 0.2e-3, rtol=0.0, atol=50e-6)
    assert np.std(error[settled]) < 15e-6
    assert clock.skew == pytest.approx(skew, abs=2e-6)
    assert clock.steps == 0


@pytest.mark.parametrize("skew", [0.02, -0.02])
def test_a_poor_oscillator_is_followed(skew: float) -> None:
    """Even a clock that is two per cent off gives stamps within a millisecond after two seconds."""
    link = Link(20.0, skew=skew)
    error = link.stamps(DeviceClock()) - link.true_s
    assert np.abs(error[4000:] - 0.2e-3).max() < 1e-3


@pytest.mark.parametrize("skew", [0.0, 0.02, -0.02])
def test_stamps_never_run_back_and_not_into_the_future(skew: float) -> None:
    """From the first scan on, each stamp is later than the one before, and not after its arrival but for its order."""
    link = Link(20.0, skew=skew, seed=3)
    stamps = link.stamps(DeviceClock())
    assert (np.diff(stamps) > 0.0).all()
    # scans that arrive together keep a twentieth of their distance, however far the line was off
    assert (stamps - link.arrival_s).max() < 1e-3
    assert (stamps[5000:] <= link.arrival_s[5000:]).all()


@pytest.mark.parametrize("skew", [0.02, -0.02])
def test_a_better_line_is_taken_up_gradually(skew: float) -> None:
    """When it is found after a second that the clock runs fast or slow, the stamps do not jump: they gain on it."""
    link = Link(5.0, skew=skew)
    link.arrival_s = link.true_s + 0.2e-3  # a way without jitter: every jump is the clock's own
    steps = np.diff(link.stamps(DeviceClock()))
    assert np.abs(steps - 1e-3).max() < 0.6e-3
    assert np.abs(steps[3000:] - 1e-3).max() < 0.1e-3


def test_a_late_first_scan_does_no_harm() -> None:
    """A first scan that comes 30 ms late, with others queued behind it, is forgotten within 0.3 s."""
    link = Link(1.0)
    link.arrival_s[0] += 30e-3
    link.arrival_s = np.maximum.accumulate(link.arrival_s)
    error = link.stamps(DeviceClock()) - link.true_s
    assert error[0] > 30e-3
    assert_allclose(error[300:], 0.2e-3, rtol=0.0, atol=50e-6)


def test_intervals_are_those_of_the_device() -> None:
    """Between two scans the stamps move by what the device's clock moved, within a few microseconds."""
    link = Link(60.0, skew=30e-6)
    steps = np.diff(link.stamps(DeviceClock()))[10_000:]
    assert np.abs(steps - 1e-3).max() < 3e-6
    assert np.abs(np.diff(link.arrival_s)[10_000:] - 1e-3).max() > 5e-3


def test_memory_does_not_grow() -> None:
    """After any time there are no more points than a fixed number."""
    clock = DeviceClock()
    Link(200.0, rate_hz=200.0).stamps(clock)
    assert len(clock._points) <= MAX_POINTS
    spans = np.diff([x for x, _ in clock._points])
    assert 60.0 <= spans.sum() <= 200.0


def test_a_stalled_reader_leaves_no_trace() -> None:
    """Two seconds of scans that are all read at once, late, get the stamps they would have got."""
    link = Link(30.0)
    stall = slice(20_000, 22_000)
    link.arrival_s[stall] = link.arrival_s[22_000]
    clock = DeviceClock()
    error = link.stamps(clock) - link.true_s
    assert_allclose(error[10_000:], 0.2e-3, rtol=0.0, atol=60e-6)
    assert clock.steps == 0


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 1.0, -1.0])
def test_a_clock_that_is_set_is_followed(step_s: float) -> None:
    """When the host's clock is set the stamps follow: at once if it was set back, within seconds if forward."""
    link = Link(40.0)
    link.arrival_s[20_000:] += step_s
    link.true_s[20_000:] += step_s
    clock = DeviceClock()
    error = link.stamps(clock) - link.true_s
    assert clock.steps == 1
    assert_allclose(error[26_000:], 0.2e-3, rtol=0.0, atol=0.5e-3)


def test_the_line_is_the_optimum_of_the_linear_programme() -> None:
    """The edge of the hull is the line that a linear programme finds: below all points, nearest to them in the sum."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        x = np.sort(rng.uniform(0.0, 60.0, 50))
        y = 0.3 + 1.00004 * x + rng.exponential(1e-3, 50)
        height_s, slope = line_below(list(zip(x.tolist(), y.tolist())))
        best = linprog([-50.0, -x.sum()], A_ub=np.column_stack([np.ones(50), x]), b_ub=y, bounds=[(None, None)] * 2)
        assert best.success
        assert ((y - height_s - slope * x) >= -1e-12).all()
        assert (y - height_s - slope * x).sum() == pytest.approx((y - best.x[0] - best.x[1] * x).sum(), abs=1e-7)


def test_hull_of_a_known_figure() -> None:
    """Corners of the lower hull of a figure drawn by hand; points on an edge are no corners."""
    figure = [(0.0, 1.0), (1.0, 0.0), (2.0, 0.0), (3.0, 0.0), (4.0, 2.0), (5.0, 1.0)]
    assert lower_hull(figure) == [(0.0, 1.0), (1.0, 0.0), (3.0, 0.0), (5.0, 1.0)]
