from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from numpy.testing import assert_allclose
from rclpy.duration import Duration
from rclpy.qos import QoSDurabilityPolicy, QoSLivelinessPolicy, QoSReliabilityPolicy
from rclpy.time import Time
from rosgraph_msgs.msg import Clock
from soft_tactile_msgs.msg import ChannelParts, ContactEvent, PadEstimate
from soft_tactile_msgs.srv import LoadCalibration
from std_srvs.srv import Trigger

from graph.finger_driver import ATMOSPHERIC_PA, CHUNK, LEFT, RATE_HZ, RIGHT, FingerDriver
from graph.graph_tools import ACTIVATE, ACTIVE, CONFIGURE, DEACTIVATE, INACTIVE, UNCONFIGURED, Graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.nodes.tactile_sensor import TactileSensor
from soft_tactile_node.ros.wire import qos

NODE = "/finger/tactile_sensor"
_DIAGNOSTICS = (DiagnosticArray, "/diagnostics", qos.reliable(50))
PRESS_PA = 45e3


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs: the first configure on a machine would outlast a test's patience."""
    warm_up(load_calibration(LEFT))


def start(driver: FingerDriver, **parameters: object) -> TactileSensor:
    """Bring up a sensor and let it tare."""
    sensor = driver.sensor(**parameters)
    assert driver.live.transition(NODE, CONFIGURE)
    driver.listen()
    assert driver.live.transition(NODE, ACTIVATE)
    driver.run_until(lambda: driver.estimates[-1].state == PadEstimate.STATE_FREE, 4.0, 0.0)
    return sensor


def press(driver: FingerDriver) -> None:
    """Press until a touch is reported."""
    driver.run_until(lambda: any(e.kind == ContactEvent.CONTACT for e in driver.events), 8.0, PRESS_PA)


def tare(live: Graph) -> Trigger.Response:
    """Ask for a tare."""
    return live.call(Trigger, "/finger/tare", Trigger.Request())


def test_topics_have_the_promised_qos(live: Graph) -> None:
    """Estimates are reliable with LIVELINESS 0.5 s, those that a tare does not stop with DEADLINE coil_timeout, too."""
    driver = FingerDriver(live)
    driver.sensor(coil_timeout=0.1)
    assert live.transition(NODE, CONFIGURE)
    live.wait(lambda: live.client.count_publishers("/finger/contact_events"), "topics")
    for topic in ("wrench", "pad_estimate"):
        profile = live.client.get_publishers_info_by_topic(f"/finger/{topic}")[0].qos_profile
        assert profile.reliability == QoSReliabilityPolicy.RELIABLE
        assert profile.durability == QoSDurabilityPolicy.VOLATILE
        promised = profile.deadline.nanoseconds < 10**12
        assert promised == (topic == "pad_estimate"), "a tare has no wrench, and is no reason to call the node dead"
        assert not promised or profile.deadline == Duration(nanoseconds=100_000_000)
        assert profile.liveliness == QoSLivelinessPolicy.AUTOMATIC
        assert profile.liveliness_lease_duration == Duration(nanoseconds=500_000_000)
    events = live.client.get_publishers_info_by_topic("/finger/contact_events")[0].qos_profile
    assert (events.reliability, events.durability) == (QoSReliabilityPolicy.RELIABLE, QoSDurabilityPolicy.VOLATILE)
    for topic in ("coils", "pressure"):
        profile = live.client.get_subscriptions_info_by_topic(f"/finger/{topic}")[0].qos_profile
        assert profile.reliability == QoSReliabilityPolicy.BEST_EFFORT


def test_tares_first_and_then_publishes_wrenches(live: Graph) -> None:
    """While taring each scan gives an estimate without a wrench; afterwards each gives both, stamped like the scan."""
    driver = FingerDriver(live)
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    driver.listen()
    assert live.transition(NODE, ACTIVATE)
    assert live.state(NODE) == ACTIVE
    driver.run(0.5)
    assert {e.state for e in driver.estimates} == {PadEstimate.STATE_TARING}
    assert all(math.isnan(e.wrench.force.z) and e.flags == PadEstimate.TARE for e in driver.estimates)
    assert math.isnan(driver.estimates[-1].contact_probability)
    assert driver.wrenches == []
    driver.run_until(lambda: driver.estimates[-1].state == PadEstimate.STATE_FREE, 4.0, 0.0)
    driver.wrenches.clear()
    begin = len(driver.estimates)
    driver.run(0.4)
    live.wait(lambda: driver.wrenches[-1].header.stamp == driver.estimates[-1].header.stamp, "a wrench of each scan")
    assert len(driver.estimates) - begin >= 100
    # one of the scan before may still have been under way when the list was cleared
    assert 100 <= len(driver.wrenches) <= 101
    assert driver.wrenches[-1].header.frame_id == driver.estimates[-1].header.frame_id == "finger_pad"
    assert abs(driver.estimates[-1].pressure) < 200.0, "gauge pressure of a vented finger, from the tare's own reading"


