"""What a node with valve sides says on /diagnostics: one status for the valve of each finger."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from diagnostic_msgs.msg import DiagnosticArray

from soft_tactile_node.ros.running.diagnostic_pace import DiagnosticPace
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.running.valve_side import ValveSide
from soft_tactile_node.ros.wire.diagnostics import ERROR, WARN, FingerHealth


class ValveHealth:
    """Tells once a second, and at once when something changes, how each valve is.

    Parameters
    ----------
    node : ManagedNode
        Owner.
    publisher : rclpy.publisher.Publisher
        Of /diagnostics; not one that is silent while the node is inactive.

    Attributes
    ----------
    active : bool
        Whether the node is active.
    """

    def __init__(self, node: ManagedNode, publisher: Any) -> None:
        self.active = False
        self._node, self._publisher = node, publisher
        self._sides: dict[str, ValveSide] = {}
        self._name = f"{node.short_namespace}/{node.get_name()}"
        self._healths: dict[str, FingerHealth] = {}
        self._nothing = FingerHealth(f"{self._name}: valve", node.short_namespace)
        self._pace = DiagnosticPace(node, lambda: self._pace.tell(), self._publish)

    def watch(self, sides: Mapping[str, ValveSide]) -> None:
        """Tell of these valve sides from now on, by the name of their finger."""
        self._sides = dict(sides)
        self._healths = {finger: FingerHealth(f"{self._name}: valve of {finger}", finger) for finger in sides}
        for side in sides.values():
            side.on_tell = self._look

    def _look(self) -> None:
        self._judge()
        if any(health.changed for health in self._healths.values()):
            self._pace.tell()

    def _judge(self) -> None:
        for finger, health in self._healths.items():
            if self._node.reason:
                health.set_level(ERROR, self._node.reason)
            elif not self.active:
                health.set_level(WARN, "not active")
            else:
                health.set_level(*self._sides[finger].judge())

    def _publish(self) -> None:
        self._judge()
        status = [health.status(self._sides[finger].report()) for finger, health in self._healths.items()]
        if not status:
            self._nothing.set_level(ERROR if self._node.reason else WARN, self._node.reason or "not configured")
        array = DiagnosticArray(status=status or [self._nothing.status({})])
        array.header.stamp = self._node.get_clock().now().to_msg()
        self._publisher.publish(array)
