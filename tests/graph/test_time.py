from __future__ import annotations

import subprocess
from typing import Any

import pytest
from builtin_interfaces.msg import Time
from rosgraph_msgs.msg import Clock
from soft_tactile_msgs.msg import CoilReadings, ContactEvent, PressureCommand
from std_msgs.msg import String
from std_srvs.srv import Trigger

from graph.finger_driver import LEFT, RIGHT
from graph.graph_tools import ACTIVATE, ACTIVE, CONFIGURE, Graph, graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.nodes.gripper_simulator import GripperSimulator
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.simulation.gripper import Gripper

SIMULATOR = "/gripper/gripper_simulator"
FINGERS = {"left_finger": LEFT, "right_finger": RIGHT}
START_S = 90.0
"""Longest wait for processes to come up, compiling included."""

STEPPED_RATE_HZ = 100.0
MOST_STEPS = 2500


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs."""
    warm_up(load_calibration(LEFT))
    Gripper(rate_hz=100.0).step([0.0, 0.0])


def bring_up(live: Graph, **parameters: object) -> GripperSimulator:
    """Add the simulator with one finger and activate it."""
    given = {"autostart": False, "fingers": ["finger"], "object": "none", "rate": 100.0, **parameters}
    node = live.add(GripperSimulator, namespace="gripper", parameters=given)
    assert live.transition(SIMULATOR, CONFIGURE)
    assert live.transition(SIMULATOR, ACTIVATE)
    return node


def times(coils: list[CoilReadings]) -> list[float]:
    """Return the stamps of scans (s)."""
    return [conversions.stamp_to_seconds(message.header.stamp) for message in coils]


class TestClock:
    """The simulator as the clock."""

    @pytest.mark.parametrize("speed", [0.1, 4.0])
    def test_runs_slower_and_faster_than_real_time(self, live: Graph, speed: float) -> None:
        """/clock and the stamps agree, scan by scan, and go at the speed asked for against the system's clock."""
        bring_up(live, time="clock", speed=speed)
        clock = live.listen(Clock, "/clock", qos.reliable(500))
        coils = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        live.wait(lambda: len(coils) > 2, "scans")
        begun_ns, first = live.client.get_clock().now().nanoseconds, len(coils)
        live.wait(lambda: len(coils) > first + 100 * speed, "a second of real time")
        real_s = (live.client.get_clock().now().nanoseconds - begun_ns) * 1e-9
        stamps = times(coils)
        assert stamps[-1] - stamps[first] <= 1.1 * speed * real_s, "never faster than asked for"
        steps = [b - a for a, b in zip(stamps, stamps[1:], strict=False)]
        assert steps == pytest.approx([0.01] * len(steps), abs=1e-6)
        told = {conversions.stamp_to_seconds(message.clock) for message in clock}
        assert set(stamps[first:-1]) <= told
        assert stamps[0] >= 100.0, "a time of its own, not 0"

    def test_speed_changes_while_it_runs(self, live: Graph) -> None:
        """The speed is live: ten times as fast from one moment to the next, without a jump of the stamps."""
        bring_up(live, time="clock", speed=0.1)
        coils = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        live.wait(lambda: len(coils) > 2, "scans")
        assert live.set(SIMULATOR, speed=2.0)[0].successful
        heard = len(coils)
        live.wait(lambda: len(coils) > heard + 100, "faster scans", 20.0)
        stamps = times(coils)
        assert max(b - a for a, b in zip(stamps, stamps[1:], strict=False)) == pytest.approx(0.01, abs=1e-6)

    def test_a_clock_does_not_follow_itself(self, live: Graph, capfd: pytest.CaptureFixture[str]) -> None:
        """use_sim_time on the node that publishes /clock is refused by name."""
        given = {"autostart": False, "use_sim_time": True, "time": "clock"}
        live.add(GripperSimulator, namespace="gripper", parameters=given)
        assert not live.transition(SIMULATOR, CONFIGURE)
        assert "parameter 'use_sim_time' must be false with time: clock" in capfd.readouterr().err


def command(gauge_pa: float, stamp: Time) -> PressureCommand:
    """Return a command of this process."""
    message = PressureCommand(owner="/client", pressure=gauge_pa, lease=0.5)
    message.header.stamp = stamp
    return message