def test_a_touch_arrives_as_event_and_force(live: Graph) -> None:
    """Pressing a roll gives a contact event with an onset before it, then a force like the true one."""
    driver = FingerDriver(live, "roll")
    start(driver)
    press(driver)
    event = next(e for e in driver.events if e.kind == ContactEvent.CONTACT)
    assert event.contact_id == 1
    reported_ns = event.header.stamp.sec * 10**9 + event.header.stamp.nanosec
    onset_ns = event.onset.sec * 10**9 + event.onset.nanosec
    assert 0 <= reported_ns - onset_ns < 1e9
    driver.run(1.0, PRESS_PA)
    estimate, true_n = driver.estimates[-1], driver.step.truths[0].force_n
    assert estimate.in_contact
    assert estimate.state == PadEstimate.STATE_CONTACT
    # the accuracy target of the estimator for this pad, several times over: here only wiring and units are at stake
    assert_allclose(estimate.wrench.force.z, true_n[2], rtol=0.15, atol=0.3)
    assert estimate.covariance[14] > 0.0


def test_refuses_a_tare_in_contact_or_under_pressure(live: Graph) -> None:
    """The tare service says why it refuses, and a vented, free finger may tare again."""
    driver = FingerDriver(live, "roll")
    start(driver)
    press(driver)
    touched = tare(live)
    assert not touched.success
    assert "touched" in touched.message
    driver.run_until(lambda: not driver.estimates[-1].in_contact, 8.0, 15e3)
    pressurised = tare(live)
    assert not pressurised.success
    assert "vent" in pressurised.message
    driver.run(3.0, 0.0)
    assert tare(live).success
    driver.run(0.1)
    assert driver.estimates[-1].state == PadEstimate.STATE_TARING


def test_refuses_gauge_pressure_where_absolute_is_meant(live: Graph) -> None:
    """A vented reading near zero never becomes a tare; diagnostics and the tare service say what to set."""
    driver = FingerDriver(live)
    driver.gauge = True
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    driver.listen()
    assert live.transition(NODE, ACTIVATE)
    driver.run(2.0)
    assert {e.state for e in driver.estimates} == {PadEstimate.STATE_TARING}
    said = "looks like gauge pressure; set pressure_reference: gauge"
    live.wait(lambda: said in driver.status().message, "diagnostics")
    assert driver.status().level == DiagnosticStatus.ERROR
    answer = tare(live)
    assert not answer.success
    assert said in answer.message


def test_takes_gauge_pressure_if_told_so(live: Graph) -> None:
    """With pressure_reference: gauge the same readings are good."""
    driver = FingerDriver(live)
    driver.gauge = True
    start(driver, pressure_reference="gauge")
    driver.run(1.5, 20e3)
    assert 5e3 < driver.estimates[-1].pressure < 22e3


def test_a_scan_that_comes_twice_counts_once(live: Graph) -> None:
    """A repeated scan and pressure reading change nothing; the estimate of that scan is published again, as it was."""
    driver = FingerDriver(live)
    sensor = start(driver)
    begin, first = len(driver.estimates), driver.number
    counted: list[int] = []  # here, for the sensor's own count begins anew with each report
    see = sensor._health.see
    sensor._health.see = lambda number, *rest: (counted.append(number), see(number, *rest))
    driver.run(0.5)
    for publisher in (driver.coils, driver.pressure):
        publish = publisher.publish
        publisher.publish = lambda message, publish=publish: [publish(message) for _ in range(2)]
    heard = len(driver.estimates)
    driver.run(0.5)
    live.wait(lambda: len(driver.estimates) >= heard + 2 * 120, "two estimates of each scan")
    assert not any(estimate.flags & PadEstimate.TIME_JUMP for estimate in driver.estimates)
    live.run(0.2)  # what is still under way arrives
    counted = [number for number in counted if number >= first]  # one before may be on its way
    assert len(counted) == len({(e.header.stamp.sec, e.header.stamp.nanosec) for e in driver.estimates[begin:]})
    pairs = [str(estimate) for estimate in driver.estimates[heard:]]  # as text, for NaN equals nothing
    assert pairs[0::2] == pairs[1::2]


