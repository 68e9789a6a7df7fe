"""What a held jar and a free finger look like when a process stands still: `python tests/benchmarks/gaps.py`.

The simulated gripper, its sensors and the monitor run as processes over DDS. The sensor of the left finger, the
simulator or the monitor is stopped (SIGSTOP) for a while and goes on (SIGCONT), with a jar in the gripper or free. The
truth is the simulator's. A stopped simulator is a machine that was suspended: its time goes on, its finger does not.

Prints one line for each gap: false words (a release, a second contact, or the monitor's word that the jar is lost,
while the pads press; a contact of a free pad, or the monitor's word that it touches), for how long a force was wrong by
more than 3 sigma and 0.1 N without a flag, how long flags or NaN said that nothing is known, and how long after the
process went on the first new estimate that knows the force came (of the monitor: its first new word). Leaves with 1 if
anything was false.
"""

from __future__ import annotations

import argparse
import math
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import rclpy
from rclpy.experimental import EventsExecutor
from rclpy.node import Node
from rclpy.task import Future
from soft_tactile_msgs.msg import ContactEvent, GraspState, PadEstimate, PadTruth, PressureCommand
from std_msgs.msg import Float64

from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.demo.processes import NodeProcesses, free_domain
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.samples import Flag
from soft_tactile_node.simulation.gripper import Gripper

CALIBRATIONS = Path(__file__).resolve().parents[2] / "config" / "calibrations"
FINGERS = ("left_finger", "right_finger")
GAPS_S = (0.05, 0.3, 1.0, 3.0, 10.0, 30.0)
AFTER_S = SETTLE_S = 3.0
START_S = 90.0
HOLD_PA = 36e3
CLOSING_PA_S = 8e3
LIFT_M = 0.03
LEASE_S = 10.0
"""Longer than a busy machine keeps a command waiting: what a lost command does is not asked here."""

FALSE_EVENTS = {True: (ContactEvent.RELEASE, ContactEvent.CONTACT), False: (ContactEvent.CONTACT,)}
FALSE_STATES = {
    True: (GraspState.OPEN, GraspState.CLOSING, GraspState.LOST),
    False: (GraspState.TOUCHING, GraspState.HOLDING, GraspState.SLIPPING, GraspState.LOST),
}
"""What must not be said while the jar is held (True), and of free fingers (False)."""

WHO = {
    "sensor": "left_finger.tactile_sensor",
    "simulator": "gripper.gripper_simulator",
    "monitor": "gripper.grasp_monitor",
}


class Stoppable(NodeProcesses):
    """Processes that can be told to stand still."""

    def signal(self, name: str, number: int) -> None:
        """Send a signal to one of them."""
        self._running[name].send_signal(number)


class Cell(Node):
    """Drives the gripper and hears everything."""

    def __init__(self) -> None:
        super().__init__("gaps")
        self.goal_pa = self.command_pa = self.lift_m = 0.0
        self.truths: dict[int, PadTruth] = {}
        self.estimates: list[tuple[int, PadEstimate]] = []
        self.events: list[ContactEvent] = []
        self.grasps: list[tuple[int, GraspState]] = []
        listen, reliable = self.create_subscription, qos.reliable(5000)
        listen(PadEstimate, "/left_finger/pad_estimate", lambda m: self.estimates.append((self.now_ns(), m)), reliable)
        listen(ContactEvent, "/left_finger/contact_events", self.events.append, reliable)
        listen(PadTruth, "/left_finger/truth", self._on_truth, reliable)
        grasp_state = qos.reliable(50, latched=True)
        listen(GraspState, "/gripper/grasp_state", lambda m: self.grasps.append((self.now_ns(), m)), grasp_state)
        self._commands = [self.create_publisher(PressureCommand, f"/{f}/pressure_command", 10) for f in FINGERS]
        self._lift = self.create_publisher(Float64, "/gripper/lift_command", 10)
        self._told_ns = self.now_ns()
        self.create_timer(0.02, self._command)

    def now_ns(self) -> int:
        """Return the present time (ns)."""
        return int(self.get_clock().now().nanoseconds)

    def forget(self) -> None:
        """Start a new measurement."""
        for heard in (self.truths, self.estimates, self.events, self.grasps):
            heard.clear()

    def _on_truth(self, message: PadTruth) -> None:
        self.truths[_stamp_ns(message)] = message

    def _command(self) -> None:
        now_ns = self.now_ns()
        most_pa = min((now_ns - self._told_ns) * 1e-9, 0.1) * CLOSING_PA_S
        self._told_ns = now_ns
        self.command_pa += min(max(self.goal_pa - self.command_pa, -most_pa), most_pa)
        message = PressureCommand(owner="/gaps", simulated=True, pressure=self.command_pa, lease=LEASE_S)
        message.header.stamp = self.get_clock().now().to_msg()
        for publisher in self._commands:
            publisher.publish(message)
        self._lift.publish(Float64(data=self.lift_m))


def _stamp_ns(message: Any) -> int:
    return int(message.header.stamp.sec * 1_000_000_000 + message.header.stamp.nanosec)


def _touched(truths: dict[int, PadTruth], stamp_ns: int) -> bool | None:
    """Return whether the left pad truly touched at a moment, None where that is not known."""
    before_ns = max((at_ns for at_ns in truths if at_ns <= stamp_ns), default=None)
    return None if before_ns is None else truths[before_ns].in_contact


def _knows(estimate: PadEstimate) -> bool:
    return not estimate.flags and math.isfinite(estimate.wrench.force.z)


