from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from rclpy.parameter import Parameter
from soft_tactile_msgs.msg import ContactEvent, GraspState, PadEstimate, PadTruth, PressureCommand

from graph.finger_driver import LEFT, RIGHT
from graph.graph_tools import Graph, graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.grasping import Hand
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.ros.wire.conversions import stamp_to_seconds
from soft_tactile_node.simulation.gripper import Gripper

CALIBRATIONS = {"left_finger": LEFT, "right_finger": RIGHT}
START_S = 90.0
"""Longest wait for processes to come up, compiling included."""

LEASE_S = 10.0
"""Of the commands: a busy machine that holds the controller up for half a second shall not have the jar vented."""

NOTICED_S = 0.6
"""Longest time from the last estimate of a killed node to the monitor's word, on the clock they share."""


@pytest.fixture
def live() -> Iterator[Graph]:
    """Give a graph of its own, after compiling."""
    warm_up(load_calibration(LEFT))
    Gripper(rate_hz=250.0).step([0.0, 0.0])
    with graph() as made:
        made.client.set_parameters([Parameter("use_sim_time", value=True)])
        yield made


class Cell:
    """The simulated gripper with a jar, as processes; the simulator is the clock of all."""

    def __init__(self, live: Graph, folder: Path) -> None:
        self.live, self.folder = live, folder
        self.start(
            "gripper_simulator", "gripper", "time:=clock", "object:=jar", "seed:=1", f"command_timeout:={LEASE_S}"
        )
        self.sensors = {finger: self.start_sensor(finger) for finger in CALIBRATIONS}
        self.start("grasp_monitor", "gripper", "use_sim_time:=true")
        # its own time-out is longer than the monitor's: a machine that stands still for 0.3 s shall not end the hold
        own = ("use_sim_time:=true", "on_fault:=hold", "max_force:=3.0", f"lease:={LEASE_S}", "finger_timeout:=1.0")
        self.start("grasp_controller", "gripper", *own)
        live.wait(lambda: live.client.count_publishers("/gripper/grasp_state"), "the monitor", START_S)
        live.wait(lambda: live.client.count_publishers("/left_finger/contact_events"), "the sensor", START_S)
        self.estimates = live.listen(PadEstimate, "/left_finger/pad_estimate", qos.reliable(500))
        self.events = live.listen(ContactEvent, "/left_finger/contact_events", qos.reliable(50))
        self.truths = live.listen(PadTruth, "/left_finger/truth", qos.reliable(500))
        self.commands = live.listen(PressureCommand, "/left_finger/pressure_command", qos.reliable(50))
        self.health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
        self.grasps = live.listen(GraspState, "/gripper/grasp_state", qos.reliable(50, latched=True))
        self.hand = Hand(live.client)
        ready = self.hand.ready()
        live.wait(ready.done, "all ready", START_S)

    def start(self, module: str, namespace: str, *parameters: str) -> subprocess.Popen[str]:
        """Start one node."""
        return self.live.start(module, "-r", f"__ns:=/{namespace}", *(w for p in parameters for w in ("-p", p)))

    def start_sensor(self, finger: str) -> subprocess.Popen[str]:
        """Start the sensor of a finger, which keeps its tare."""
        kept = f"tare_file:={self.folder / finger}.yaml"
        return self.start("tactile_sensor", finger, f"calibration:={CALIBRATIONS[finger]}", kept, "use_sim_time:=true")

    def wait_for_silence(self) -> None:
        """Wait until no estimate has come for half a second of the shared clock."""
        seen = [-1, 0]

        def is_silent() -> bool:
            now_ns = self.live.client.get_clock().now().nanoseconds
            if len(self.estimates) != seen[0]:
                seen[:] = [len(self.estimates), now_ns]
            return now_ns - seen[1] > 500_000_000

        self.live.wait(is_silent, "silence after the kill")

    def monitor_says(self, level: bytes, after_s: float, name: str = "") -> bool:
        """Return whether the monitor has said something with a level and a name after a time; `said_s` is when."""
        for array in self.health:
            time_s = stamp_to_seconds(array.header.stamp)
            for status in array.status:
                word = "grasp_monitor" in status.name and status.level == level and name in status.message
                if word and time_s > after_s:
                    self.said_s = time_s
                    return True
        return False


def test_a_sensor_killed_while_holding_a_jar(live: Graph, tmp_path: Path) -> None:
    """The controller holds, the monitor says so within 0.6 s, the restarted node goes on and finds the release."""
    cell = Cell(live, tmp_path)
    hold = cell.hand.hold_force(1.5)
    live.wait(hold.held.done, "the jar held", START_S)
    assert hold.held.result() is True, hold.result.result()
    pause = live.client.get_clock().now().nanoseconds + 10**9
    live.wait(lambda: live.client.get_clock().now().nanoseconds > pause, "a second of holding")

    cell.sensors["left_finger"].kill()
    cell.wait_for_silence()  # what was under way arrives
    last_s = stamp_to_seconds(cell.estimates[-1].header.stamp)
    # a machine that is busy may make the other finger look dead, too
    live.wait(lambda: cell.monitor_says(DiagnosticStatus.ERROR, last_s, "left_finger"), "the monitor's word")
    assert cell.said_s - last_s <= NOTICED_S, "noticed in time"
    assert stamp_to_seconds(cell.estimates[-1].header.stamp) == last_s, "no stale estimate is published"

    live.wait(hold.result.done, "the end of the goal")
    assert hold.result.result().outcome == "sensing lost", hold.result.result()
    assert "holding" in hold.result.result().message
    gauge_pa = [command.pressure for command in cell.commands[-20:]]
    cell.commands.clear()

    cell.sensors["left_finger"].communicate()
    live.processes.remove(cell.sensors["left_finger"])
    cell.estimates.clear()
    cell.events.clear()
    cell.sensors["left_finger"] = cell.start_sensor("left_finger")
    live.wait(lambda: cell.estimates, "the restarted node", START_S)
    live.wait(lambda: cell.estimates[-1].flags & PadEstimate.TARE_OLD, "TARE_OLD")
    live.wait(lambda: cell.monitor_says(DiagnosticStatus.OK, cell.said_s), "the monitor content again")
    commanded_pa = [command.pressure for command in cell.commands]
    assert commanded_pa == pytest.approx([gauge_pa[-1]] * max(len(commanded_pa), 10), abs=1.0)
    assert gauge_pa[-1] > 20e3
    assert cell.truths[-1].in_contact, "the jar is still held"
    live.wait(lambda: cell.estimates[-1].in_contact, "the touch found again")

    released = cell.hand.release()
    live.wait(lambda: any(event.kind == ContactEvent.RELEASE for event in cell.events), "the release found", START_S)
    live.wait(released.done, "the release done", START_S)
    live.wait(lambda: not cell.truths[-1].in_contact, "the jar let go", START_S)
    assert cell.estimates[-1].flags & PadEstimate.TARE_OLD
    cell.hand.close()
