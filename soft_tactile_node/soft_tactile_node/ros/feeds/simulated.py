"""Source `simulated` of a sensor: a finger simulated in the sensor's own process, driven by `pressure_command`."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from builtin_interfaces.msg import Time
from rclpy.time import Time as ClockTime
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, PressureCommand, ValveStatus

from soft_tactile_node.grasp.pressure_lease import LeaseLimits
from soft_tactile_node.ros.feeds.stage import SimulatedStage
from soft_tactile_node.ros.running.managed_node import ManagedNode, root_frame_of
from soft_tactile_node.ros.running.valve_side import ValveSide
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.samples import Scan
from soft_tactile_node.simulation.bench import Bench
from soft_tactile_node.simulation.gripper import Gripper
from soft_tactile_node.simulation.pacing import Pacer

ATMOSPHERIC_PA = 101325.0
COMMAND_TIMEOUT_S = 0.5
MAX_PRESSURE_PA = 60e3


class SimulatedSource:
    """Steps one finger against the node's clock; hands scans and absolute pressure on and publishes them, too.

    Parameters
    ----------
    node : ManagedNode
        Owner; its parameters `simulated_…` choose finger, object and rate.
    frame_id : str
        Pad frame, for the published scans.
    on_scan : callable
        Takes scan, stamp and running number.
    on_pressure : callable
        Takes time (s) and absolute pressure (Pa).
    """

    def __init__(
        self,
        node: ManagedNode,
        frame_id: str,
        on_scan: Callable[[Scan, Time, int], None],
        on_pressure: Callable[[float, float], None],
    ) -> None:
        self._node = node
        self._frame_id = frame_id
        self._on_scan, self._on_pressure = on_scan, on_pressure
        self._rate_hz = node.setting("simulated_rate")
        self._number = 0
        seed, pad = node.setting("simulated_seed"), node.setting("simulated_pad")
        self._stage: SimulatedStage | None = None
        self._gripper: Gripper
        if node.setting("simulated_bench"):
            bench = Bench(seed=seed, pad=pad, rate_hz=self._rate_hz)
            self._gripper, self._stage = bench, SimulatedStage(node, bench, frame_id, root_frame_of(node))
        else:
            self._gripper = Gripper(("finger",), node.setting("simulated_object"), seed, pad, self._rate_hz)
        self._coils = node.publish_on(CoilReadings, "coils", qos.sensor_data(qos.COIL_DEPTH))
        self._pressure = node.publish_on(FluidPressure, "pressure", qos.sensor_data())
        status = node.publish_on(ValveStatus, "valve_status", qos.reliable(1, latched=True))
        limits = LeaseLimits(MAX_PRESSURE_PA, COMMAND_TIMEOUT_S)
        self._valve = ValveSide(node, node.short_namespace, limits, status, self._now_ns)
        node.subscribe_to(PressureCommand, "pressure_command", self._valve.on_command, qos.sensor_data(10))
        self._timer = node.call_every(1.0 / min(self._rate_hz, 250.0), self._on_tick, running=False)

    fault = ""
    """A simulated finger never fails."""

    def report(self) -> dict[str, str]:
        """Return what it is, for diagnostics."""
        return {"source": "simulated"}

    def start(self) -> None:
        """Let time run."""
        self._pacer = Pacer(self._rate_hz)
        self._timer.reset()

    def stop(self) -> None:
        """Let time stand still."""
        self._timer.cancel()

    def _now_ns(self) -> int:
        return int(self._node.get_clock().now().nanoseconds)

    def _on_tick(self) -> None:
        before_s = self._pacer.lost_s
        due = self._pacer.due(self._now_ns())
        self._valve.lease.stood_still(round((self._pacer.lost_s - before_s) * 1e9))
        for stamp_ns in due:
            stamp = ClockTime(nanoseconds=stamp_ns).to_msg()
            if self._stage is not None:
                self._stage.move(stamp_ns)
            step = self._gripper.step([self._valve.opening_pa(stamp_ns)], 0.0)
            if self._stage is not None:
                self._stage.publish(step, stamp)
            self._hand_on(step, stamp)

    def _hand_on(self, step: Any, stamp: Time) -> None:
        time_s = conversions.stamp_to_seconds(stamp)
        if math.isfinite(step.pressure_pa[0]):
            message = conversions.pressure_message(step.pressure_pa[0], ATMOSPHERIC_PA, stamp, self._frame_id)
            self._pressure.publish(message)
            self._on_pressure(time_s, message.fluid_pressure)
        self._coils.publish(conversions.scan_to_message(step.scans[0], self._number, stamp, self._frame_id))
        scan = step.scans[0]
        self._on_scan(
            Scan(time_s, scan.inductance_h, scan.temperature_c, scan.loss_ohm, scan.acceleration_m_s2),
            stamp,
            self._number,
        )
        self._number += 1
