"""Whether the controller of a gripper is alive, as DDS knows it."""

from __future__ import annotations

import math
from typing import Any

from rclpy.event_handler import SubscriptionEventCallbacks
from rclpy.node import Node
from std_msgs.msg import String

from soft_tactile_node.ros.running.awaiting import real_s
from soft_tactile_node.ros.wire import qos

GRACE_S = 0.3
"""A controller is dead when its sign of life has been missing for this long on top of the lease (s of real time)."""


class ControllerWatch:
    """Listens to `phase` of a controller for the sake of its LIVELINESS: a death is noticed without a message.

    Parameters
    ----------
    node : rclpy.node.Node
        Node that listens.
    gripper : str
        Namespace of the controller.
    """

    def __init__(self, node: Node, gripper: str) -> None:
        self._node = node
        self._dead_s = math.inf
        callbacks = SubscriptionEventCallbacks(
            liveliness=self._on_liveliness,
            incompatible_qos=lambda _event: (
                None
            ),  # a controller that gives no sign of life is waited for in vain, later
        )
        self._subscription = node.create_subscription(
            String, f"{gripper}/phase", lambda _phase: None, qos.reliable(1, latched=True, alive=True),
            event_callbacks=callbacks,
        )  # fmt: skip

    def close(self) -> None:
        """Listen no more."""
        self._node.destroy_subscription(self._subscription)

    def died_after(self, heard_s: float) -> bool:
        """Return whether it has died, and that after it was heard last (s of real time)."""
        return real_s() - self._dead_s > GRACE_S and heard_s <= self._dead_s

    def _on_liveliness(self, event: Any) -> None:
        self._dead_s = math.inf if event.alive_count else min(self._dead_s, real_s())