def test_a_clock_that_leaps_is_no_silence(live: Graph) -> None:
    """Scans that wait while the sensor's clock leaps, as after a standstill of its process, are taken first."""
    clock = live.client.create_publisher(Clock, "/clock", qos.reliable(10))
    driver = FingerDriver(live)
    sensor = start(driver, coil_timeout=0.5, use_sim_time=True)
    for leap in range(1, 6):
        heard = len(driver.estimates)
        clock.publish(Clock(clock=Time(seconds=10.0 * leap).to_msg()))
        live.wait(lambda until=10.0 * leap: sensor.get_clock().now().nanoseconds >= until * 1e9, "the leap")
        for tick in range(1, 4):  # the first ones have waited and give no estimate
            driver.run(CHUNK / RATE_HZ, heard=False)
            clock.publish(Clock(clock=Time(seconds=10.0 * leap + 0.1 * tick).to_msg()))
        live.wait(lambda heard=heard: len(driver.estimates) > heard, "estimates of fresh scans")
        assert all(e.state != PadEstimate.STATE_STALE for e in driver.estimates[heard:])


@pytest.mark.parametrize("pressure_pa", [8e3, 30e3])
def test_started_under_pressure_it_tares_once_vented(live: Graph, pressure_pa: float) -> None:
    """Without a kept tare a pressurised finger is refused with the reason, and tares by itself when it is vented."""
    driver = FingerDriver(live)
    for _ in range(round(2.0 * RATE_HZ)):
        driver.gripper.step([pressure_pa])
    driver.command_pa = pressure_pa
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    driver.listen()
    assert live.transition(NODE, ACTIVATE)
    driver.run(0.2, pressure_pa)
    driver.run(0.5, 0.0)
    if pressure_pa > 20e3:  # no line on Earth that is vented reads that much
        refused = tare(live)
        assert not refused.success
        assert "vent the finger" in refused.message
    driver.run_until(lambda: driver.estimates[-1].state == PadEstimate.STATE_FREE, 15.0, 0.0)
    assert abs(driver.estimates[-1].pressure) < 300.0


def test_goes_stale_once_then_silent_then_recovers(live: Graph) -> None:
    """When scans stop, one estimate and one wrench say NaN, nothing follows, diagnostics is ERROR."""
    driver = FingerDriver(live)
    start(driver, coil_timeout=0.5, unobserved_force="zero")
    heard = len(driver.estimates)
    live.wait(lambda: driver.wrenches[-1].header.stamp == driver.estimates[-1].header.stamp, "the last good wrench")
    wrenches = len(driver.wrenches)
    live.wait(lambda: len(driver.estimates) > heard, "the stale estimate")
    live.run(1.5)
    assert len(driver.estimates) == heard + 1
    stale = driver.estimates[-1]
    assert stale.flags & PadEstimate.STALE
    assert stale.state == PadEstimate.STATE_STALE
    assert math.isnan(stale.wrench.force.z)
    assert list(stale.observed) == [False] * 6
    assert len(driver.wrenches) == wrenches + 1
    assert math.isnan(driver.wrenches[-1].wrench.force.z), "also where unobserved axes are to show zero"
    live.wait(lambda: driver.status().level == DiagnosticStatus.ERROR, "diagnostics ERROR")
    assert "STALE" in driver.status().message
    driver.run(0.2, heard=False)  # its stamps are older than before: the first ones are taken to have waited
    live.wait(lambda: driver.status().level != DiagnosticStatus.ERROR, "diagnostics after the recovery")
    live.wait(lambda: driver.estimates[-1].state != PadEstimate.STATE_STALE, "estimates after the recovery")


