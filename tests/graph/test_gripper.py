from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import WrenchStamped
from rclpy.qos import QoSDurabilityPolicy, QoSReliabilityPolicy
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, ContactEvent, PadEstimate, PadTruth, PressureCommand, ValveStatus

from graph.finger_driver import LEFT
from graph.graph_tools import (
    ACTIVATE,
    ACTIVE,
    CLEANUP,
    CONFIGURE,
    DEACTIVATE,
    INACTIVE,
    UNCONFIGURED,
    WAIT_S,
    Graph,
)
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.nodes.gripper_simulator import GripperSimulator
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.simulation.gripper import Gripper

SIMULATOR, SENSOR = "/gripper/gripper_simulator", "/finger/tactile_sensor"
START_S = 90.0
"""Longest wait for a process of its own to come up, compiling included."""


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs."""
    warm_up(load_calibration(LEFT))
    Gripper(fingers=("finger",), rate_hz=100.0).step([0.0])


class TestSimulator:
    """The simulated gripper alone, in this process."""

    def bring_up(self, live: Graph, **parameters: object) -> GripperSimulator:
        """Add the simulator with one finger and activate it."""
        given = {"autostart": False, "fingers": ["finger"], "object": "none", "rate": 100.0, **parameters}
        node = live.add(GripperSimulator, namespace="gripper", parameters=given)
        assert live.transition(SIMULATOR, CONFIGURE)
        assert live.transition(SIMULATOR, ACTIVATE)
        return node

    def test_publishes_readings_and_truth_of_every_scan(self, live: Graph) -> None:
        """Coils, absolute pressure and truth come with one stamp a scan and running numbers."""
        self.bring_up(live)
        coils = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        truths = live.listen(PadTruth, "/finger/truth", qos.reliable(500))
        pressures = live.listen(FluidPressure, "/finger/pressure", qos.sensor_data(500))
        live.wait(lambda: len(coils) > 30 and len(truths) > 30 and pressures, "readings")
        numbers = [message.scan for message in coils]
        assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
        stamps = [conversions.stamp_to_seconds(message.header.stamp) for message in coils]
        steps = [b - a for a, b in zip(stamps, stamps[1:], strict=False)]
        assert min(steps) == pytest.approx(0.01, abs=1e-6)
        assert len(coils[0].inductance) == 4
        assert pressures[-1].fluid_pressure == pytest.approx(101325.0, abs=500.0)
        assert not truths[-1].in_contact
        assert math.isnan(truths[-1].object_height)
        assert {m.header.frame_id for m in (coils[-1], truths[-1], pressures[-1])} == {"finger_pad"}

    def test_follows_commands_refuses_bad_ones_and_vents_by_itself(
        self, live: Graph, capfd: pytest.CaptureFixture[str]
    ) -> None:
        """A command bends the finger; absolute values, NaN, too much are refused; silence vents after the timeout."""
        self.bring_up(live, command_timeout=0.5)
        truths = live.listen(PadTruth, "/finger/truth", qos.reliable(500))
        commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))
        live.wait(commands.get_subscription_count, "the simulator on the commands")
        live.wait(lambda: truths, "truth")
        rest = truths[-1].bend

        def send_and_look(gauge_pa: float, bent: bool) -> bool:
            commands.publish(PressureCommand(owner="/client", pressure=gauge_pa, lease=0.5))
            return bool((truths[-1].bend > rest + 0.1) == bent)

        live.wait(lambda: send_and_look(30e3, True), "a bent finger")
        for bad in (101325.0 + 30e3, math.nan, 70e3):
            live.wait(lambda bad=bad: send_and_look(bad, False), "a finger vented after its command has timed out")
            live.wait(lambda: send_and_look(30e3, True), "a bent finger")
        said = capfd.readouterr().err
        assert "finger: refused: pressure must be -1000 to 60000 Pa gauge; got 131325" in said
        live.wait(lambda: truths[-1].bend < rest + 0.1, "a finger vented after the timeout")

    def test_a_second_owner_is_refused_by_name(self, live: Graph) -> None:
        """The simulated valve obeys one owner as a real one does: status and diagnostics name who is refused."""
        self.bring_up(live)
        statuses = live.listen(ValveStatus, "/finger/valve_status", qos.reliable(50, latched=True))
        health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
        commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))

        def refused() -> bool:
            for owner in ("/a", "/b"):
                commands.publish(PressureCommand(owner=owner, pressure=5e3, lease=0.5))
            return any(s.owner == "/a" and s.refused == "/b" for s in statuses) and any(
                "/b" in status.message for array in health for status in array.status
            )

        live.wait(refused, "the refusal")

    def test_lifecycle(self, live: Graph) -> None:
        """Inactive, time stands still; cleaned up, the topics are gone; configured again, it works."""
        self.bring_up(live)
        coils = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        live.wait(lambda: coils, "coils")
        assert live.transition(SIMULATOR, DEACTIVATE)
        assert live.state(SIMULATOR) == INACTIVE
        live.run(0.1)
        heard = len(coils)
        live.run(0.3)
        assert len(coils) == heard
        assert live.transition(SIMULATOR, CLEANUP)
        assert live.state(SIMULATOR) == UNCONFIGURED
        live.wait(lambda: not live.client.count_publishers("/finger/coils"), "no coils")
        assert live.transition(SIMULATOR, CONFIGURE)
        assert live.transition(SIMULATOR, ACTIVATE)
        live.wait(lambda: len(coils) > heard, "coils again")

    def test_frozen_and_silent_coils(self, live: Graph) -> None:
        """The practised faults do what they say: frozen coils repeat themselves, silent ones stop."""
        node = self.bring_up(live, fault="frozen")
        coils = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        live.wait(lambda: len(coils) > 30, "coils")
        assert len({tuple(message.inductance) for message in coils[10:]}) == 1
        live.remove(node)
        live.wait(lambda: not live.client.count_publishers("/finger/coils"), "no coils")
        self.bring_up(live, fault="silent", fault_start=0.5)
        again = live.listen(CoilReadings, "/finger/coils", qos.sensor_data(500))
        truths = live.listen(PadTruth, "/finger/truth", qos.reliable(500))
        live.wait(lambda: again, "coils before the fault")
        live.wait(lambda: len(truths) > 100, "a second of truth")
        assert again[-1].scan < 51

    @pytest.mark.parametrize(
        ("parameters", "said"),
        [
            ({"fingers": ["a", "b", "c"]}, "parameter 'fingers' must be one or two different names"),
            ({"fault": "stuck", "fault_finger": "thumb"}, "parameter 'fault_finger' must be empty or one of"),
            ({"object": "cake"}, "parameter 'object' must be bun or roll or jar or none; got 'cake'"),
        ],
    )
    def test_refuses_wrong_parameters(
        self, live: Graph, capfd: pytest.CaptureFixture[str], parameters: dict[str, object], said: str
    ) -> None:
        """Wrong names are refused at configure."""
        live.add(GripperSimulator, namespace="gripper", parameters={"autostart": False, **parameters})
        assert not live.transition(SIMULATOR, CONFIGURE)
        assert said in capfd.readouterr().err


class TestProcesses:
    """Nodes as processes of their own, seen from this one."""

    def test_a_simulated_touch_is_seen_by_another_process(self, live: Graph) -> None:
        """Simulator and sensor run apart; this process sees the touch with the promised QoS, then both end with 0."""
        simulator = live.start(
            "gripper_simulator", "-r", "__ns:=/gripper", "-p", "fingers:=[finger]", "-p", "object:=roll",
            "-p", "rate:=100.0", "-p", "seed:=1",
        )  # fmt: skip
        sensor = live.start(
            "tactile_sensor", "-r", "__ns:=/finger", "-p", f"calibration:={LEFT}", "-p", "tare_file:=none"
        )
        live.wait(lambda: live.client.count_publishers("/finger/contact_events"), "the sensor", START_S)
        estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
        wrenches = live.listen(WrenchStamped, "/finger/wrench", qos.sensor_data(500))
        events = live.listen(ContactEvent, "/finger/contact_events", qos.reliable(50))
        health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
        profile = live.client.get_publishers_info_by_topic("/finger/contact_events")[0].qos_profile
        assert (profile.reliability, profile.durability) == (
            QoSReliabilityPolicy.RELIABLE,
            QoSDurabilityPolicy.VOLATILE,
        )
        assert live.state(SENSOR) == ACTIVE
        live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the tare", START_S)
        live.wait(lambda: wrenches, "a wrench, also for a best-effort reader")
        commands = live.client.create_publisher(PressureCommand, "/finger/pressure_command", qos.reliable(10))
        begun_s = time.monotonic()

        def squeeze() -> bool:
            pressure_pa = min(20e3 * (time.monotonic() - begun_s), 45e3)
            commands.publish(PressureCommand(owner="/client", pressure=pressure_pa, lease=0.5))
            return any(event.kind == ContactEvent.CONTACT for event in events)

        live.wait(squeeze, "a contact event", START_S)
        live.wait(lambda: any("finger" in a.status[0].name for a in health), "diagnostics")
        for process, number in ((sensor, signal.SIGINT), (simulator, signal.SIGTERM)):
            code, output = live.stop(process, number)
            assert code == 0, output
            assert "Traceback" not in output

    def test_a_dead_node_is_seen_through_liveliness(self, live: Graph) -> None:
        """A killed sensor is noticed by a subscriber that asked for LIVELINESS, without a message."""
        from rclpy.event_handler import SubscriptionEventCallbacks

        sensor = live.start(
            "tactile_sensor", "-r", "__ns:=/finger", "-p", f"calibration:={LEFT}", "-p", "tare_file:=none"
        )
        alive: list[int] = []
        live.client.create_subscription(
            PadEstimate, "/finger/pad_estimate", lambda _message: None, qos.estimate(0.2),
            event_callbacks=SubscriptionEventCallbacks(liveliness=lambda event: alive.append(event.alive_count)),
        )  # fmt: skip
        live.wait(lambda: alive and alive[-1] == 1, "a sensor that lives", START_S)
        sensor.kill()
        live.wait(lambda: alive[-1] == 0, "word of its death")

    def test_demo_nodes_do_not_outlive_a_killed_demo(self, tmp_path: Path) -> None:
        """Even if the demo is killed by force, its nodes end by themselves."""
        script = (
            "import sys, time; from pathlib import Path\n"
            "from soft_tactile_node.ros.demo.processes import NodeProcesses\n"
            "nodes = NodeProcesses(Path(sys.argv[1]), {})\n"
            "nodes.start('grasp_monitor', '/gripper', {})\n"
            "print(nodes._running['gripper.grasp_monitor'].pid, flush=True); time.sleep(60)"
        )
        demo = subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        try:
            assert demo.stdout is not None
            child = int(demo.stdout.readline())
            os.kill(child, 0)
        finally:
            demo.kill()
            demo.communicate()
        end_s = time.monotonic() + WAIT_S
        while Path(f"/proc/{child}").exists() and "Z" not in Path(f"/proc/{child}/stat").read_text().split(")")[1][:3]:
            assert time.monotonic() < end_s, "the node lives on"
            time.sleep(0.05)  # another program's process: there is nothing to wait on
