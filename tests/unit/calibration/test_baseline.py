"""The static yardstick finds what it can know exactly, and only that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.calibration.baseline import fit_static_baseline
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array

RATE_HZ = 100.0
GAINS = np.array([[0.004, 0.001, 0.010], [0.004, -0.001, 0.010], [-0.004, 0.001, 0.010]])
"""Relative change of three channels per newton of x, y and z."""


def make_recording(
    pressure_pa: Array, force_n: Array, temperature_c: Array, channels: int = 3, seed: int = 0
) -> Recording:
    """Return a recording of a finger without memory: a polynomial of pressure, a slope of temperature, a linear pad."""
    rng = np.random.default_rng(seed)
    scaled = pressure_pa / 6e4
    bending = np.column_stack([0.02 * scaled + 0.01 * scaled**2, 0.03 * scaled**3, -0.01 * scaled**4])
    heat = (temperature_c - temperature_c[0])[:, None] * np.array([1e-4, 2e-4, 1e-4])
    change = bending + heat + force_n @ GAINS.T + 1e-7 * rng.standard_normal((len(scaled), 3))
    sparse = np.where(np.arange(len(scaled)) % 4 == 0, pressure_pa, np.nan)
    return Recording(
        time_s=np.arange(len(scaled)) / RATE_HZ,
        pressure_pa=sparse,
        inductance_h=2e-6 * (1.0 + change[:, :channels]),
        temperature_c=temperature_c,
        force_n=force_n,
        bend_rad=0.8 * scaled + 0.1 * scaled**2,
        source="made",
    )


def make_bench(channels: int = 3) -> tuple[Recording, Recording, Recording]:
    """Return a free-bend, a press and a test recording of one finger; the pressure holds for four rows."""
    rows = np.arange(4000)
    ramp = 6e4 * np.clip(np.sin(rows // 4 * 4 / 300.0), 0.0, None) * (rows >= 200)
    heat = 20.0 + 3.0 * (rows >= 200) * rows / 4000
    free = make_recording(ramp, np.zeros((4000, 3)), heat, channels)
    rng = np.random.default_rng(1)
    force = np.repeat(rng.uniform([-1, -1, 0], [1, 1, 4], (40, 3)), 100, axis=0) * (rows >= 200)[:, None]
    steps = np.repeat(rng.uniform(0, 5e4, 40), 100) * (rows >= 200)
    press = make_recording(steps, force, np.full(4000, 22.0), channels, 1)
    touch = np.repeat(rng.uniform([-1, -1, 0], [1, 1, 3], (40, 3)), 100, axis=0) * (rows >= 200)[:, None]
    return free, press, make_recording(ramp, touch, heat, channels, 2)


def test_a_finger_without_memory_is_read_exactly() -> None:
    """Where bending is a polynomial of the pressure and the pad is linear, force, bend and variance come out right."""
    free, press, recording = make_bench()
    table = fit_static_baseline([free], [press]).replay(recording)
    assert recording.force_n is not None
    late = slice(101, None)
    assert_allclose(table.force_n[late], recording.force_n[late], rtol=0, atol=2e-3)
    assert_allclose(table.bend_rad[late], recording.bend_rad[late] if recording.bend_rad is not None else 0, atol=1e-6)
    assert np.all(table.force_variance_n2[late] < 2e-3**2)
    assert_array_equal(table.in_contact[late], recording.force_n[late, 2] >= 0.05)


def test_reference_columns_are_not_used() -> None:
    """The yardstick is as blind to the reference as the estimator."""
    free, press, recording = make_bench()
    baseline = fit_static_baseline([free], [press])
    blind = baseline.replay(replace(recording, force_n=None, bend_rad=None))
    assert_array_equal(blind.force_n, baseline.replay(recording).force_n)


def test_rows_of_the_tare_have_no_force() -> None:
    """While the tare is taken there is no force, no contact, and the flag TARE."""
    free, press, recording = make_bench()
    table = fit_static_baseline([free], [press]).replay(recording)
    assert np.all(np.isnan(table.force_n[:101]))
    assert np.all(np.isnan(table.force_variance_n2[:101]))
    assert not np.any(table.in_contact[:101])
    assert_array_equal(table.flags == 1, np.arange(4000) <= 100)


def test_one_channel_gives_normal_force_only() -> None:
    """With fewer than three channels shear is not observed."""
    free, press, recording = make_bench(channels=1)
    table = fit_static_baseline([free], [press]).replay(recording)
    assert np.all(np.isnan(table.force_n[:, :2]))
    assert np.all(np.isfinite(table.force_n[101:, 2]))


def test_contact_has_a_threshold_and_a_hysteresis() -> None:
    """A contact begins at the threshold and ends below half of it."""
    free, press, _ = make_bench()
    baseline = fit_static_baseline([free], [press])
    assert baseline.threshold_n == 0.05
    force = np.zeros((1000, 3))
    for begin, newton in ((300, 0.04), (400, 0.06), (500, 0.03), (600, 0.02), (700, 0.04)):
        force[begin : begin + 100, 2] = newton
    table = baseline.replay(make_recording(np.zeros(1000), force, np.full(1000, 20.0)))
    assert_array_equal(table.in_contact, (np.arange(1000) >= 400) & (np.arange(1000) < 600))


def vent(recording: Recording) -> Recording:
    """Return the recording without pressure."""
    return replace(recording, pressure_pa=0.0 * recording.pressure_pa)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda free, press: ([], [press]), "at least one free-bend and one press"),
        (lambda free, press: ([free], [replace(press, force_n=None)]), "has no force_x_n"),
        (lambda free, press: ([vent(free)], [vent(press)]), "pressures above zero"),
        (lambda free, press: ([free], [replace(press, force_n=np.full((4000, 3), np.nan))]), "complete rows; got 0"),
    ],
)
def test_bad_recordings_are_refused(change: object, message: str) -> None:
    """Without recordings, reference force or pressure there is no yardstick, and the reason is said."""
    free, press, _ = make_bench()
    with pytest.raises(CalibrationError, match=message):
        fit_static_baseline(*change(free, press))  # type: ignore[operator]


def test_another_pad_is_refused() -> None:
    """A recording with another number of channels, or a dead channel, is refused by name."""
    free, press, recording = make_bench()
    baseline = fit_static_baseline([free], [press])
    with pytest.raises(CalibrationError, match="made: must have 3 channels; got 1"):
        baseline.replay(make_bench(channels=1)[2])
    dead = recording.inductance_h.copy()
    dead[:200, 1] = np.nan
    with pytest.raises(CalibrationError, match="column coil_2_h: no samples at rest"):
        baseline.replay(replace(recording, inductance_h=dead))