def test_no_tare_without_scans(live: Graph) -> None:
    """A tare cannot be asked of a sensor that hears no coils."""
    driver = FingerDriver(live)
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    assert live.transition(NODE, ACTIVATE)
    answer = tare(live)
    assert not answer.success
    assert answer.message == "no scans arrive: check the topic coils"


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ({"calibration": ""}, "parameter 'calibration' must name a calibration file"),
        ({"calibration": "/no/such.yaml"}, "/no/such.yaml"),
        ({"calibraton": str(LEFT)}, "parameter 'calibraton' is unknown"),
        ({"coil_timeout": -0.1}, "parameter 'coil_timeout' must be"),
        ({"sensitivity": "gentle"}, "parameter 'sensitivity' must be light or sure; got 'gentle'"),
        ({"source": "simulated", "pressure_reference": "gauge"}, "parameter 'pressure_reference' must be absolute"),
    ],
)
def test_refuses_wrong_parameters_by_name(live: Graph, parameters: dict[str, object], said: str) -> None:
    """Configure fails, and diagnostics shows which parameter and why, so that nobody has to read a log."""
    driver = FingerDriver(live)
    driver.sensor(**parameters)
    driver.health = live.listen(*_DIAGNOSTICS)
    assert not live.transition(NODE, CONFIGURE)
    assert live.state(NODE) == UNCONFIGURED
    live.wait(lambda: driver.health and said in driver.status().message, f"diagnostics with {said!r}")
    assert driver.status().level == DiagnosticStatus.ERROR


def test_refuses_a_broken_calibration_and_keeps_the_running_one(live: Graph, tmp_path: Path) -> None:
    """load_calibration refuses a file that is none, names it, and goes on as before; a good file starts a new tare."""
    broken = tmp_path / "broken.yaml"
    broken.write_text(LEFT.read_text().replace("channels: 4", "channels: 3"))
    driver = FingerDriver(live)
    start(driver)
    before = driver.estimates[-1].calibration
    refused = live.call(LoadCalibration, "/finger/load_calibration", LoadCalibration.Request(path=str(broken)))
    assert not refused.success
    assert "broken.yaml" in refused.message
    assert int(refused.calibration_id, 16) == before
    driver.run(0.1)
    assert driver.estimates[-1].state == PadEstimate.STATE_FREE
    other = live.call(LoadCalibration, "/finger/load_calibration", LoadCalibration.Request(path=str(RIGHT)))
    assert other.success
    assert int(other.calibration_id, 16) not in (0, before)
    driver.run(0.1)
    assert driver.estimates[-1].state == PadEstimate.STATE_TARING
    assert driver.estimates[-1].calibration == int(other.calibration_id, 16)


def test_refuses_scans_of_another_pad(live: Graph) -> None:
    """Scans with another number of channels give no estimate, and diagnostics says what to do."""
    driver = FingerDriver(live)
    start(driver)
    heard = len(driver.estimates)
    driver.spoil = lambda inductance: inductance[:3]
    driver.run(0.2, heard=False)
    assert len(driver.estimates) == heard
    live.wait(lambda: "4 channels, as calibrated; got 3" in driver.status().message, "diagnostics")
    assert driver.status().level == DiagnosticStatus.ERROR


def test_an_open_channel_shows_as_flag_event_and_warning(live: Graph) -> None:
    """A channel that reads NaN is flagged, reported as a fault by number, warned of, and reported when back."""
    driver = FingerDriver(live)
    start(driver)
    driver.spoil = lambda inductance: np.where(np.arange(4) == 2, np.nan, inductance)
    driver.run(0.4)
    assert driver.estimates[-1].flags & PadEstimate.CHANNEL_OPEN
    faults = [e for e in driver.events if e.kind == ContactEvent.FAULT]
    assert [e.detail for e in faults] == ["coil 3 open"]
    live.wait(lambda: "CHANNEL_OPEN" in driver.status().message, "diagnostics")
    assert driver.status().level == DiagnosticStatus.WARN
    assert all(math.isfinite(value) for value in driver.estimates[-1].covariance)
    driver.spoil = lambda inductance: inductance
    driver.run_until(lambda: any(e.kind == ContactEvent.RECOVERED for e in driver.events), 4.0, 0.0)
    live.wait(lambda: driver.status().level == DiagnosticStatus.OK, "diagnostics after the recovery")


def test_a_threshold_changes_while_it_runs(live: Graph) -> None:
    """A lower overload_force set at run time makes the standing touch an overload."""
    driver = FingerDriver(live, "roll")
    start(driver)
    press(driver)
    driver.run(0.6, PRESS_PA)
    assert not any(e.kind == ContactEvent.OVERLOAD for e in driver.events)
    assert live.set(NODE, overload_force=0.05)[0].successful
    driver.run_until(lambda: any(e.kind == ContactEvent.OVERLOAD for e in driver.events), 2.0, PRESS_PA)
    assert driver.estimates[-1].flags & PadEstimate.OVERLOAD