class TestSteps:
    """One scan a call."""

    def ask(self, live: Graph) -> Any:
        """Call `step` once."""
        return live.call(Trigger, "/gripper/step", Trigger.Request())

    def test_one_scan_a_call_and_none_by_itself(self, live: Graph) -> None:
        """A step gives one scan, waits for the command of that scan, and time stands still in between."""
        bring_up(live, time="step")
        coils = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))
        live.wait(commands.get_subscription_count, "the simulator on the commands")
        live.run(0.3)
        assert coils == []
        live.client.create_subscription(
            CoilReadings, "/finger/coils",
            lambda m: commands.publish(command(20e3, m.header.stamp)),
            qos.sensor_data(),
        )  # fmt: skip
        for number in range(5):
            answer = self.ask(live)
            assert (answer.success, answer.message) == (True, f"scan {number + 1}")
        live.run(0.3)
        assert sorted(set(times(coils))) == pytest.approx([100.01, 100.02, 100.03, 100.04, 100.05], abs=1e-6)

    def test_a_scan_that_nobody_heard_is_sent_again(self, live: Graph) -> None:
        """Who finds the simulator late gets the scan that waits for its commands, as it was: none is lost."""
        bring_up(live, time="step")
        asked = live.client.create_client(Trigger, "/gripper/step")
        live.wait(asked.service_is_ready, "the step")
        answer = asked.call_async(Trigger.Request())
        live.run(0.3)  # the scan is out, and nobody has heard it
        assert not answer.done()
        heard: list[CoilReadings] = []
        commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))

        def follow(message: CoilReadings) -> None:
            heard.append(message)
            commands.publish(command(20e3, message.header.stamp))

        live.client.create_subscription(CoilReadings, "/finger/coils", follow, qos.sensor_data(500))
        live.wait(answer.done, "the answer", 5.0)
        assert (answer.result().success, answer.result().message) == (True, "scan 1")
        assert {(message.scan, round(time_s, 6)) for message, time_s in zip(heard, times(heard), strict=True)} == {
            (0, 100.01)
        }
        assert self.ask(live).message == "scan 2"
        live.wait(lambda: heard[-1].scan == 1, "the second scan")

    def test_says_whose_command_is_missing(self, live: Graph) -> None:
        """Without a command the step fails after its timeout and names the finger; an older command does not count."""
        bring_up(live, time="step", step_timeout=0.3)
        commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))
        live.wait(commands.get_subscription_count, "the simulator on the commands")
        old = conversions.seconds_to_stamp(100.0)
        live.client.create_timer(0.05, lambda: commands.publish(command(0.0, old)))
        answer = self.ask(live)
        assert not answer.success
        assert answer.message == "no command of scan 1 from finger within 0.3 s"

    def test_only_in_time_step(self, live: Graph) -> None:
        """A simulator that runs by itself refuses `step`, with the parameter's name."""
        bring_up(live)
        answer = self.ask(live)
        assert (answer.success, answer.message) == (False, "parameter 'time' must be step; got 'system'")

    def test_same_seed_same_events(self) -> None:
        """Two runs of simulator, sensors and controller as processes, step by step, give the same events to the bit."""
        first, second = self.picked(), self.picked()
        kinds = {event[1] for event in first}
        assert {ContactEvent.CONTACT, ContactEvent.RELEASE} <= kinds, "something to compare"
        assert first == second

    def picked(self) -> list[tuple[Any, ...]]:
        """Pick a roll step by step; returns every event of both fingers."""
        with graph() as live:
            self.start_processes(live)
            heard: dict[str, list[ContactEvent]] = {}
            for finger in FINGERS:
                live.wait(lambda f=finger: live.client.count_publishers(f"/{f}/contact_events"), finger, START_S)
                heard[finger] = live.listen(ContactEvent, f"/{finger}/contact_events", qos.reliable(500))
            self.wait_for_all(live)
            phases = self.phases(live)
            for _ in range(MOST_STEPS):
                answer = self.ask(live)
                assert answer.success, answer.message
                if phases and phases[-1].startswith("idle: "):
                    break
            assert phases[-1] == "idle: done"
            return [
                (
                    finger, event.kind, event.contact_id, event.header.stamp.sec, event.header.stamp.nanosec,
                    event.onset.sec, event.onset.nanosec, event.wrench.force.z, event.probability,
                )
                for finger, events in heard.items() for event in events
            ]  # fmt: skip

    def start_processes(self, live: Graph) -> list[subprocess.Popen[str]]:
        """Start the whole gripper as processes of their own."""
        simulator = ("-p", "time:=step", "-p", f"rate:={STEPPED_RATE_HZ}", "-p", "object:=roll", "-p", "seed:=1")
        quick = ("closing_speed:=20000.0", "hold_time:=0.1", "carry_time:=0.1", "lift_height:=0.03", "lift_speed:=0.1")
        started = [live.start("gripper_simulator", "-r", "__ns:=/gripper", *simulator)]
        for finger, calibration in FINGERS.items():
            given = (f"calibration:={calibration}", "tare_file:=none", "use_sim_time:=true")
            started.append(
                live.start("tactile_sensor", "-r", f"__ns:=/{finger}", *(w for g in given for w in ("-p", g)))
            )
        given = ("pace:=estimates", "picks:=1", "use_sim_time:=true", *quick)
        started.append(live.start("grasp_controller", "-r", "__ns:=/gripper", *(w for g in given for w in ("-p", g))))
        return started

    def wait_for_all(self, live: Graph) -> None:
        """Wait until every process has its topics; whether they have found each other is the simulator's business."""
        counts = live.client.count_subscribers
        for finger in FINGERS:
            for topic, listeners in (("coils", 1), ("pressure", 1), ("pressure_command", 1), ("pad_estimate", 1)):
                live.wait(lambda n=f"/{finger}/{topic}", k=listeners: counts(n) >= k, f"{finger} {topic}", START_S)
        live.wait(lambda: counts("/gripper/lift_command"), "the simulator on the lift", START_S)
        nodes = [*(f"/{finger}/tactile_sensor" for finger in FINGERS), "/gripper/grasp_controller"]
        for node in [*nodes, "/gripper/gripper_simulator"]:
            live.wait(lambda n=node: live.state(n) == ACTIVE, f"{node} active", START_S)

    def phases(self, live: Graph) -> list[str]:
        """Follow the controller's phase."""
        seen: list[str] = []
        live.client.create_subscription(
            String, "/gripper/phase", lambda m: seen.append(m.data), qos.reliable(1, latched=True)
        )
        return seen
