"""What comes out, scan by scan or at once, while all is well and while something is wrong."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.estimation import Estimator
from soft_tactile_node.estimation.tuning import TUNING
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import Flag, Scan
from unit.estimation.fingers import Fault, Finger, record

FAULT_KINDS = ("open", "stuck", "spike", "frozen", "pressure_lost", "pressure_frozen", "pressure_zero")


def columns(table: EstimateTable, rows: slice = slice(None)) -> dict[str, bytes]:
    """Return the bytes of some rows of each column."""
    return {item.name: np.ascontiguousarray(getattr(table, item.name)[rows]).tobytes() for item in fields(table)}


def test_scan_by_scan_is_the_same_as_at_once(finger: Finger) -> None:
    """`step` and `replay` give the same bytes and the same events."""
    table, events = finger.replay()
    estimator, pick = Estimator(finger.calibration), finger.pick
    rows = zip(pick.time_s, pick.inductance_h, pick.temperature_c, pick.pressure_pa, strict=True)
    steps = [estimator.step(Scan(time_s, coils, warm), pressure_pa) for time_s, coils, warm, pressure_pa in rows]
    for name in ("in_contact", "contact_probability", "bend_rad", "flags"):
        one_by_one = np.array([getattr(step.estimate, name) for step in steps], dtype=getattr(table, name).dtype)
        assert one_by_one.tobytes() == getattr(table, name).tobytes(), name
    assert_array_equal(np.array([step.estimate.force_n for step in steps]), table.force_n)
    told = [event for step in steps for event in step.events]
    assert [(e.kind, e.time_s, e.contact_id) for e in told] == [(e.kind, e.time_s, e.contact_id) for e in events]


def test_what_the_base_does_is_in_the_variance(finger: Finger) -> None:
    """A base at rest changes nothing; one that swings by 10 m/s^2 widens force by what 15 g do, and a flag says so."""
    pick, gravity = finger.pick, np.array([0.0, 0.0, 9.81])
    at_rest = np.broadcast_to(gravity, (pick.time_s.size, 3))
    swings = at_rest + 10.0 * np.outer((pick.time_s > 4.0) & (pick.time_s < 4.05), [1.0, 0.0, 0.0])
    plain, rests, moves = (
        finger.replay(replace(pick, acceleration_m_s2=specific))[0] for specific in (None, at_rest, swings)
    )
    assert columns(rests) == columns(plain)
    row = int(np.argmax(pick.time_s > 4.02))
    added = moves.force_variance_n2[row, 2] - plain.force_variance_n2[row, 2]
    assert_allclose(added, (TUNING.moved_kg * 10.0) ** 2, rtol=0.1, atol=0.0)
    moving = (pick.time_s > 4.01) & (pick.time_s < 4.2)
    assert (moves.flags[moving] & int(Flag.MOTION)).all()
    assert not (moves.flags[pick.time_s < 4.0] & int(Flag.MOTION)).any()


@pytest.mark.parametrize("rows", [250, 1000, 2500])
def test_the_future_does_not_matter(finger: Finger, rows: int) -> None:
    """Replaying the first rows alone gives the first rows of the whole, byte for byte."""
    whole, _ = finger.replay()
    part, _ = finger.replay(finger.pick.select_rows(slice(0, rows)))
    assert columns(part) == columns(whole, slice(0, rows))


def unexplained(table: EstimateTable) -> int:
    """Return how many rows give no normal force and no flag that says why."""
    return int(np.count_nonzero(~np.isfinite(table.force_n[:, 2]) & (table.flags == 0)))


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_a_force_that_is_missing_is_flagged(finger: Finger, kind: str) -> None:
    """Whatever fails from one press into the next: where no force is told a flag says why, and it comes back."""
    pad = finger.calibration.pad
    recording, _ = record("pick-roll", pad, 5, 24.0, faults=(Fault(kind, 7.0, 15.0),))
    table, _ = finger.replay(recording)
    assert unexplained(table) == 0
    during = (recording.time_s > 8.0) & (recording.time_s < 15.0)
    assert (table.flags[during] != 0).any()
    assert np.isfinite(table.force_n[recording.time_s > 16.0, 2]).all()


def equal_stamps(pick: Recording) -> Recording:
    """Half a second with one and the same stamp."""
    time_s = pick.time_s.copy()
    time_s[1000:1100] = time_s[1000]
    return replace(pick, time_s=time_s)


def backward_stamps(pick: Recording) -> Recording:
    """A quarter of a second that is stamped 0.3 s too early."""
    time_s = pick.time_s.copy()
    time_s[1000:1050] -= 0.3
    return replace(pick, time_s=time_s)


def clock_set_back(pick: Recording) -> Recording:
    """From one scan on all stamps are 4 s earlier."""
    time_s = pick.time_s.copy()
    time_s[1000:] -= 4.0
    return replace(pick, time_s=time_s)


def gap(pick: Recording) -> Recording:
    """Three seconds are missing, with the end of the press in them."""
    first, last = pick.select_rows(slice(0, 1400)), pick.select_rows(slice(2000, None))
    joined = {
        item.name: np.concatenate([getattr(first, item.name), getattr(last, item.name)])
        for item in fields(pick)
        if isinstance(getattr(pick, item.name), np.ndarray)
    }
    return replace(pick, **joined)


@pytest.mark.parametrize("spoil", [equal_stamps, backward_stamps, clock_set_back, gap], ids=lambda f: f.__name__)
def test_stamps_that_are_wrong_are_flagged(finger: Finger, spoil: object) -> None:
    """Stamps that stand, go back or leave seconds out carry a flag, give no unflagged gap, and the force comes back."""
    assert callable(spoil)
    recording = spoil(finger.pick)
    table, _ = finger.replay(recording)
    assert unexplained(table) == 0
    assert (table.flags & int(Flag.TIME_JUMP)).any()
    assert np.isfinite(table.force_n[-1000:, 2]).all()


def test_a_free_finger_has_no_force_and_a_variance(finger: Finger) -> None:
    """Free, the normal force is exactly zero and its variance positive."""
    for recording in (finger.pick, finger.ramps):
        table, _ = finger.replay(recording)
        free = ~table.in_contact & np.isfinite(table.force_n[:, 2])
        assert free.sum() > 1000
        assert set(table.force_n[free, 2]) == {0.0}
        assert (table.force_variance_n2[free, 2] > 0.0).all()


@pytest.mark.parametrize(("scenario", "seed", "duration_s"), [("ramps", 6, 60.0), ("warm-up", 4, 120.0)])
def test_a_free_finger_is_not_held(finger: Finger, scenario: str, seed: int, duration_s: float) -> None:
    """A finger that is pressurised and warmed but never touched is neither touched nor held elsewhere."""
    recording, truth = record(scenario, finger.calibration.pad, seed, duration_s)
    assert not truth.in_contact.any()
    table, _ = finger.replay(recording)
    assert not table.in_contact.any()
    assert not (table.flags & int(Flag.HELD_ELSEWHERE)).any()
