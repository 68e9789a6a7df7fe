"""A bench with a force stage, a force cell and a camera behind topics: for tests of the action calibrate."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from geometry_msgs.msg import PoseStamped, WrenchStamped
from rclpy.action import ActionClient
from rclpy.time import Time
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.action import Calibrate
from soft_tactile_msgs.msg import CoilReadings, PressureCommand

from graph.finger_driver import ATMOSPHERIC_PA, SEED
from graph.graph_tools import ACTIVATE, CONFIGURE, Graph
from soft_tactile_node.physics.kinematics import pad_pose
from soft_tactile_node.ros.calibrate.action import COMMAND_PERIOD_S
from soft_tactile_node.ros.nodes.tactile_sensor import TactileSensor
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.simulation.bench import Bench

NODE = "/finger/tactile_sensor"
RATE_HZ = 50.0
CHUNK = 4
MAX_PA = 60e3


class BenchDriver:
    """A bench behind topics, stepped as fast as the node follows: valve, force cell, camera, client of the action.

    It uses the topics alone, as a real bench would: the valve takes `pressure_command`, the stage `press_command`.
    """

    def __init__(self, live: Graph) -> None:
        self.live = live
        self.bench = Bench(SEED, rate_hz=RATE_HZ)
        client = live.client
        self.coils = client.create_publisher(CoilReadings, "/finger/coils", qos.sensor_data(500))
        self.pressure = client.create_publisher(FluidPressure, "/finger/pressure", qos.sensor_data(500))
        self.wrench = client.create_publisher(WrenchStamped, "/finger/reference_wrench", qos.sensor_data(500))
        self.pose = client.create_publisher(PoseStamped, "/finger/reference_pose", qos.sensor_data(500))
        client.create_subscription(PressureCommand, "/finger/pressure_command", self._on_command, qos.reliable(50))
        client.create_subscription(WrenchStamped, "/finger/press_command", self._on_press, qos.reliable(50))
        self.opening_pa = 0.0
        self.commands: list[float] = []
        self.commanded_s = -math.inf
        self.asked: WrenchStamped | None = None
        self.feedback: list[Calibrate.Feedback] = []
        self.start_ns = client.get_clock().now().nanoseconds
        self.stamp_ns = 0
        self.pressure_pa = 0.0
        self.touch_n: Callable[[], np.ndarray | None] = lambda: None
        self.leaks = False
        self.clients: list[ActionClient] = []
        self.number = 0

    def sensor(self, **parameters: object) -> TactileSensor:
        """Add a sensor that has no calibration, active."""
        given = {
            "autostart": False, "calibration": "none", "tare_file": "none", "coil_timeout": 10.0,
            "press_timeout": 5.0, "max_pressure": 60e3, **parameters,
        }  # fmt: skip
        node = self.live.add(TactileSensor, namespace="finger", parameters=given)
        assert self.live.transition(NODE, CONFIGURE)
        assert self.live.transition(NODE, ACTIVATE)
        self.live.wait(lambda: self.coils.get_subscription_count(), "sensor on the topics")
        for topic, who in (("pressure_command", "valve"), ("press_command", "stage")):
            self.live.wait(lambda topic=topic: self.live.client.count_publishers(f"/finger/{topic}"), who)
            self.live.wait(lambda topic=topic: self.live.client.count_subscribers(f"/finger/{topic}"), who)
        self.step()
        return node

    def send(self, path: Path | str = "", max_pressure: float = MAX_PA, client: Any = None) -> Any:
        """Send a goal; returns its handle once accepted."""
        if client is None:
            client = ActionClient(self.live.client, Calibrate, "/finger/calibrate")
            self.clients.append(client)
        self.client = client
        self.live.wait(client.server_is_ready, "action server")
        self.live.wait(lambda: self.live.nodes[0]._action._channels is not None, "a scan")
        goal = Calibrate.Goal(path=str(path), max_pressure=max_pressure)
        future = client.send_goal_async(goal, feedback_callback=lambda heard: self.feedback.append(heard.feedback))
        self.live.wait(future.done, "answer to the goal")
        return future.result()

    def result(self, handle: Any, *, stepping: bool = True, limit: int = 10**6) -> Any:
        """Let the bench live until the action has ended; returns status and result."""
        future = handle.get_result_async()
        self.live.run(0.02)
        for _ in range(limit):
            if future.done():
                return future.result()
            if stepping and self.live.nodes[0]._action.is_running:
                self.step()
            else:
                self.live.run(0.05)
        raise AssertionError("the action did not end")

    def run_until(self, condition: Callable[[], bool], limit_s: float = 600.0) -> None:
        """Let the bench live until a condition holds."""
        for _ in range(math.ceil(limit_s * RATE_HZ / CHUNK)):
            if condition():
                return
            self.step()
        raise AssertionError(f"did not happen within {limit_s:g} s of the bench's time")

    def step(self) -> None:
        """Let the bench live for a few scans, and the node answer them."""
        for _ in range(CHUNK):
            self._press()
            opening_pa = 0.0 if self.leaks else self.opening_pa
            self._publish(self.bench.step([opening_pa]))
        # Faster than the node takes them, scans would be lost and commands come late: its queues are finite.
        if self._is_taking_scans():
            self.live.wait(lambda: not self._is_taking_scans() or self._has_taken_all(), "the chunk to be taken")
        else:
            self.live.run(0.02)

    def _is_taking_scans(self) -> bool:
        action = self.live.nodes[0]._action
        run = None if action is None else action._run
        return run is not None and run.result is None and not run.guide.finished

    def _has_taken_all(self) -> bool:
        taken_s = self.live.nodes[0]._action._run.guide._now_s
        last_s = self.stamp_ns * 1e-9
        return taken_s > last_s - 0.5 / RATE_HZ and self.commanded_s > last_s - COMMAND_PERIOD_S - 0.5 / RATE_HZ

    def _press(self) -> None:
        touch_n = self.touch_n()
        if touch_n is not None:
            self.bench.press(touch_n)
        elif self.asked is None or math.isnan(self.asked.wrench.force.z):
            self.bench.press(None)
        else:
            force, torque = self.asked.wrench.force, self.asked.wrench.torque
            normal = max(force.z, 1e-3)
            self.bench.press((force.x, force.y, force.z), (-torque.y / normal, torque.x / normal))

    def _publish(self, step: Any) -> None:
        self.stamp_ns = self.start_ns + round(step.time_s * 1e9)
        stamp = Time(nanoseconds=self.stamp_ns).to_msg()
        self.pressure_pa = step.pressure_pa[0] if math.isfinite(step.pressure_pa[0]) else self.pressure_pa
        if math.isfinite(step.pressure_pa[0]):
            self.pressure.publish(
                conversions.pressure_message(step.pressure_pa[0], ATMOSPHERIC_PA, stamp, "finger_pad")
            )
        wrench = WrenchStamped()
        wrench.header.stamp, wrench.header.frame_id = stamp, "finger_pad"
        force = self.bench.reference_force(step) + np.array([0.1, -0.2, 0.4])  # nobody zeroed this force cell
        wrench.wrench.force.x, wrench.wrench.force.y, wrench.wrench.force.z = (float(value) for value in force)
        self.wrench.publish(wrench)
        body = self.bench.specimens[0].finger
        pose = PoseStamped(
            pose=conversions.pose_message(
                *pad_pose(self.bench.reference_bend(step), body.arc_length_m, body.neutral_height_m)
            )
        )
        pose.header.stamp, pose.header.frame_id = stamp, "finger_finger_root"
        self.pose.publish(pose)
        self.coils.publish(conversions.scan_to_message(step.scans[0], self.number, stamp, "finger_pad"))
        self.number += 1

    def _on_command(self, message: PressureCommand) -> None:
        self.opening_pa = message.pressure
        self.commands.append(message.pressure)
        self.commanded_s = conversions.stamp_to_seconds(message.header.stamp)

    def _on_press(self, message: WrenchStamped) -> None:
        self.asked = message


def vented(bench: BenchDriver) -> None:
    """Wait for the command to vent, the last one; the vented line is known as well as the pressure sensor's zero."""
    bench.live.wait(lambda: abs(bench.commands[-1]) < 500.0, "the command to vent")
    bench.live.wait(lambda: bench.asked is not None and math.isnan(bench.asked.wrench.force.z), "the stage keeps off")
