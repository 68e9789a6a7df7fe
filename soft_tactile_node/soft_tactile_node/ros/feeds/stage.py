"""The simulated bench behind topics: its stage follows `press_command`; force cell and camera are published."""

from __future__ import annotations

import math

from builtin_interfaces.msg import Time
from geometry_msgs.msg import PoseStamped, WrenchStamped

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.physics.kinematics import pad_pose
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.simulation.bench import Bench
from soft_tactile_node.simulation.gripper import GripperStep

COMMAND_TIMEOUT_S = 0.5
"""Without a command for this long the stage keeps off (s)."""

LEAST_NORMAL_N = 1e-3


class SimulatedStage:
    """Moves the bench's stage and publishes `reference_wrench` and `reference_pose`.

    Parameters
    ----------
    node : ManagedNode
        Owner.
    bench : Bench
        The simulated finger below its stage.
    pad_frame, root_frame : str
        Frames of wrench and pose.
    """

    def __init__(self, node: ManagedNode, bench: Bench, pad_frame: str, root_frame: str) -> None:
        self._node = node
        self._bench = bench
        self._pad_frame, self._root_frame = pad_frame, root_frame
        body = bench.specimens[0].finger
        self._lengths_m = body.arc_length_m, body.neutral_height_m
        self._wrench = node.publish_on(WrenchStamped, "reference_wrench", qos.sensor_data(qos.COIL_DEPTH))
        self._pose = node.publish_on(PoseStamped, "reference_pose", qos.sensor_data(qos.COIL_DEPTH))
        self._heard_ns: int | None = None
        node.subscribe_to(WrenchStamped, "press_command", self._on_command, qos.sensor_data(10))

    def move(self, now_ns: int) -> None:
        """Let the stage keep off where commands have stopped by `now_ns` (ns)."""
        if self._heard_ns is not None and now_ns - self._heard_ns > COMMAND_TIMEOUT_S * 1e9:
            self._heard_ns = None
            self._bench.press(None)

    def publish(self, step: GripperStep, stamp: Time) -> None:
        """Publish what force cell and camera read at a step."""
        x, y, z = (float(value) for value in self._bench.reference_force(step))
        wrench = WrenchStamped()
        wrench.wrench.force.x, wrench.wrench.force.y, wrench.wrench.force.z = x, y, z
        wrench.header.stamp, wrench.header.frame_id = stamp, self._pad_frame
        self._wrench.publish(wrench)
        position_m, rotation = pad_pose(self._bench.reference_bend(step), *self._lengths_m)
        pose = PoseStamped(pose=conversions.pose_message(position_m, rotation))
        pose.header.stamp, pose.header.frame_id = stamp, self._root_frame
        self._pose.publish(pose)

    def _on_command(self, message: WrenchStamped) -> None:
        force, torque = message.wrench.force, message.wrench.torque
        self._heard_ns = self._node.get_clock().now().nanoseconds
        try:
            if math.isnan(force.z):
                self._bench.press(None)
            else:
                normal = max(force.z, LEAST_NORMAL_N)
                self._bench.press((force.x, force.y, force.z), (-torque.y / normal, torque.x / normal))
        except SoftTactileError as error:
            self._bench.press(None)
            self._node.get_logger().warning(f"press_command: {error}", throttle_duration_sec=2.0)
