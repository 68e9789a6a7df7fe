"""Diagnostics of a sensor: two statuses, levels after REP 107, values, and advice with its reason."""

from __future__ import annotations

import time

import numpy as np
import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import Vector3
from sensor_msgs.msg import Imu
from soft_tactile_msgs.msg import PadEstimate

from graph.finger_driver import LEFT, FingerDriver
from graph.graph_tools import ACTIVATE, CONFIGURE, DEACTIVATE, Graph
from soft_tactile_node.calibration.storage import load_calibration, save_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.wire import qos

NODE = "/finger/tactile_sensor"


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs."""
    warm_up(load_calibration(LEFT))


@pytest.fixture
def driver(live: Graph) -> FingerDriver:
    """Give a finger with its sensor, tared."""
    made = FingerDriver(live)
    start(made)
    return made


def start(driver: FingerDriver, **parameters: object) -> None:
    """Bring up a sensor and let it tare."""
    driver.sensor(**parameters)
    assert driver.live.transition(NODE, CONFIGURE)
    driver.listen()
    assert driver.live.transition(NODE, ACTIVATE)
    driver.run_until(lambda: driver.estimates[-1].state == PadEstimate.STATE_FREE, 4.0, 0.0)


def values(status: DiagnosticStatus) -> dict[str, str]:
    """Return the values of a status."""
    return {item.key: item.value for item in status.values}


def statuses(driver: FingerDriver) -> tuple[DiagnosticStatus, DiagnosticStatus]:
    """Return the newest status of finger and stream."""
    finger, stream = driver.health[-1].status
    return finger, stream


def test_what_waited_too_long_is_no_news(live: Graph) -> None:
    """Scans more than coil_timeout later than their stamps say give no estimate, are counted, and a WARN says so."""
    driver = FingerDriver(live)
    start(driver, coil_timeout=1.0)
    clock = live.client.get_clock()
    due_ns = clock.now().nanoseconds + 13 * 10**8
    live.wait(lambda: clock.now().nanoseconds > due_ns, "a standstill of the source")
    driver.estimates.clear()
    driver.health.clear()
    first = driver.number

    def warned() -> bool:
        driver.run(0.08, heard=False)  # the first ones stamped within 0.1 s of those before the standstill
        streams = [array.status[1] for array in driver.health]
        return any(s.level == DiagnosticStatus.WARN and "waited too long" in s.message for s in streams)

    live.wait(warned, "the warning")

    def all_told() -> bool:
        told = [estimate for estimate in driver.estimates if estimate.state != PadEstimate.STATE_STALE]
        late = int(values(statuses(driver)[1])["estimates too late"])
        return late > 0 and len(told) + late == driver.number - first

    live.wait(all_told, "an estimate, or a count, of each scan")


def test_two_statuses_say_all_there_is_to_know(driver: FingerDriver) -> None:
    """A healthy finger is OK, and its values tell rates, latency, rejects by cause, drift, margin and calibration."""
    driver.run(1.0, 20e3)
    driver.health.clear()
    driver.live.wait(lambda: driver.run(0.2, 20e3) or len(driver.health) >= 2, "the report of each second")
    finger, stream = statuses(driver)
    assert (finger.name, stream.name) == ("finger/tactile_sensor: finger", "finger/tactile_sensor: stream")
    assert finger.hardware_id == stream.hardware_id == "finger"
    assert (finger.level, stream.level) == (DiagnosticStatus.OK, DiagnosticStatus.OK), (finger.message, stream.message)
    said = values(finger)
    assert int(said["calibration"], 16) == driver.estimates[-1].calibration
    assert said["calibration made on"] == str(load_calibration(LEFT).made_on)
    assert int(said["calibration age (days)"]) >= 0
    assert said["channels"] == "all good"
    assert said["flags"] == "none"
    assert float(said["pressure margin (kPa)"]) == pytest.approx(59.87 - float(said["pressure (kPa)"]), abs=0.02)
    assert abs(float(said["drift since tare (N)"])) < 0.2
    assert len(said["drift since tare (ppm)"].split()) == 4
    counted = values(stream)
    for cause in ("REJECTED", "SPIKE", "CHANNEL_OPEN", "STUCK", "TIME_JUMP"):
        assert counted[f"scans with {cause}"] == "0"
    assert {"scan rate (Hz)", "pressure rate (Hz)", "latency mean (ms)", "latency max (ms)", "scans lost"} <= set(
        counted
    )


def test_rejects_are_counted_by_cause_and_shown_at_once(driver: FingerDriver) -> None:
    """An open channel is a WARN of the finger before the next second is up, named, and counted under its cause."""
    driver.health.clear()
    driver.spoil = lambda inductance: np.where(np.arange(4) == 1, np.nan, inductance)
    driver.run(0.4)
    driver.live.wait(lambda: any("CHANNEL_OPEN" in array.status[0].message for array in driver.health), "status", 0.9)
    driver.live.wait(lambda: values(statuses(driver)[1]).get("scans with CHANNEL_OPEN", "0") != "0", "count")
    finger, stream = statuses(driver)
    assert finger.level == DiagnosticStatus.WARN
    assert stream.level == DiagnosticStatus.OK
    assert values(finger)["channels"] == "coil 2 open"


def test_a_flapping_finger_is_told_five_times_a_second_at_most(driver: FingerDriver) -> None:
    """However often level and words change, there are at most five words a second, and the last one is true."""
    counts: list[float] = []
    driver.live.client.create_subscription(
        DiagnosticArray, "/diagnostics", lambda _array: counts.append(time.monotonic()), qos.reliable(500)
    )
    flips = iter(range(10**6))
    driver.spoil = lambda inductance: inductance[: 4 - next(flips) % 2]  # each second scan is refused
    begin_s = time.monotonic()
    driver.live.wait(lambda: driver.run(0.2, heard=False) or time.monotonic() - begin_s > 2.0, "two seconds")
    driver.spoil = lambda inductance: inductance
    driver.run(1.0)
    driver.live.wait(lambda: statuses(driver)[0].level == DiagnosticStatus.OK, "the last word")
    assert len(counts) > 8, "three seconds of changes"
    for first_s, sixth_s in zip(counts, counts[5:], strict=False):
        assert sixth_s - first_s > 0.75, "heard a bit later or sooner than said"


def test_no_scans_is_never_good(driver: FingerDriver) -> None:
    """While coils may stay away for long (coil_timeout), a period without a scan is a WARN, and no rate is NaN."""
    driver.run(0.2)
    driver.health.clear()
    driver.live.wait(lambda: len(driver.health) >= 3, "reports")
    assert statuses(driver)[1].level == DiagnosticStatus.WARN
    assert "no scan" in statuses(driver)[1].message
    assert not any("nan" in value for array in driver.health for value in values(array.status[1]).values())


def test_lost_scans_are_a_warning_of_the_stream(driver: FingerDriver) -> None:
    """Gaps in the scan numbers are counted and warned of; the finger itself is well."""
    for _ in range(4):
        driver.number += 3
        driver.run(0.08)
    driver.live.wait(lambda: "scans are lost" in statuses(driver)[1].message, "warning")
    driver.live.wait(lambda: values(statuses(driver)[1]).get("scans lost") == "12", "the count of all")
    assert statuses(driver)[0].level == DiagnosticStatus.OK


def test_a_tare_that_cannot_succeed_says_why(live: Graph) -> None:
    """A finger that moves while it should rest is a WARN with the reason of the refusal."""
    driver = FingerDriver(live)
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    driver.listen()
    assert live.transition(NODE, ACTIVATE)
    drift = iter(np.linspace(0.0, 0.02, 10**4))
    driver.spoil = lambda inductance: inductance * (1.0 + next(drift))
    driver.run_until(lambda: "no tare yet" in driver.status().message, 4.0, 0.0)
    assert "needs a finger at rest" in driver.status().message
    assert driver.status().level == DiagnosticStatus.WARN
    assert "needs a finger at rest" in values(driver.status())["tare refused"]


def test_a_worn_pad_is_to_be_calibrated_again(live: Graph) -> None:
    """A coil that rests 7 % off its calibration is a WARN that says so, though everything else works."""
    driver = FingerDriver(live)
    driver.spoil = lambda inductance: inductance * np.array([1.0, 1.0, 1.07, 1.0])
    start(driver)
    live.wait(lambda: "calibrate again" in driver.status().message, "advice")
    assert driver.status().level == DiagnosticStatus.WARN
    assert "coil 3 rests +7 % off its calibration" in driver.status().message
    assert "coil 3" in values(driver.status())["calibrate again"]


def test_age_alone_is_no_warning(live: Graph, tmp_path: object) -> None:
    """A calibration a year old is told as a value with its reason; the level stays OK."""
    record = load_calibration(LEFT)
    old = tmp_path / "old.yaml"  # type: ignore[operator]
    save_calibration(record.model_copy(update={"made_on": record.made_on.replace(year=2020)}), old)
    driver = FingerDriver(live)
    start(driver, calibration=str(old))
    driver.health.clear()
    live.wait(lambda: len(driver.health) >= 2, "reports")
    assert driver.status().level == DiagnosticStatus.OK
    assert "days old" in values(driver.status())["calibrate again"]


def test_an_inactive_node_says_so_each_second(driver: FingerDriver) -> None:
    """Deactivated, both statuses say WARN, and go on saying it."""
    assert driver.live.transition(NODE, DEACTIVATE)
    driver.health.clear()
    driver.live.wait(lambda: len(driver.health) >= 2, "reports")
    assert {(status.level, status.message) for status in driver.health[-1].status} == {
        (DiagnosticStatus.WARN, "not active")
    }


def test_base_motion_reaches_the_scans(live: Graph, monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest reading of base_motion goes with each scan, turned to the root frame; an old one becomes NaN."""
    driver = FingerDriver(live)
    # half a turn about x: what the sensor on the palm calls z is the root's -z
    start(driver, base_motion_axes=[1.0, 0.0, 0.0, 0.0])
    stream = live.nodes[0]._stream
    seen: list[object] = []
    step = stream.step
    monkeypatch.setattr(stream, "step", lambda scan: (seen.append(scan.acceleration_m_s2), step(scan))[1])
    driver.run(0.1)
    assert seen[-1] is None, "never measured"
    motion = live.client.create_publisher(Imu, "/finger/base_motion", qos.sensor_data(10))
    live.wait(motion.get_subscription_count, "sensor on base_motion")
    message = Imu(linear_acceleration=Vector3(x=1.0, y=2.0, z=9.5))
    message.header.stamp = driver.estimates[-1].header.stamp
    motion.publish(message)
    live.run(0.3)
    driver.run(0.08)
    np.testing.assert_allclose(seen[-1], [1.0, -2.0, -9.5], atol=1e-12)
    driver.run(0.16)
    assert np.isnan(seen[-1]).all(), "older than 0.1 s"


@pytest.mark.parametrize("axes", [[0.0, 0.0, 1.0], [0.0, 0.0, 0.0, 0.5]])
def test_axes_that_are_no_rotation_are_refused(live: Graph, axes: list[float]) -> None:
    """base_motion_axes must be a quaternion."""
    driver = FingerDriver(live)
    driver.sensor(base_motion_axes=axes)
    driver.health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    assert not live.transition(NODE, CONFIGURE)
    live.wait(lambda: driver.health and "parameter 'base_motion_axes' must be" in driver.status().message, "reason")
    assert driver.status().level == DiagnosticStatus.ERROR