def start(nodes: Stoppable, rate_hz: float, thing: str) -> None:
    """Start simulator, sensors and monitor."""
    nodes.start("gripper_simulator", "/gripper", {"object": thing, "rate": rate_hz, "command_timeout": LEASE_S})
    for finger in FINGERS:
        calibration = str(CALIBRATIONS / f"{finger}.yaml")
        nodes.start("tactile_sensor", f"/{finger}", {"calibration": calibration, "tare_file": "none"})
    nodes.start("grasp_monitor", "/gripper", {})


def wait(executor: Any, condition: Callable[[], bool], limit_s: float, what: str = "") -> None:
    """Run until a condition holds, or for a time."""
    end_s = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > end_s:
            if what:
                raise SystemExit(f"not within {limit_s:g} s: {what}")
            return
        executor.spin_until_future_complete(Future(), min(0.02, limit_s))


def judge(cell: Cell, rate_hz: float, held: bool, on_ns: int, monitor: bool) -> tuple[str, bool]:
    """Return what was seen since the measurement began, as text, and whether all of it was true.

    `on_ns` is when the process went on; `monitor` says that it was the monitor.
    """
    words = [(f"event {event.kind}", event) for event in cell.events if event.kind in FALSE_EVENTS[held]]
    words += [(f"state {grasp.state}", grasp) for _, grasp in cell.grasps if grasp.state in FALSE_STATES[held]]
    false = {text for text, word in words if _touched(cell.truths, _stamp_ns(word)) in (held, None)}
    wrong = unknown = flags = 0
    for _, estimate in cell.estimates:
        flags |= estimate.flags
        truth = cell.truths.get(_stamp_ns(estimate))
        force, variance = estimate.wrench.force.z, estimate.covariance[14]
        if not _knows(estimate):
            unknown += 1
        elif truth and abs(force - truth.wrench.force.z) > 3.0 * math.sqrt(variance) + 0.1:
            wrong += 1
    knowing = cell.grasps if monitor else [(at, estimate) for at, estimate in cell.estimates if _knows(estimate)]
    known_ns = next((at_ns for at_ns, word in knowing if _stamp_ns(word) > on_ns), math.nan)
    last = cell.estimates[-1][1].wrench.force.z if cell.estimates else math.nan
    true_n = [truth.wrench.force.z for truth in cell.truths.values()] or [math.nan]
    text = f"{', '.join(sorted(false)) or '-':<22}{wrong / rate_hz:>9.2f}{unknown / rate_hz:>10.2f}"
    text += f"{(known_ns - on_ns) * 1e-9:>9.2f}{last:>8.2f}{true_n[-1]:>8.2f}{min(true_n):>8.2f}{max(true_n):>7.2f}"
    text += f"  {' '.join(flag.name for flag in Flag if flag & flags)}"
    return text, not false and wrong <= 0.1 * rate_hz


def run(rate_hz: float, held: bool, stopped: list[str], gaps_s: list[float], folder: Path) -> bool:
    """Print the lines of one bring-up; return whether nothing was false."""
    good = True
    rclpy.init()
    with Stoppable(folder, {}) as nodes:
        start(nodes, rate_hz, "jar" if held else "none")
        cell, executor = Cell(), EventsExecutor()
        executor.add_node(cell)
        wait(executor, lambda: bool(cell.estimates) and cell.estimates[-1][1].state == 1, START_S, "tare")
        cell.goal_pa = HOLD_PA
        wait(executor, lambda: cell.command_pa >= HOLD_PA, START_S, "closing")
        cell.lift_m = LIFT_M if held else 0.0
        wait(executor, lambda: False, SETTLE_S)
        cell.forget()
        wait(executor, lambda: False, SETTLE_S)
        real_hz = len(cell.truths) / SETTLE_S
        print(f"{'held' if held else 'free'}: {real_hz:.0f} scans a second of {rate_hz:.0f} asked for")
        for who in stopped:
            for gap_s in gaps_s:
                wait(executor, lambda: False, AFTER_S)
                cell.forget()
                nodes.signal(WHO[who], signal.SIGSTOP)
                wait(executor, lambda: False, gap_s)
                nodes.signal(WHO[who], signal.SIGCONT)
                on_ns = cell.now_ns()
                wait(executor, lambda: False, AFTER_S)
                text, fine = judge(cell, real_hz, held, on_ns, who == "monitor")
                print(f"{gap_s:>6.2f}  {who:<10}{rate_hz:>6.0f}  {'held' if held else 'free':<6}{text}", flush=True)
                good &= fine
        executor.remove_node(cell)
        cell.destroy_node()
    rclpy.try_shutdown()
    return good


def main() -> int:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description="Processes that stand still while a jar is held, or nothing.")
    parser.add_argument("--rate", type=float, nargs="+", default=[250.0, 1000.0], help="scans in a second (Hz)")
    parser.add_argument("--who", nargs="+", choices=sorted(WHO), default=list(WHO), help="what stands still")
    parser.add_argument("--state", nargs="+", choices=("held", "free"), default=["held", "free"])
    parser.add_argument("--gaps", type=float, nargs="+", default=list(GAPS_S), help="for how long (s)")
    options = parser.parse_args()
    os.environ |= {"ROS_DOMAIN_ID": str(free_domain()), "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST"}
    print(
        f"{'gap s':>6}  {'stopped':<10}{'Hz':>6}  {'state':<6}{'false':<22}{'wrong s':>9}{'unknown s':>10}"
        f"{'known s':>9}{'told N':>8}{'true N':>8}{'least':>8}{'most':>7}  flags"
    )
    # compiled once, not in four processes at the same time
    warm_up(load_calibration(CALIBRATIONS / "left_finger.yaml"))
    Gripper().step([0.0, 0.0])
    good = True
    for rate_hz in options.rate:
        for state in options.state:
            with tempfile.TemporaryDirectory() as folder:
                good &= run(rate_hz, state == "held", options.who, options.gaps, Path(folder))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
