"""What goes wrong at a finger, seen through its topics: flagged in time, never a confident lie, and recovered from."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import yaml
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from soft_tactile_msgs.msg import ContactEvent, PadEstimate
from soft_tactile_msgs.srv import LoadCalibration
from std_srvs.srv import Trigger

from graph.finger_driver import LEFT, RATE_HZ, FingerDriver
from graph.graph_tools import ACTIVATE, CONFIGURE, UNCONFIGURED, Graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.running.diagnostic_pace import MOST_WORDS
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.simulation.faults import Fault

NODE = "/finger/tactile_sensor"
FLAG_LIMIT_S = 0.5
SCANS_20_S = 20 / RATE_HZ


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs."""
    warm_up(load_calibration(LEFT))


@pytest.fixture
def driver(live: Graph) -> FingerDriver:
    """Give a free finger with its sensor, tared."""
    made = FingerDriver(live)
    made.sensor()
    assert live.transition(NODE, CONFIGURE)
    made.listen()
    assert live.transition(NODE, ACTIVATE)
    made.run_until(lambda: made.estimates[-1].state == PadEstimate.STATE_FREE, 4.0, 0.0)
    return made


def spoil(driver: FingerDriver, kind: str, lasts_s: float = 2.0, **details: float) -> float:
    """Let something go wrong from now on; returns the time of the finger at which it begins (s)."""
    assert driver.step is not None
    now_s = driver.step.time_s
    driver.gripper.add_fault(Fault(kind, now_s, now_s + lasts_s, **details))
    return now_s


def seconds(driver: FingerDriver, message: PadEstimate) -> float:
    """Return when an estimate was, on the finger's own clock (s)."""
    return message.header.stamp.sec + message.header.stamp.nanosec * 1e-9 - driver.start_ns * 1e-9


def first_flag_s(driver: FingerDriver, flags: int, since_s: float) -> float:
    """Return how long after `since_s` any of the flags came first (s); infinite = never."""
    found = [seconds(driver, e) for e in driver.estimates if e.flags & flags and seconds(driver, e) > since_s]
    return min(found, default=math.inf) - since_s


def contacts(driver: FingerDriver) -> int:
    """Return the number of contact events so far."""
    return sum(event.kind == ContactEvent.CONTACT for event in driver.events)


def never_confident(estimates: list[PadEstimate], flags: int = 0) -> None:
    """Check that no estimate of a free pad claims a force: beyond 3 sigma and 0.1 N only with a flag, 0.1 s at most.

    For 0.4 s at least they must say something without a flag that excuses it: what says nothing cannot be wrong.
    """
    plain = [e for e in estimates if not e.flags & flags and not math.isnan(e.wrench.force.z)]
    assert len(plain) >= 0.4 * RATE_HZ
    wrong = 0
    for estimate in estimates:
        force, variance = estimate.wrench.force.z, estimate.covariance[14]
        lies = not math.isnan(force) and abs(force) > 3.0 * math.sqrt(max(variance, 0.0)) + 0.1
        wrong = wrong + 1 if lies and not estimate.flags & flags else 0
        assert wrong <= 0.1 * RATE_HZ


@pytest.mark.parametrize(("kind", "flag"), [("open", PadEstimate.CHANNEL_OPEN), ("stuck", PadEstimate.STUCK)])
def test_a_bad_channel_is_dropped_and_taken_back(driver: FingerDriver, kind: str, flag: int) -> None:
    """A channel that is open or stuck is flagged in time, a fault event names it, and it is reported when back."""
    driver.run(0.5, 15e3)
    since_s = spoil(driver, kind, 1.0, channel=1)
    driver.run(1.0, 25e3)
    # a stuck channel is known by the noise it lacks, once several counts have been the same
    assert first_flag_s(driver, flag, since_s) <= (SCANS_20_S if kind == "open" else FLAG_LIMIT_S)
    driver.live.wait(lambda: any(e.kind == ContactEvent.FAULT for e in driver.events), "fault event")
    assert [e.detail for e in driver.events if e.kind == ContactEvent.FAULT] == [f"coil 2 {kind}"]
    assert not math.isnan(driver.estimates[-1].wrench.force.z), "the other three go on"
    driver.run_until(lambda: any(e.kind == ContactEvent.RECOVERED for e in driver.events), 5.0, 25e3)
    never_confident(driver.estimates, flag)


