"""Source `ros:/NAMESPACE`: the topics `coils` and `pressure` of a finger, read by a bench tool."""

from __future__ import annotations

import math
import os
import time

import rclpy
from rclpy.context import Context
from rclpy.executors import SingleThreadedExecutor
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings

from soft_tactile_node.errors import ShapeError, SourceError
from soft_tactile_node.merging import PressureMerge
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.ros.wire.coil_bytes import read_coils
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources.protocol import Counters, Reading

FIND_S = 5.0
"""Longest wait for somebody who publishes the coils."""

SILENT_S = 1.0

COILS_TYPE = "soft_tactile_msgs/msg/CoilReadings"


class TopicSource:
    """Reads the topics of one finger, on a context of its own.

    Parameters
    ----------
    namespace : str
        Of the finger, with a slash in front.
    """

    def __init__(self, namespace: str) -> None:
        self.name = f"ros:{namespace}"
        self.counters = Counters()
        self._topic = f"{namespace.rstrip('/')}/coils"
        self._pressure_topic = f"{namespace.rstrip('/')}/pressure"
        self._merge = PressureMerge()
        self._came: list[tuple[int, Scan]] = []  # the pressure of a scan may still wait behind older pressure
        self._node: Node | None = None
        self._next: int | None = None
        self._number = 0
        self._heard_s = 0.0

    @property
    def fault(self) -> str:
        """Why nothing comes; empty while all is well."""
        silent = self._node is not None and time.monotonic() - self._heard_s > SILENT_S
        return f"{self.name}: nothing comes on {self._topic}; check its driver" if silent else ""

    @property
    def ended(self) -> bool:
        """A topic may always come back."""
        return False

    def open(self) -> None:
        """Subscribe, once somebody publishes; else a SourceError lists the coil topics there are."""
        if self._node is not None:
            return
        self._context = Context()
        rclpy.init(context=self._context, args=[], signal_handler_options=SignalHandlerOptions.NO)
        self._node = Node(f"soft_tactile_bench_{os.getpid()}", context=self._context)
        self._executor = SingleThreadedExecutor(context=self._context)
        self._executor.add_node(self._node)
        end_s = time.monotonic() + FIND_S
        while not self._node.count_publishers(self._topic):
            if time.monotonic() > end_s:
                raise SourceError(self._nobody())
            self._executor.spin_once(timeout_sec=0.05)
        subscribe = self._node.create_subscription
        self._subscriptions = (
            subscribe(CoilReadings, self._topic, self._on_coils, qos.sensor_data(qos.COIL_DEPTH), raw=True),
            subscribe(FluidPressure, self._pressure_topic, self._on_pressure, qos.sensor_data()),
        )
        self._heard_s = time.monotonic()

    def read(self, timeout_s: float) -> list[Reading]:
        """Return what has come; waits up to `timeout_s` (s)."""
        end_s = time.monotonic() + timeout_s
        while not self._came and (left_s := end_s - time.monotonic()) > 0.0:
            self._executor.spin_once(timeout_sec=left_s)
        for subscription in self._subscriptions:  # all else that waits; the executor hands out one at a time
            while (taken := subscription.handle.take_message(subscription.msg_type, subscription.raw)) is not None:
                subscription.callback(taken[0])
        came, self._came = self._came, []
        return [self._reading(number, scan) for number, scan in came]

    def close(self) -> None:
        """Leave ROS 2."""
        node, self._node = self._node, None
        if node is not None:
            self._executor.remove_node(node)
            node.destroy_node()
            self._executor.shutdown()
            self._context.try_shutdown()

    def _nobody(self) -> str:
        assert self._node is not None
        there = [name for name, types in self._node.get_topic_names_and_types() if COILS_TYPE in types]
        seen = ", ".join(sorted(there)) or "none"
        return (
            f"{self.name}: nobody publishes {self._topic}; coil topics there are: {seen}; start the driver, and check "
            "ROS_DOMAIN_ID"
        )

    def _reading(self, number: int, scan: Scan) -> Reading:
        pressure_pa = self._merge.take(scan.time_s)
        return Reading(scan, number, pressure_pa, pressure_is_absolute=not math.isnan(pressure_pa))

    def _on_pressure(self, message: FluidPressure) -> None:
        self._merge.add(conversions.stamp_to_seconds(message.header.stamp), message.fluid_pressure)

    def _on_coils(self, data: bytes) -> None:
        self._heard_s = time.monotonic()
        try:
            scan, number, _ = read_coils(data)
        except ShapeError:
            self.counters.bad_frames += 1
            return
        gap = 0 if self._next is None else (number - self._next) % 2**32
        if gap >= 2**31:  # the driver began anew
            self.counters.restarts += 1
            gap = 0
        self.counters.lost += gap
        self._number += gap
        self._next = number + 1
        self._came.append((self._number, scan))
        self._number += 1
        self.counters.scans += 1