def test_channel_parts_come_only_to_those_who_ask(live: Graph) -> None:
    """The split signal is published while someone subscribes, and its parts add up to the change."""
    driver = FingerDriver(live)
    start(driver)
    sent = live.nodes[0]._outputs._parts
    published: list[ChannelParts] = []
    publish, sent.publish = sent.publish, published.append
    driver.run(0.2)
    assert published == []
    sent.publish = publish
    parts = live.listen(ChannelParts, "/finger/channel_parts", qos.reliable(100))
    live.wait(sent.get_subscription_count, "match")
    driver.run(0.2, 10e3)
    live.wait(lambda: len(parts) > 10, "parts")
    first, last = parts[0], parts[-1]
    rise = np.array(last.raw) / np.array(first.raw) - 1.0
    total = [np.array(p.bending) + np.array(p.drift) + np.array(p.contact) for p in (first, last)]
    assert_allclose((1 + total[1]) / (1 + total[0]) - 1, rise, rtol=1e-6, atol=1e-12)


def test_wrench_in_the_root_frame(live: Graph) -> None:
    """With wrench_frame: root a touch is published turned by the bend, in the frame of the finger root."""
    driver = FingerDriver(live, "roll")
    start(driver, wrench_frame="root")
    press(driver)
    driver.run(0.6, PRESS_PA)
    live.wait(lambda: driver.wrenches[-1].header.stamp == driver.estimates[-1].header.stamp, "wrench")
    force, bend = driver.wrenches[-1].wrench.force, driver.estimates[-1].bend
    assert driver.wrenches[-1].header.frame_id == "finger_finger_root"
    true_n, true_bend = driver.step.truths[0].force_n, driver.step.truths[0].bend_rad
    assert bend > 0.1
    # Ry(+b) takes the pad frame to the root frame (the README's frames)
    x = math.cos(true_bend) * true_n[0] + math.sin(true_bend) * true_n[2]
    assert_allclose(force.x, x, rtol=0.25, atol=0.3)


def test_deactivated_it_publishes_nothing(live: Graph) -> None:
    """Scans that come while inactive give no estimate."""
    driver = FingerDriver(live)
    start(driver)
    assert live.transition(NODE, DEACTIVATE)
    assert live.state(NODE) == INACTIVE
    heard = len(driver.estimates)
    driver.run(0.2, heard=False)
    assert len(driver.estimates) == heard


def test_restarted_under_pressure_it_goes_on_with_the_old_tare(live: Graph, tmp_path: Path) -> None:
    """A node that comes back while the finger holds something uses the kept tare, flagged, and says so."""
    kept = str(tmp_path / "tare.yaml")
    driver = FingerDriver(live, "roll")
    start(driver, tare_file=kept)
    press(driver)
    driver.run(1.0, PRESS_PA)
    live.remove(live.nodes[0])
    live.wait(lambda: not live.client.count_publishers("/finger/wrench"), "the first node gone")
    driver.sensor(tare_file=kept)
    assert live.transition(NODE, CONFIGURE)
    live.wait(lambda: driver.coils.get_subscription_count() and driver.pressure.get_subscription_count(), "sensor back")
    driver.listen()
    assert live.transition(NODE, ACTIVATE)
    driver.run(0.4, PRESS_PA)
    estimate = driver.estimates[-1]
    assert estimate.flags & PadEstimate.TARE_OLD
    assert estimate.state in (PadEstimate.STATE_FREE, PadEstimate.STATE_CONTACT, PadEstimate.STATE_HELD_ELSEWHERE)
    assert estimate.pressure > 20e3, "gauge pressure against the kept vented reading"
    live.wait(lambda: "TARE_OLD" in driver.status().message, "diagnostics")


def test_pressure_of_the_tare_is_the_zero(live: Graph) -> None:
    """Whatever the weather, gauge pressure is counted from the vented reading."""
    driver = FingerDriver(live)
    start(driver)
    driver.run(2.5, 30e3)
    assert_allclose(driver.estimates[-1].pressure, 30e3, rtol=0.03)
    assert ATMOSPHERIC_PA != 101325.0, "a test against the standard atmosphere could not tell"