def test_all_coils_gone_is_an_error_without_a_wrench(driver: FingerDriver) -> None:
    """Without any channel there is no force and no touch, diagnostics is ERROR; with them back all is well again."""
    driver.spoil = lambda inductance: np.full(4, math.nan)
    driver.run(0.5)
    estimate = driver.estimates[-1]
    assert math.isnan(estimate.wrench.force.z)
    assert not estimate.in_contact
    assert list(estimate.observed) == [False] * 6
    assert list(np.diag(np.reshape(estimate.covariance, (6, 6)))) == [-1.0] * 6
    driver.live.wait(lambda: driver.status().level == DiagnosticStatus.ERROR, "ERROR")
    driver.spoil = lambda inductance: inductance
    driver.run_until(lambda: not math.isnan(driver.estimates[-1].wrench.force.z), 5.0, 0.0)
    driver.live.wait(lambda: driver.status().level != DiagnosticStatus.ERROR, "better")


@pytest.mark.parametrize("kind", ["pressure_lost", "pressure_frozen", "pressure_zero"])
def test_pressure_that_lies_is_flagged_and_makes_no_touch(driver: FingerDriver, kind: str) -> None:
    """Pressure that is lost, frozen or zero while the finger is bent is flagged within 0.5 s; no contact is claimed."""
    driver.run(2.0, 30e3)
    since_s = spoil(driver, kind, 1.5)
    driver.run(1.5, 30e3)
    assert first_flag_s(driver, PadEstimate.PRESSURE_MISSING, since_s) <= FLAG_LIMIT_S
    assert contacts(driver) == 0
    never_confident(driver.estimates, PadEstimate.PRESSURE_MISSING)
    driver.run_until(lambda: not driver.estimates[-1].flags & PadEstimate.PRESSURE_MISSING, 5.0, 30e3)


@pytest.mark.parametrize(("shift_s", "unit"), [(-0.5, "back"), (20.0, "ahead"), (0.0, "equal")])
def test_stamps_that_jump_are_flagged_and_lived_with(driver: FingerDriver, shift_s: float, unit: str) -> None:
    """Stamps that stand still, run back or jump ahead are flagged; a number or NaN with its flag comes out."""
    driver.run(0.3, 10e3)
    begin = len(driver.estimates)
    if unit == "equal":
        driver.start_ns -= round(1e9 / RATE_HZ)  # the next scan carries the stamp of the last one
    driver.start_ns += round(shift_s * 1e9)
    driver.run(0.4, 10e3)
    later = driver.estimates[begin:]
    assert any(e.flags & PadEstimate.TIME_JUMP for e in later)
    driver.run(2.0, 10e3)
    assert not driver.estimates[-1].flags & PadEstimate.TIME_JUMP
    assert not math.isnan(driver.estimates[-1].wrench.force.z)
    assert contacts(driver) == 0
    assert all(np.isfinite(e.covariance).all() for e in driver.estimates)


def test_beyond_the_calibrated_pressure_the_flag_says_so(driver: FingerDriver) -> None:
    """More pressure than was ever calibrated is flagged, not clipped."""
    publish = driver.pressure.publish

    def stronger(message: object) -> None:
        message.fluid_pressure = 99000.0 + 1.5 * (message.fluid_pressure - 99000.0)
        publish(message)

    driver.pressure.publish = stronger
    driver.run(3.0, 50e3)
    assert driver.estimates[-1].flags & PadEstimate.OUT_OF_RANGE
    assert driver.estimates[-1].pressure > 65e3


@pytest.mark.parametrize("kind", ["held_elsewhere", "base_turned"])
def test_what_is_no_touch_is_not_called_one(driver: FingerDriver, kind: str) -> None:
    """A finger held beside its pad, and a base that turns without base_motion given, make no contact event."""
    details = {"amount": 0.5} if kind == "base_turned" else {}
    driver.run(1.5, 20e3)
    spoil(driver, kind, 3.0, **details)
    driver.run(3.0, 30e3)
    assert contacts(driver) == 0
    never_confident(driver.estimates, PadEstimate.HELD_ELSEWHERE | PadEstimate.MOTION)


def test_metal_near_gives_no_confident_force(driver: FingerDriver) -> None:
    """A steel plate near a free pad never makes a confident force."""
    driver.run(1.0, 10e3)
    since_s = spoil(driver, "metal_near", 2.0, amount=8e-3)
    driver.run(2.0, 10e3)
    never_confident([estimate for estimate in driver.estimates if seconds(driver, estimate) > since_s])


