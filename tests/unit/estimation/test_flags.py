"""Each flag is set by what it says, and by nothing while all is well; what a held finger is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.errors import NotAtRestError
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.estimation.settings import LIGHT
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Flag, Scan, State
from soft_tactile_node.simulation import Fault, simulate
from soft_tactile_node.simulation.gripper import Gripper

CALIBRATION = load_calibration(Path(__file__).resolve().parents[3] / "config" / "calibrations" / "left_finger.yaml")
REST_H = np.array(CALIBRATION.tare_inductance_h)
FROM_S = 6.0
"""From when on something is wrong (s)."""

Spoil = Callable[[Recording], Recording]


def replay(recording: Recording, settings: object = LIGHT, tare: Tare | None = None) -> tuple[Estimator, np.ndarray]:
    """Return the estimator of a whole recording and all flags that it set."""
    estimator = Estimator(CALIBRATION, settings, tare=tare)  # type: ignore[arg-type]
    table, _ = estimator.replay(recording)
    return estimator, table.flags


def record(scenario: str, *faults: Fault) -> Recording:
    """Record the finger of the shipped calibration."""
    return simulate(scenario, seed=5, specimen_seed=1, rate_hz=250.0, duration_s=12.0, faults=faults)[0]


@pytest.fixture(scope="module")
def pick() -> Recording:
    """A pick without a fault."""
    return record("pick-roll")


def coils(change: Callable[[np.ndarray, np.ndarray], None]) -> Spoil:
    """Return what changes the second coil of a recording, in place, in the rows from `FROM_S` on."""

    def spoil(recording: Recording) -> Recording:
        values = recording.inductance_h.copy()
        change(values, np.flatnonzero(recording.time_s > FROM_S))
        return replace(recording, inductance_h=values)

    return spoil


def is_open(values: np.ndarray, rows: np.ndarray) -> None:
    """Nothing is read."""
    values[rows, 1] = np.nan


def is_stuck(values: np.ndarray, rows: np.ndarray) -> None:
    """The same is read for ever."""
    values[rows, 1] = values[rows[0], 1]


def spikes(values: np.ndarray, rows: np.ndarray) -> None:
    """One reading in ten is 2 % off."""
    values[rows[::10], 1] *= 1.02


def without_pressure(recording: Recording) -> Recording:
    """The pressure stays away."""
    return replace(recording, pressure_pa=np.where(recording.time_s > FROM_S, np.nan, recording.pressure_pa))


def more_pressure(recording: Recording) -> Recording:
    """All pressures are higher than any that was calibrated."""
    return replace(recording, pressure_pa=1.5 * recording.pressure_pa)


def equal_stamps(recording: Recording) -> Recording:
    """A tenth of a second has one stamp."""
    time_s = recording.time_s.copy()
    time_s[1500:1525] = time_s[1500]
    return replace(recording, time_s=time_s)


def shaken(recording: Recording) -> Recording:
    """The base is at rest, then swings."""
    swing = 10.0 * (recording.time_s > FROM_S) * np.sin(30.0 * recording.time_s)
    return replace(recording, acceleration_m_s2=np.column_stack([swing, 0.0 * swing, 9.81 + 0.0 * swing]))


SPOILS: dict[Flag, Spoil] = {
    Flag.CHANNEL_OPEN: coils(is_open),
    Flag.STUCK: coils(is_stuck),
    Flag.SPIKE: coils(spikes),
    Flag.REJECTED: equal_stamps,
    Flag.PRESSURE_MISSING: without_pressure,
    Flag.OUT_OF_RANGE: more_pressure,
    Flag.TIME_JUMP: equal_stamps,
    Flag.MOTION: shaken,
}


def flags_with(flag: Flag, pick: Recording) -> np.ndarray:
    """Return the flags that an estimator sets when that happens which a flag stands for."""
    if flag == Flag.TARE:
        return np.array([Estimator(CALIBRATION).step(Scan(0.0, REST_H, 20.0), 0.0).estimate.flags])
    if flag == Flag.STALE:
        return np.array([Estimator(CALIBRATION).stale(1.0).flags])
    if flag == Flag.TARE_OLD:
        return replay(pick, tare=Tare(pick.inductance_h[:250].mean(axis=0), 20.0, 0.0))[1]
    if flag == Flag.OVERLOAD:
        return replay(pick, replace(LIGHT, overload_n=0.3))[1]
    if flag == Flag.HELD_ELSEWHERE:
        return replay(record("ramps", Fault("held_elsewhere", FROM_S)))[1]
    return replay(SPOILS[flag](pick))[1]


@pytest.mark.parametrize("flag", list(Flag), ids=lambda flag: flag.name)
def test_each_flag_is_set_by_what_it_says(flag: Flag, pick: Recording) -> None:
    """What a flag stands for sets its bit; the same pick without it, after its tare of a second, does not."""
    assert (flags_with(flag, pick) & int(flag)).any()
    assert not (replay(pick)[1][pick.time_s > 1.1] & int(flag)).any()


def test_a_held_finger_is_told_and_not_tared() -> None:
    """Something beside the pad stops the bend: the state says so, and a tare is refused for that reason."""
    recording = record("ramps", Fault("held_elsewhere", FROM_S))
    table, _ = Estimator(CALIBRATION, LIGHT).replay(recording)
    held = np.flatnonzero((table.flags & int(Flag.HELD_ELSEWHERE) > 0) & ~table.in_contact)
    estimator, _ = replay(recording.select_rows(slice(0, int(held[-1]) + 1)))
    assert estimator.state == State.HELD_ELSEWHERE
    with pytest.raises(NotAtRestError, match="something holds the finger back; free it first"):
        estimator.request_tare()
    assert estimator.tare is not None


def test_a_jar_that_is_gripped_beside_its_lid_is_not_said_to_be_known() -> None:
    """A lifted jar is let go and gripped again where its steel lid pulls the reading down before the pad touches."""
    gripper = Gripper(("left_finger", "right_finger"), "jar", seed=1, rate_hz=250.0)
    estimator = Estimator(CALIBRATION)
    command_pa = lift_m = 0.0
    last_pa = np.nan
    for row in range(4500):
        time_s = 0.004 * row
        closing = 2.5 < time_s < 10.0 or time_s > 12.5
        command_pa = min(command_pa + 32.0, 36e3) if closing else 0.0
        lift_m = min(lift_m + 0.24e-3, 0.03) if time_s > 7.5 else 0.0
        step = gripper.step([command_pa, command_pa], lift_m)
        last_pa = step.pressure_pa[0] if np.isfinite(step.pressure_pa[0]) else last_pa
        estimate = estimator.step(step.scans[0], last_pa).estimate
        if row == 2450:  # the first grip, well above the lid
            assert not estimate.flags
            assert estimate.force_n[2] == pytest.approx(step.truths[0].force_n[2], abs=0.15)
    error_n = estimate.force_n[2] - step.truths[0].force_n[2]
    assert error_n < -0.5
    assert error_n**2 < 9.0 * estimate.force_variance_n2[2]
    assert estimate.flags & Flag.HELD_ELSEWHERE


def test_a_jar_that_slides_out_leaves_no_touch_behind() -> None:
    """Its steel lid pulls the reading below zero as it passes: that is not learnt, and its end is no touch."""
    gripper = Gripper(("left_finger", "right_finger"), "jar", seed=1, rate_hz=250.0)
    estimator = Estimator(CALIBRATION)
    command_pa = lift_m = 0.0
    last_pa, seen = np.nan, Flag(0)
    for row in range(2750):
        time_s = 0.004 * row
        command_pa = 0.0 if time_s > 8.7 else min(command_pa + (32.0 if time_s > 2.5 else 0.0), 27.5e3)
        lift_m = min(lift_m + 0.48e-3, 0.06) if time_s > 8.2 else 0.0
        step = gripper.step([command_pa, command_pa], lift_m)
        last_pa = step.pressure_pa[0] if np.isfinite(step.pressure_pa[0]) else last_pa
        estimate = estimator.step(step.scans[0], last_pa).estimate
        seen |= estimate.flags
        if row == 2000:
            assert estimate.in_contact
            assert step.truths[0].in_contact
    assert seen & Flag.HELD_ELSEWHERE
    assert not step.truths[0].in_contact
    assert not estimate.in_contact
    assert estimate.force_n[2] == 0.0
