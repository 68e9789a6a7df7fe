"""Node `gripper_simulator`: soft fingers, tray and object in one process; publishes readings and truth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

from builtin_interfaces.msg import Time
from rclpy.time import Time as ClockTime
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, PadTruth, PressureCommand, ValveStatus
from std_msgs.msg import Float64
from std_srvs.srv import Trigger

from soft_tactile_node.ros.gripper.simulated_time import SimulatedTime
from soft_tactile_node.ros.parameters.gripper import SIMULATOR
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.running.awaiting import REAL_TIME
from soft_tactile_node.ros.running.late_service import LateService
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.running.valve_health import ValveHealth
from soft_tactile_node.ros.running.valve_side import ValveSide, limits_of
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.ros.wire.names import frame_prefix, sibling
from soft_tactile_node.samples import Scan
from soft_tactile_node.simulation.faults import Fault
from soft_tactile_node.simulation.gripper import Gripper

TICK_HZ = 250.0
"""Most timer calls in a second; a faster simulation does several steps a call."""

REPEAT_S = 0.5
"""A scan without its commands is sent again after this long (s of real time): nodes may still be finding each other."""

TRUTH_DEPTH = 500
"""Truth kept for a slow reader: 1 s at 500 Hz."""


class GripperSimulator(ManagedNode):
    """Simulated gripper as a lifecycle node; its interface: shared/docs/reference/topics.md."""

    def __init__(self, name: str = "gripper_simulator", **options: Any) -> None:
        super().__init__(name, SIMULATOR, **options)
        self._health = ValveHealth(self)

    def configure(self) -> None:
        """Build the gripper and create the topics of every finger."""
        fingers = self.setting("fingers")
        if not 1 <= len(fingers) <= 2 or len(set(fingers)) != len(fingers):
            raise ParameterError(f"parameter 'fingers' must be one or two different names; got {fingers}")
        self._fingers = fingers
        self._atmospheric_pa = self.setting("atmospheric_pressure")
        self._build_gripper()
        self._lift_m = 0.0
        self._time = SimulatedTime(self)
        self._frames: list[str] = []
        self._coils: list[Any] = []
        self._pressures: list[Any] = []
        self._truths: list[Any] = []
        self._valves: list[ValveSide] = []
        for number, finger in enumerate(fingers):
            self._add_finger(number, sibling(self.get_namespace(), finger))
        self._health.watch(dict(zip(fingers, self._valves, strict=True)))
        self.subscribe_to(Float64, "lift_command", self._on_lift, qos.sensor_data(10))
        self._awaited: set[str] = set()
        rate_hz = min(self.setting("rate") * max(self.setting("speed"), 1.0), TICK_HZ)
        clock = REAL_TIME if self._time.is_own else None
        self._timer = self.call_every(1.0 / rate_hz, self._on_tick, running=False, clock=clock)
        self._step = LateService(self, Trigger, "step", self._on_step)
        self._patience = self.call_every(
            self.setting("step_timeout"), self._on_patience, running=False, clock=REAL_TIME
        )
        self._repeat = self.call_every(REPEAT_S, self._tell_again, running=False, clock=REAL_TIME)

    def activate(self) -> None:
        """Let time run."""
        self._time.restart()
        if self._time.mode != "step":
            self._timer.reset()

    def deactivate(self) -> None:
        """Let time stand still."""
        self._timer.cancel()
        self._end_step("the simulator was deactivated")

    def parameters_changed(self, names: Sequence[str]) -> None:
        """Put another object on the tray, or take up the new limits."""
        if "object" in names:
            self._gripper.place(self.setting("object"))
        if "speed" in names:
            self._time.restart()
        for valve in self._valves:
            valve.lease.limits = limits_of(self, real=False)

    def _build_gripper(self) -> None:
        self._gripper = Gripper(
            fingers=tuple(self._fingers),
            object=self.setting("object"),
            seed=self.setting("seed"),
            pad=self.setting("pad"),
            rate_hz=self.setting("rate"),
            faults=self._wanted_fault(),
        )
        self._scans = 0

    def _wanted_fault(self) -> tuple[Fault, ...]:
        """Return the fault of the parameters; `silent` is this node's own and no matter of the electronics."""
        finger = self.setting("fault_finger") or self._fingers[0]
        if finger not in self._fingers:
            raise ParameterError(f"parameter 'fault_finger' must be empty or one of {self._fingers}; got '{finger}'")
        kind, start_s, end_s = self.setting("fault"), self.setting("fault_start"), self.setting("fault_end")
        end_s = math.inf if math.isnan(end_s) else end_s
        if not end_s > start_s:
            raise ParameterError(f"parameter 'fault_end' must be > fault_start {start_s:g} s; got {end_s:g}")
        self._silent = (finger, start_s, end_s) if kind == "silent" else ("", 0.0, 0.0)
        if kind in ("none", "silent"):
            return ()
        number = self._fingers.index(finger)
        return (Fault(kind, start_s, end_s, channel=self.setting("fault_channel") - 1, finger=number),)

    def _add_finger(self, number: int, namespace: str) -> None:
        # Discovery goes by the order of creation: who hears the coils hears clock and pressure already.
        self._frames.append(f"{frame_prefix(namespace)}_pad")
        self._pressures.append(self.publish_on(FluidPressure, f"{namespace}/pressure", qos.sensor_data()))
        self._coils.append(self.publish_on(CoilReadings, f"{namespace}/coils", qos.sensor_data(qos.COIL_DEPTH)))
        self._truths.append(self.publish_on(PadTruth, f"{namespace}/truth", qos.reliable(TRUTH_DEPTH)))
        status = self.publish_on(ValveStatus, f"{namespace}/valve_status", qos.reliable(1, latched=True))
        valve = ValveSide(
            self, self._fingers[number], limits_of(self, real=False), status, lambda: self._time.now_ns,
            aged=not self._time.is_own,
        )  # fmt: skip
        self._valves.append(valve)
        self.subscribe_to(
            PressureCommand, f"{namespace}/pressure_command", partial(self._on_command, number), qos.sensor_data(10)
        )

    def _on_command(self, number: int, message: PressureCommand) -> None:
        self._valves[number].on_command(message)
        if self._step.is_owed and ClockTime.from_msg(message.header.stamp).nanoseconds >= self._time.now_ns:
            self._awaited.discard(self._fingers[number])
            if not self._awaited:
                self._end_step("")

    def _on_lift(self, message: Float64) -> None:
        if not 0.0 <= message.data <= 1.0:  # NaN fails, too
            self.get_logger().warning(f"lift_command must be 0 to 1 m; got {message.data:g}", throttle_duration_sec=2.0)
            return
        self._lift_m = message.data

    def _on_tick(self) -> None:
        begin_s = known_s = self._time.lost_s
        for stamp_ns in self._time.due():
            lost_s = self._time.lost_s - known_s
            if lost_s > 0.0 and not self._time.is_own:
                for valve in self._valves:
                    valve.lease.stood_still(round(lost_s * 1e9))
            known_s += lost_s
            self._advance(stamp_ns)
        if known_s > begin_s:
            self.get_logger().warning(
                f"pace not kept: {self._time.lost_s:.2f} s given up so far; lower `rate` or `speed`",
                throttle_duration_sec=5.0,
            )

    def _advance(self, stamp_ns: int) -> None:
        """Simulate and publish one scan."""
        commands_pa = [valve.opening_pa(stamp_ns) for valve in self._valves]
        step = self._gripper.step(commands_pa, self._lift_m)
        stamp = ClockTime(nanoseconds=stamp_ns).to_msg()
        self._told = step, stamp, self._scans
        self._scans += 1
        self._tell(*self._told)
        self._publish_truth(step, stamp)

    # -- scan by scan

    def _on_step(self, _request: Trigger.Request) -> Trigger.Response | None:
        """Simulate one scan; the answer comes when every finger has a command stamped at it or later."""
        refused = ""
        if self._time.mode != "step":
            refused = f"parameter 'time' must be step; got '{self._time.mode}'"
        elif not self.active:
            refused = "not active"
        elif self._awaited:
            refused = f"scan {self._scans} still waits for the commands of {', '.join(sorted(self._awaited))}"
        if refused:
            return Trigger.Response(success=False, message=refused)
        self._awaited = set(self._fingers)
        self._patience.reset()
        self._repeat.reset()
        self._advance(self._time.advance())
        return None

    def _on_patience(self) -> None:
        silent = ", ".join(sorted(self._awaited))
        self._end_step(f"no command of scan {self._scans} from {silent} within {self.setting('step_timeout'):g} s")

    def _end_step(self, problem: str) -> None:
        """Answer the step that is under way, if any."""
        self._patience.cancel()
        self._repeat.cancel()
        self._awaited.clear()
        if self._step.is_owed:
            self._step.answer(Trigger.Response(success=not problem, message=problem or f"scan {self._scans}"))

    # -- outputs

    def _tell(self, step: Any, stamp: Time, scan: int) -> None:
        """Publish what the sensors need of a scan: the time first, then pressure, then coils."""
        self._time.publish()
        for number in range(len(self._fingers)):
            if math.isfinite(step.pressure_pa[number]):
                self._pressures[number].publish(
                    conversions.pressure_message(
                        step.pressure_pa[number], self._atmospheric_pa, stamp, self._frames[number]
                    )
                )
            self._publish_coils(number, step.scans[number], stamp, scan)

    def _tell_again(self) -> None:
        """Send the scan that waits for its commands again, with stamp and number as before."""
        self._tell(*self._told)

    def _publish_truth(self, step: Any, stamp: Time) -> None:
        for number, publisher in enumerate(self._truths):
            truth = conversions.truth_to_message(step, number)
            truth.header.stamp, truth.header.frame_id = stamp, self._frames[number]
            publisher.publish(truth)

    def _publish_coils(self, number: int, scan: Scan, stamp: Time, running: int) -> None:
        silent, start_s, end_s = self._silent
        if self._fingers[number] == silent and start_s <= scan.time_s < end_s:
            return
        self._coils[number].publish(conversions.scan_to_message(scan, running, stamp, self._frames[number]))


def main(args: Sequence[str] | None = None) -> int:
    """Run the simulator in this process."""
    return process.run([GripperSimulator], args)


if __name__ == "__main__":
    raise SystemExit(main())