def test_scans_of_another_pad_are_refused_with_the_reason(live: Graph) -> None:
    """Inductances more than 20 % off those of the calibration give no estimate, and diagnostics says why."""
    driver = FingerDriver(live)
    driver.spoil = lambda inductance: 1.3 * inductance
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    driver.listen()
    assert live.transition(NODE, ACTIVATE)
    driver.run(2.0, heard=False)
    live.wait(lambda: "use the calibration of this pad" in driver.status().message, "reason")
    assert driver.status().level == DiagnosticStatus.ERROR
    assert {estimate.state for estimate in driver.estimates} == {PadEstimate.STATE_TARING}


def newer(data: dict[str, object]) -> None:
    """Make a calibration of a newer schema."""
    data["schema_version"] = 99


def other_serial(data: dict[str, object]) -> None:
    """Make a calibration of another pad by its number."""
    data["serial"] = "B-2"


def not_finite(data: dict[str, object]) -> None:
    """Make a calibration with NaN in it."""
    data["tare_temperature_c"] = float("nan")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (newer, "key schema_version: must be 2; got 99; update soft_tactile_node"),
        (other_serial, "must be of the pad with serial A-1 (parameter 'pad_serial'); has serial B-2"),
        (not_finite, "key tare_temperature_c"),
    ],
)
def test_calibrations_that_do_not_fit_are_refused(
    live: Graph, tmp_path: Path, change: Callable[[dict[str, object]], None], said: str
) -> None:
    """Refused at configure by name; refused by load_calibration, and the running calibration stays."""
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    data = yaml.safe_load(LEFT.read_text())
    data["serial"] = "A-1"
    good.write_text(yaml.safe_dump(data))
    change(data)
    bad.write_text(yaml.safe_dump(data))
    driver = FingerDriver(live)
    driver.sensor(calibration=str(bad), pad_serial="A-1")
    driver.health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    assert not live.transition(NODE, CONFIGURE)
    assert live.state(NODE) == UNCONFIGURED
    live.wait(lambda: driver.health and said in driver.status().message, "reason in diagnostics")
    assert driver.status().message.startswith("parameter 'calibration': ")
    assert live.set(NODE, calibration=str(good))[0].successful
    assert live.transition(NODE, CONFIGURE)
    assert live.transition(NODE, ACTIVATE)
    answer = live.call(LoadCalibration, "/finger/load_calibration", LoadCalibration.Request(path=str(bad)))
    assert not answer.success
    assert said in answer.message
    assert answer.calibration_id == live.nodes[0]._stream.calibration_id != ""


def test_an_unexpected_error_ends_in_error_processing_not_in_silence(
    driver: FingerDriver, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A defect in the work on a scan is logged once, the node goes unconfigured and says why, and can start anew."""
    node = driver.live.nodes[0]
    calls: list[int] = []

    def breaks(*_arguments: object) -> None:
        calls.append(1)
        raise ZeroDivisionError("a defect")

    monkeypatch.setattr(node._stream, "step", breaks)
    for _ in range(MOST_WORDS):  # so much has been said of late that the next word would have to wait
        node._health._pace.tell()
    driver.run(0.5, heard=False)
    driver.live.wait(lambda: driver.live.state(NODE) == UNCONFIGURED, "error processing")
    assert len(calls) == 1
    assert capfd.readouterr().err.count("coils: unexpected ZeroDivisionError: a defect") == 1
    driver.live.wait(lambda: "unexpected ZeroDivisionError" in driver.status().message, "the reason in diagnostics")
    assert driver.status().level == DiagnosticStatus.ERROR
    assert driver.live.transition(NODE, CONFIGURE)
    assert driver.live.transition(NODE, ACTIVATE)
    driver.live.wait(lambda: driver.coils.get_subscription_count(), "the sensor on the topics again")
    heard = len(driver.estimates)
    driver.run(0.2, heard=False)
    driver.live.wait(lambda: len(driver.estimates) > heard, "estimates again")


def test_an_unexpected_error_in_a_service(driver: FingerDriver, monkeypatch: pytest.MonkeyPatch) -> None:
    """A service that breaks still answers, and the node goes unconfigured as it does for a scan."""
    node = driver.live.nodes[0]
    monkeypatch.setattr(node._stream, "request_tare", lambda: 1 / 0)
    answer = driver.live.call(Trigger, "/finger/tare", Trigger.Request())
    assert not answer.success
    driver.live.wait(lambda: driver.live.state(NODE) == UNCONFIGURED, "error processing")
    assert node.reason == "tare: unexpected ZeroDivisionError: division by zero"
