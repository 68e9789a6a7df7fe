"""Topics of a guided calibration: commands to valve and stage out, references in."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from geometry_msgs.msg import PoseStamped, WrenchStamped
from numpy.typing import NDArray
from soft_tactile_msgs.msg import PressureCommand, ValveStatus

from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.merging import MOST_VENTED_PA
from soft_tactile_node.ros.running.managed_node import ManagedNode, is_simulated
from soft_tactile_node.ros.running.pressure_owner import PressureOwner
from soft_tactile_node.ros.wire import conversions, qos

AddForce = Callable[[float, NDArray[np.float64]], None]
AddBend = Callable[[float, float], None]


class BenchTopics:
    """Publishes `pressure_command` and `press_command`, hears `reference_wrench` and `reference_pose` while asked to.

    Parameters
    ----------
    node : ManagedNode
        Owner.
    pad_frame, root_frame : str
        Frames the references must be in; an empty frame is taken as the right one.
    """

    def __init__(self, node: ManagedNode, pad_frame: str, root_frame: str) -> None:
        self._node = node
        self._pad_frame, self._root_frame = pad_frame, root_frame
        self._is_gauge = node.setting("pressure_reference") == "gauge"
        publisher = node.publish_on(PressureCommand, "pressure_command", qos.reliable(10))
        simulated = is_simulated(node) or node.setting("source") in ("simulated", "recording")
        self._command = PressureOwner(node, publisher, simulated=simulated)
        node.subscribe_to(ValveStatus, "valve_status", self._command.hear, qos.reliable(1, latched=True))
        self._ask = node.publish_on(WrenchStamped, "press_command", qos.reliable(10))
        self._heard: list[Any] = []

    def check_neighbours(self) -> None:
        """Refuse to begin where nobody can do the work.

        Raises
        ------
        CalibrationError
            Nobody takes `pressure_command`, or somebody else commands it, or nobody publishes `reference_wrench`.
        """
        if self._command.takers < 1:
            raise CalibrationError(f"nobody takes {self._command.topic}: start the driver of the valve")
        if reason := self._command.in_the_way():
            raise CalibrationError(reason)
        wrench = self._node.resolve_topic_name("reference_wrench")
        if not self._node.count_publishers(wrench):
            raise CalibrationError(f"nobody publishes {wrench}: start the driver of the force cell")

    def check_valve(self) -> None:
        """Refuse to go on while the valve does not obey.

        Raises
        ------
        CalibrationError
            It obeys somebody else, or does not work; says which.
        """
        if trouble := self._command.trouble():
            raise CalibrationError(trouble)

    def check_vented(self, pressure_pa: float, atmospheric_pa: float) -> bool:
        """Return whether a reading (Pa, as the topic carries it) can be used.

        Raises
        ------
        CalibrationError
            The first reading of an unknown atmosphere is that of a finger under pressure, or gauge pressure.
        """
        if self._is_gauge or math.isfinite(atmospheric_pa):
            return True
        conversions.check_absolute(pressure_pa, "pressure")
        if pressure_pa > MOST_VENTED_PA:
            raise CalibrationError(
                f"the finger must be vented to begin; pressure reads {pressure_pa / 1000:.1f} kPa absolute: vent it, "
                "or set atmospheric_pressure"
            )
        return True

    def command(self, gauge_pa: float, time_s: float) -> None:
        """Command a pressure (gauge Pa) at a time (s)."""
        self._command.command(gauge_pa, conversions.seconds_to_stamp(time_s))

    def give_back(self, time_s: float) -> None:
        """Let somebody else command the pressure from a time (s) on."""
        self._command.give_back(conversions.seconds_to_stamp(time_s))

    def ask(self, force_n: tuple[float, float, float] | None, place_m: tuple[float, float], time_s: float) -> None:
        """Ask a driven stage to press with a force (N) at a place (m); None = keep off, said as a NaN force.

        The place is in the torque about the pad origin: (y fz, -x fz, x fy - y fx).
        """
        wrench = np.full(6, math.nan)
        if force_n is not None:
            x, y = place_m
            fx, fy, fz = force_n
            wrench[:] = fx, fy, fz, y * fz, -x * fz, x * fy - y * fx
        message = WrenchStamped(wrench=conversions.wrench_message(wrench))
        message.header.stamp, message.header.frame_id = conversions.seconds_to_stamp(time_s), self._pad_frame
        self._ask.publish(message)

    def listen(self, add_force: AddForce, add_bend: AddBend) -> None:
        """Hear the references until `silence`."""

        def on_wrench(message: WrenchStamped) -> None:
            if self._is_in(message, self._pad_frame, "reference_wrench"):
                force = message.wrench.force
                time_s = conversions.stamp_to_seconds(message.header.stamp)
                add_force(time_s, np.array([force.x, force.y, force.z]))

        def on_pose(message: PoseStamped) -> None:
            if self._is_in(message, self._root_frame, "reference_pose"):
                turn = message.pose.orientation
                add_bend(conversions.stamp_to_seconds(message.header.stamp), 2.0 * math.atan2(turn.y, turn.w))

        sensor_data = qos.sensor_data(qos.COIL_DEPTH)
        self._heard = [
            self._node.subscribe_to(WrenchStamped, "reference_wrench", on_wrench, sensor_data),
            self._node.subscribe_to(PoseStamped, "reference_pose", on_pose, sensor_data),
        ]

    def silence(self) -> None:
        """Hear no references any more."""
        for subscription in self._heard:
            self._node.let_go(subscription)
        self._heard = []

    def _is_in(self, message: Any, frame: str, topic: str) -> bool:
        if message.header.frame_id in ("", frame):
            return True
        self._node.get_logger().error(
            f"{topic} must be in the frame {frame}; got {message.header.frame_id}: not used", throttle_duration_sec=5.0
        )
        return False
