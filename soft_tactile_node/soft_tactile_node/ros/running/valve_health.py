"""What a node with valve sides says on /diagnostics: one status for the valve of each finger."""

from __future__ import annotations

from collections.abc import Mapping

from diagnostic_msgs.msg import DiagnosticStatus

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
    """

    def __init__(self, node: ManagedNode) -> None:
        self._node = node
        self._sides: dict[str, ValveSide] = {}
        self._name = f"{node.short_namespace}/{node.get_name()}"
        self._healths: dict[str, FingerHealth] = {}
        self._nothing = FingerHealth(f"{self._name}: valve", node.short_namespace)
        self._pace = DiagnosticPace(node, self._status)

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
            elif not self._node.active:
                health.set_level(WARN, "not active")
            else:
                health.set_level(*self._sides[finger].judge())

    def _status(self) -> list[DiagnosticStatus]:
        self._judge()
        status = [health.status(self._sides[finger].report()) for finger, health in self._healths.items()]
        if not status:
            self._nothing.set_level(ERROR if self._node.reason else WARN, self._node.reason or "not configured")
        return status or [self._nothing.status({})]
