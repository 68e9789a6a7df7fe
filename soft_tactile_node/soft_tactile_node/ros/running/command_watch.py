"""Whether somebody else commands the pressure of a finger: two writers of `pressure_command` would fight."""

from __future__ import annotations

import math
from collections import deque
from typing import Any

from sensor_msgs.msg import FluidPressure

from soft_tactile_node.ros.running.awaiting import real_s
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import qos

QUIET_S = 1.0
"""Who has commanded within this time still does (s of real time)."""

OWN_KEPT = 200


class CommandWatch:
    """Publishes the commands of one finger and hears those of others.

    Parameters
    ----------
    node : ManagedNode
        Owner; the subscription vanishes at its cleanup.
    publisher : rclpy.lifecycle.LifecyclePublisher
        Of the `pressure_command` of the finger.
    """

    def __init__(self, node: ManagedNode, publisher: Any) -> None:
        self._node = node
        self.publisher = publisher
        self._own: deque[tuple[int, int, float]] = deque(maxlen=OWN_KEPT)
        self._heard_s = -math.inf
        node.subscribe_to(FluidPressure, self.topic, self._on_command, qos.sensor_data(50))

    @property
    def topic(self) -> str:
        """The topic, fully qualified."""
        return str(self.publisher.topic_name)

    @property
    def takers(self) -> int:
        """How many listen to the commands (1), this watch left out."""
        return int(self.publisher.get_subscription_count()) - 1

    def publish(self, message: FluidPressure) -> None:
        """Command."""
        self._own.append(_key(message))
        self.publisher.publish(message)

    def others(self) -> str:
        """Return who else commands at present, as one sentence; empty = nobody."""
        if real_s() - self._heard_s > QUIET_S:
            return ""
        mine = f"{self._node.get_namespace().rstrip('/')}/{self._node.get_name()}"
        writers = self._node.get_publishers_info_by_topic(self.topic)
        names = {f"{end.node_namespace.rstrip('/')}/{end.node_name}" for end in writers} - {mine}
        return f"{self.topic} is commanded by {' and '.join(sorted(names)) or 'somebody else'}, too: stop that first"

    def _on_command(self, message: FluidPressure) -> None:
        if _key(message) not in self._own:
            self._heard_s = real_s()


def _key(message: FluidPressure) -> tuple[int, int, float]:
    return message.header.stamp.sec, message.header.stamp.nanosec, message.fluid_pressure
