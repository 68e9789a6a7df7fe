"""Two clocks on one: known offsets are found, what cannot be told is refused."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.signal import correlate, correlation_lags

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.importing import ClockOffset, find_offset
from soft_tactile_node.recordings import Recording
from soft_tactile_node.simulation import simulate

Array = NDArray[np.float64]


def make_presses(rng: np.random.Generator, length_s: float = 60.0, rate_hz: float = 250.0) -> tuple[Array, Array]:
    """Return times and the force of presses of random size, length and pause."""
    time_s = np.arange(round(length_s * rate_hz)) / rate_hz
    force_n = np.zeros(time_s.size)
    start = 2.0
    while start < length_s - 4.0:
        rise, top = rng.uniform(0.1, 0.6), rng.uniform(0.3, 4.0)
        shape = np.minimum(time_s - start, start + 1.0 + rise - time_s) / rise
        force_n += top * np.clip(shape, 0.0, 1.0)
        start += 1.5 + rng.uniform(0.5, 2.5)
    return time_s, force_n


def offset_of(time_s: Array, change: Array, force_time_s: Array, force_n: Array) -> ClockOffset:
    """Return the offset for one channel without pressure."""
    return find_offset(time_s, change[:, None], np.full(time_s.size, np.nan), force_time_s, force_n[:, None])


@pytest.mark.parametrize("steps", [0, 7, -240])
def test_agrees_with_the_cross_correlation_of_the_rates(steps: int) -> None:
    """On a channel proportional to the force the lag is the maximum of the cross-correlation; source: scipy.signal."""
    rng = np.random.default_rng(2)
    time_s, force_n = make_presses(rng, rate_hz=200.0)
    change = 0.01 * np.roll(force_n, steps) + 1e-5 * rng.normal(size=force_n.size)
    correlation = correlate(np.diff(change), np.diff(force_n))
    lag = correlation_lags(force_n.size - 1, force_n.size - 1)[np.argmax(correlation)]
    found = offset_of(time_s, change, time_s, force_n)
    assert lag == steps
    assert_allclose(found.offset_s, lag / 200.0, atol=1e-3)
    assert found.agreement > 0.95


@pytest.mark.parametrize("offset_s", [0.0013, -3.2174, 1.7e9 + 0.123])
def test_known_offsets_are_found_to_a_fraction_of_a_sample(offset_s: float) -> None:
    """Scans of 100 Hz and a force of 73 Hz, offset by any time, are aligned within 2 ms."""
    rng = np.random.default_rng(3)
    fine_s, force_n = make_presses(rng, rate_hz=2000.0)
    time_s = np.arange(0.0, 59.0, 0.01)
    force_time_s = np.arange(1.0, 58.0, 1.0 / 73.0)
    change = -0.02 * np.interp(time_s, fine_s, force_n) + 5e-5 * rng.normal(size=time_s.size)
    measured = np.interp(force_time_s, fine_s, force_n) + 0.01 * rng.normal(size=force_time_s.size)
    found = offset_of(time_s, change, force_time_s - offset_s, measured)
    assert_allclose(found.apply(force_time_s - offset_s), force_time_s, atol=2e-3)
    assert 0.0 < found.uncertainty_s < 5e-3


def test_a_clock_that_runs_fast_is_seen() -> None:
    """A second clock 150 ppm slow over 100 s is told and undone at both ends; source: the clock it was made with."""
    fine_s, force_n = make_presses(np.random.default_rng(8), 100.0, 500.0)
    force_time_s = fine_s / (1.0 + 150e-6) - 4.0
    found = offset_of(fine_s, 0.01 * force_n, force_time_s, force_n)
    assert_allclose(found.rate, 150e-6, atol=10e-6)
    assert_allclose(found.apply(force_time_s), fine_s, atol=1e-3)


def test_uncertainty_covers_the_errors() -> None:
    """Over 20 noisy pairs the error stays within two stated uncertainties at least 17 times."""
    inside = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        time_s, force_n = make_presses(rng, 40.0)
        change = 0.01 * force_n + 1e-3 * rng.normal(size=force_n.size)
        noisy = force_n + 0.1 * rng.normal(size=force_n.size)
        found = offset_of(time_s + 0.4321, change, time_s, noisy)
        inside += abs(found.offset_s - 0.4321) < 2.0 * found.uncertainty_s
    assert inside >= 17


@cache
def simulated(pad: str) -> Recording:
    """Return a press recording of a simulated finger: bending, memory, temperature and all."""
    recording, _ = simulate("press", pad=pad, seed=2, duration_s=100.0, rate_hz=250.0)
    return recording


def answer_late(force_n: Array, step_s: float, filling_s: float, emptying_s: float) -> Array:
    """Return what a cell holds that fills and empties with two time constants (exact for a force held over a step)."""
    held = np.zeros(force_n.size)
    for k in range(1, force_n.size):
        lag_s = filling_s if force_n[k] > held[k - 1] else emptying_s
        held[k] = force_n[k] + (held[k - 1] - force_n[k]) * np.exp(-step_s / lag_s)
    return held


@pytest.mark.parametrize(("filling_s", "emptying_s"), [(0.03, 0.09), (0.05, 0.2), (0.08, 0.16)])
def test_a_cell_that_empties_slowly_is_not_taken_for_a_clock(filling_s: float, emptying_s: float) -> None:
    """Cells that fill at one pace and empty at another: over 8 logs rms error of at most 1.2 stated uncertainties."""
    ratios = []
    for seed in range(8):
        rng = np.random.default_rng(100 + seed)
        time_s, force_n = make_presses(rng)
        held = answer_late(force_n, 0.004, filling_s, emptying_s)
        found = offset_of(time_s + 2.5, 0.01 * held + 1e-5 * rng.normal(size=held.size), time_s, force_n)
        ratios.append((found.offset_s - 2.5) / found.uncertainty_s)
    assert np.sqrt(np.mean(np.square(ratios))) < 1.2, ratios


@pytest.mark.slow
@pytest.mark.parametrize("rate", [0.0, 120e-6])
@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_a_pad_that_answers_late_is_not_taken_for_a_clock(pad: str, rate: float) -> None:
    """Pads with memory, while the finger bends: within 2.5 uncertainties, and 10 ms."""
    recording = simulated(pad)
    assert recording.force_n is not None
    true_s = np.arange(3.0, 96.0, 1.0 / 170.0)
    force_n = np.column_stack([np.interp(true_s, recording.time_s, axis) for axis in recording.force_n.T])
    clock_s = true_s / (1.0 + rate) + 11.37
    change = recording.inductance_h / recording.inductance_h[:100].mean(axis=0) - 1.0
    found = find_offset(recording.time_s, change, recording.pressure_pa, clock_s, force_n)
    error_s = np.median(found.apply(clock_s) - true_s)
    assert abs(error_s) < min(2.5 * found.uncertainty_s, 0.010)


def test_even_presses_are_ambiguous() -> None:
    """Equal presses at even intervals, of which one log misses the first three, are refused: two offsets fit alike."""
    time_s = np.arange(0.0, 60.0, 0.005)
    force_n = np.clip(3.0 * np.sin(2.0 * np.pi * time_s / 3.0), 0.0, 1.0)
    late = time_s > 9.0
    with pytest.raises(RecordingError, match=r"ambiguous, .* fit alike .*press at uneven intervals"):
        offset_of(time_s, 0.01 * force_n, time_s[late], force_n[late])


def test_logs_without_common_presses_are_refused() -> None:
    """Two unrelated logs have nothing in common."""
    time_s, force_n = make_presses(np.random.default_rng(4))
    _, other = make_presses(np.random.default_rng(5))
    with pytest.raises(RecordingError, match=r"nothing in common|ambiguous"):
        offset_of(time_s, 0.01 * force_n, time_s, other)
    noise = np.random.default_rng(6).normal(size=time_s.size)
    with pytest.raises(RecordingError, match=r"nothing in common \(agreement 0\.0"):
        offset_of(time_s, 0.01 * force_n, time_s, noise)


def test_short_logs_are_refused() -> None:
    """A log of a second or two cannot be aligned."""
    time_s, force_n = make_presses(np.random.default_rng(7))
    with pytest.raises(RecordingError, match=r"the second log is shorter than 5 s"):
        offset_of(time_s, force_n, time_s[:400], force_n[:400])
