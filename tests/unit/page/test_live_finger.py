"""One finger on the page: the same touches as a replay, in words a person understands."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pytest

from soft_tactile_node.calibration import load_calibration
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.errors import NotAtRestError
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.page import live_finger
from soft_tactile_node.page.live_finger import UNCALIBRATED, VENT_FIRST, LiveFinger
from soft_tactile_node.page.ring import Ring
from soft_tactile_node.samples import ContactEvent
from soft_tactile_node.sources import Reading
from soft_tactile_node.sources.recorded import RecordedSource
from unit.page.made import CALIBRATION, touches

RECORDING, _ = touches()


def live(*, calibrated: bool = True) -> tuple[LiveFinger, Ring]:
    """Return a finger and its ring."""
    ring = Ring(get_context("spawn"))
    return LiveFinger(ring, load_calibration(CALIBRATION) if calibrated else None, "light"), ring


def readings() -> list[Reading]:
    """Return the recording as a source gives it."""
    source = RecordedSource("recording:touches", lambda: RECORDING, paced=False)
    source.open()
    found: list[Reading] = []
    while not source.ended:
        found += source.read(0.0)
    return found


def run(finger: LiveFinger, given: list[Reading]) -> list[ContactEvent]:
    """Feed a finger."""
    return [event for reading in given for event in finger.add(reading)]


def test_the_page_sees_what_a_replay_sees() -> None:
    """Events and rows are those of a replay of the same recording, with gauge and with absolute pressure."""
    _, expected = Estimator(load_calibration(CALIBRATION)).replay(RECORDING)
    assert sum(event.kind.value == "contact" for event in expected) >= 2
    finger, ring = live()
    found = run(finger, readings())
    assert [(e.kind, round(e.time_s, 6)) for e in found] == [(e.kind, round(e.time_s, 6)) for e in expected]
    assert ring.written == len(RECORDING)
    assert ring.last_s == pytest.approx(RECORDING.time_s[-1] - RECORDING.time_s[0])
    finger, _ = live()
    absolute = [replace(r, pressure_pa=r.pressure_pa + 97e3, pressure_is_absolute=True) for r in readings()]
    kinds = [(e.kind, round(e.time_s, 1)) for e in run(finger, absolute)]
    assert kinds == [(e.kind, round(e.time_s, 1)) for e in expected]
    assert finger.atmospheric_pa == pytest.approx(97e3, abs=50.0)


def test_it_is_told_in_words_and_json() -> None:
    """State, flags and channels are words; what is not known is null, so that JSON stays JSON."""
    finger, _ = live()
    broken = readings()[:600]
    for reading in broken[450:]:
        reading.scan.inductance_h[1] = math.nan
    run(finger, broken[:100])
    assert "taking the tare" in finger.describe()["state"]
    run(finger, broken[100:])
    said = json.loads(json.dumps(finger.describe(), allow_nan=False))
    assert [one["words"] for one in said["channels"]] == ["good", "open", "good", "good"]
    assert said["channels"][1]["raw_h"] is None
    assert any("check its wiring" in text for _, text in said["flags"])


def test_without_a_calibration_raw_signals_are_shown() -> None:
    """An uncalibrated finger shows its inductances and says what it lacks; a tare is refused with the reason."""
    finger, ring = live(calibrated=False)
    run(finger, readings()[:50])
    assert finger.describe()["state"] == UNCALIBRATED
    assert np.isfinite(ring.read(0)[2][-1, :4]).all()
    with pytest.raises(NotAtRestError, match="a tare needs a calibration"):
        finger.request_tare()


def test_a_finger_under_pressure_is_to_be_vented_first() -> None:
    """Absolute pressure that no vented line has is not taken for the vented one; the page says what to do."""
    finger, _ = live()
    run(finger, [replace(r, pressure_pa=140e3, pressure_is_absolute=True) for r in readings()[:300]])
    assert finger.describe()["tare_refusal"] == VENT_FIRST
    assert "taking the tare" in finger.describe()["state"]


def test_a_tare_under_pressure_is_told_once_the_finger_is_vented() -> None:
    """A finger that was still at 8 kPa when it was tared is wrong throughout: that is said until the next tare."""
    finger, _ = live()
    rest = readings()[:380]

    def stay(pressure_pa: float, from_s: float) -> None:
        at = [replace(r.scan, time_s=r.scan.time_s + from_s) for r in rest]
        run(finger, [Reading(scan, k, pressure_pa, pressure_is_absolute=True) for k, scan in enumerate(at)])

    stay(108e3, 0.0)
    assert not any("tare" in text for _, text in finger.describe()["flags"])
    stay(100e3, 2.0)
    assert finger.describe()["flags"][0][1].startswith("pressure fell 8.0 kPa below that of the tare")
    finger.request_tare()
    stay(100e3, 4.0)
    assert not any("tare" in text for _, text in finger.describe()["flags"])


def test_a_line_that_is_vented_during_the_tare_is_followed() -> None:
    """Who starts the page a moment before the line is vented is told nothing: the tare waits for it."""
    finger, _ = live()
    given = [replace(r, pressure_pa=108e3 if k < 60 else 100e3) for k, r in enumerate(readings()[:380])]
    run(finger, [replace(r, pressure_is_absolute=True) for r in given])
    assert finger.describe()["state"] == "free"
    assert not any("tare" in text for _, text in finger.describe()["flags"])


def test_the_calibration_of_another_pad_is_said() -> None:
    """A calibration that does not fit is left out in words, and raw signals go on."""
    finger, _ = live()
    given = readings()[:400]
    for reading in given:
        reading.scan.inductance_h[:] *= 1.5
    run(finger, given)
    said = finger.describe()
    assert said["state"] == UNCALIBRATED
    assert "use the calibration of this pad" in said["flags"][0][1]


def test_a_stream_that_begins_again_goes_on_in_time() -> None:
    """Charts never run backwards when a recording begins again, and the tare is taken anew."""
    finger, ring = live()
    run(finger, readings()[:400])
    before = ring.last_s
    finger.restart()
    run(finger, readings()[:10])
    assert before < ring.last_s < before + 0.2
    assert np.all(np.diff(ring.read(0)[1]) >= 0.0)
    assert "taking the tare" in finger.describe()["state"]


def test_the_name_of_a_calibration_is_worked_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """It costs as much as hundreds of scans: what is told five times a second does not work it out again."""
    asked: list[str] = []
    monkeypatch.setattr(live_finger, "calibration_id", lambda one: asked.append("") or calibration_id(one))
    finger, _ = live()
    told = {finger.describe()["calibration"] for _ in range(5)}
    assert told == {calibration_id(load_calibration(CALIBRATION))}
    assert len(asked) == 1
