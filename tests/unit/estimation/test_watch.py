"""A calibration that does not fit the finger is refused or flagged within the first seconds of motion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from soft_tactile_node.calibration import Calibration, calibrate
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Flag, Scan
from soft_tactile_node.simulation import simulate

BEYOND = int(Flag.OUT_OF_RANGE)


@cache
def record(scenario: str, pad: str, specimen: int = 3) -> Recording:
    """Return a recording of a simulated finger."""
    length = None if scenario in ("free-bend", "press") else 24.0
    return simulate(scenario, pad=pad, seed=36, rate_hz=200.0, specimen_seed=specimen, duration_s=length)[0]


@cache
def finger(pad: str) -> Calibration:
    """Return the calibration of a simulated finger."""
    return calibrate([record("free-bend", pad)], [record("press", pad)])


def first_motion_s(recording: Recording) -> float:
    """Return when the finger first leaves rest (s)."""
    bent = np.nan_to_num(recording.pressure_pa) > 0.1 * np.nanmax(recording.pressure_pa)
    return float(recording.time_s[np.argmax(bent)])


@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
@pytest.mark.parametrize("scenario", ["ramps", "pick-roll"])
def test_the_right_finger_is_not_flagged(pad: str, scenario: str) -> None:
    """With its own calibration no row of ramps and grasps below the largest force is doubted."""
    table, _ = Estimator(finger(pad)).replay(record(scenario, pad))
    weak = np.nan_to_num(table.force_n[:, 2]) < finger(pad).ranges.force_normal_n
    assert not np.any(table.flags[weak] & BEYOND)


@pytest.mark.parametrize(
    ("pad", "scenario", "change"),
    [
        ("iron_disc", "ramps", lambda r: replace(r, pressure_pa=r.pressure_pa / 1000.0)),
        ("iron_disc", "pick-roll", lambda r: replace(r, pressure_pa=r.pressure_pa / 1000.0)),
        ("liquid_metal", "ramps", lambda r: replace(r, pressure_pa=r.pressure_pa / 1000.0)),
        ("liquid_metal", "pick-roll", lambda r: replace(r, pressure_pa=r.pressure_pa / 1000.0)),
        # rest that is alike hides an exchange at the tare; then the motion must tell
        ("iron_disc", "pick-roll", lambda r: even_rest(r, 2, 1, 0, 3)),
        ("iron_disc", "ramps", lambda r: even_rest(r, 1, 2, 3, 0)),
        ("iron_disc", "pick-roll", lambda r: even_rest(r, 1, 2, 3, 0)),
    ],
)
def test_what_does_not_fit_is_flagged_in_the_first_motion(
    pad: str, scenario: str, change: Callable[[Recording], Recording]
) -> None:
    """Within three seconds of the first motion the flag is set, and it stays while the finger moves on."""
    recording = record(scenario, pad)
    table, _ = Estimator(finger(pad)).replay(change(recording))
    flagged = (table.flags & BEYOND) > 0
    start_s = first_motion_s(recording)
    assert flagged.any()
    assert start_s < table.time_s[np.argmax(flagged)] < start_s + 3.0
    assert flagged[np.argmax(flagged) :].mean() > 0.9


def even_rest(recording: Recording, *order: int) -> Recording:
    """Return a recording with its channels in another order that rests as the calibration does."""
    rest = recording.inductance_h[:200].mean(axis=0)
    return replace(recording, inductance_h=(recording.inductance_h / rest)[:, list(order)] * rest)


def test_another_finger_is_flagged_where_it_bends_otherwise() -> None:
    """The calibration of a finger that bends by two thirds more is doubted in the first motion."""
    table, _ = Estimator(finger("liquid_metal")).replay(record("ramps", "liquid_metal", 8))
    assert np.any(table.flags & BEYOND)


def test_exchanged_plugs_are_refused_at_the_tare() -> None:
    """Two channels that rest at each other's place are named."""
    recording = record("ramps", "iron_disc")
    swapped = replace(recording, inductance_h=recording.inductance_h[:, [1, 0, 2, 3]])
    with pytest.raises(CalibrationError, match="does not fit this finger: channels 1 and 2 are exchanged"):
        Estimator(finger("iron_disc")).replay(swapped)


def test_one_scan_at_a_time_flags_the_same_rows() -> None:
    """Online the flag comes at the very rows of a replay."""
    recording = record("ramps", "iron_disc")
    recording = replace(recording, pressure_pa=recording.pressure_pa / 1000.0).select_rows(slice(0, 1600))
    table, _ = Estimator(finger("iron_disc")).replay(recording)
    estimator = Estimator(finger("iron_disc"))
    told = [
        int(estimator.step(Scan(t, inductance, temperature), pressure).estimate.flags)
        for t, inductance, temperature, pressure in zip(
            recording.time_s, recording.inductance_h, recording.temperature_c, recording.pressure_pa, strict=True
        )
    ]
    np.testing.assert_array_equal(np.array(told) & BEYOND, table.flags & BEYOND)
    assert (table.flags & BEYOND).any()
