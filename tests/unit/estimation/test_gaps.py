"""Gaps in the stream: a process stood still, the machine was suspended, a queue ran over."""

from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import EventKind, Flag
from unit.estimation.fingers import Finger

LATE_SCANS = 3
"""Scans after a gap before the first pressure reading."""


def with_gap(recording: Recording, begin_s: float, length_s: float) -> tuple[Recording, int]:
    """Return a recording without some scans, and the first row after them; the pressure readings begin a bit later."""
    end_s = begin_s + length_s
    gone = (recording.time_s >= begin_s) & (recording.time_s < end_s)
    first = int(np.searchsorted(recording.time_s, begin_s))
    pressure_pa = recording.pressure_pa[~gone]
    known_pa = pressure_pa[first:][np.isfinite(pressure_pa[first:])]
    pressure_pa[first : first + LATE_SCANS] = np.nan
    pressure_pa[first + LATE_SCANS] = known_pa[0]
    kept = Recording(
        recording.time_s[~gone], pressure_pa, recording.inductance_h[~gone], recording.temperature_c[~gone],
        source=recording.source,
    )  # fmt: skip
    return kept, first


@pytest.mark.parametrize("length_s", [0.2, 2.0])
def test_a_gap_never_lets_go_of_what_is_held(finger: Finger, length_s: float) -> None:
    """Held before and after a gap: no event, NaN with TIME_JUMP until the pressure is known, then the force."""
    touched = np.flatnonzero(finger.truth.in_contact)
    begin_s = float(finger.truth.time_s[touched[0]]) + 1.5
    recording, first = with_gap(finger.pick, begin_s, length_s)
    table, events = finger.replay(recording)
    later_s = recording.time_s[first]
    assert [event.kind for event in events if begin_s <= event.time_s < later_s + 0.3] == []
    waiting, known = slice(first, first + LATE_SCANS), slice(first + LATE_SCANS, first + 60)
    assert np.isnan(table.force_n[waiting, 2]).all()
    assert (table.flags[waiting] & int(Flag.TIME_JUMP)).all()
    assert table.in_contact[first : first + 60].all()
    truth_n = finger.truth.force_n[np.searchsorted(finger.truth.time_s, recording.time_s[known]), 2]
    error_n = np.abs(table.force_n[known, 2] - truth_n)
    assert (error_n < 3.0 * np.sqrt(table.force_variance_n2[known, 2]) + 0.1).all()


def test_a_gap_makes_no_touch_of_a_moving_finger(finger: Finger) -> None:
    """Bent freely before, during and after a gap: wherever it falls, no event comes of it."""
    for begin_s in np.arange(4.0, 28.0, 3.0):
        recording, _ = with_gap(finger.ramps, float(begin_s), 0.22)
        _, events = finger.replay(recording)
        assert [(begin_s, event.kind) for event in events if event.kind != EventKind.SLIP] == []
