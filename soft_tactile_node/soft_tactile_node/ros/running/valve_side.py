"""The valve side of one finger on topics: obeys one owner of `pressure_command`, and says so on `valve_status`."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from soft_tactile_msgs.msg import PressureCommand, ValveStatus

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.pressure_lease import LeaseLimits, PressureLease
from soft_tactile_node.ros.running.awaiting import REAL_TIME
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire.conversions import request_from_message
from soft_tactile_node.ros.wire.diagnostics import ERROR, OK, WARN

STATUS_PERIOD_S = 0.2
"""How often the status is told at least (s of real time)."""

SHOWN_NS = 2 * 10**9
"""A refusal is on show for so long after the last one (ns)."""


def limits_of(node: ManagedNode, *, real: bool) -> LeaseLimits:
    """Return what the parameters of a valve side say; `real` = something real moves."""
    vents = node.setting("on_command_timeout") == "vent"
    return LeaseLimits(node.setting("max_pressure"), node.setting("command_timeout"), vents, real)


class ValveSide:
    """Joins a lease to the topics of a finger.

    Parameters
    ----------
    node : ManagedNode
        Owner; it gives `on_command` what comes on `pressure_command`.
    finger : str
        Name of the finger, for the log.
    limits : LeaseLimits
        What is accepted.
    publisher : rclpy.lifecycle.LifecyclePublisher
        Of `valve_status`.
    now_ns : callable
        Returns the time of the leases (ns).
    aged : bool
        Whether stamps of commands are of the same clock, so that old ones can be told.

    Attributes
    ----------
    lease : PressureLease
        Who is obeyed.
    on_tell : callable
        Called whenever the status was told.
    measured_pa : float
        What the valve measures (gauge Pa); NaN = not measured.
    """

    def __init__(
        self,
        node: ManagedNode,
        finger: str,
        limits: LeaseLimits,
        publisher: Any,
        now_ns: Callable[[], int],
        *,
        aged: bool = True,
    ) -> None:
        self.lease = PressureLease(limits)
        self.measured_pa = math.nan
        self.on_tell: Callable[[], None] = lambda: None
        self._node, self._finger, self._publisher = node, finger, publisher
        self._now_ns, self._aged = now_ns, aged
        self._owner = self._fault = ""
        self._told: tuple[object, ...] = ()
        node.call_every(STATUS_PERIOD_S, self._tell, clock=REAL_TIME)

    @property
    def fault(self) -> str:
        """What is wrong with the valve, in one sentence; empty = nothing. Setting one vents and refuses commands."""
        return self._fault

    @fault.setter
    def fault(self, fault: str) -> None:
        if fault != self._fault:
            self._fault = fault
            self.lease.block(fault)
            self.look()

    def on_command(self, message: PressureCommand) -> None:
        """Obey a command, or refuse it and say why."""
        now_ns = self._now_ns()
        try:
            self.lease.take(request_from_message(message, now_ns if self._aged else None), now_ns)
        except RangeError as error:
            self._node.get_logger().warning(f"{self._finger}: refused: {error}", throttle_duration_sec=2.0)
        self.look()

    def opening_pa(self, now_ns: int | None = None) -> float:
        """Return the pressure to keep (gauge Pa) at `now_ns` (ns), None = now; says so where a lease has ended."""
        now_ns = self._now_ns() if now_ns is None else now_ns
        if self.lease.owner(now_ns) != self._owner:
            self.look()
        return self.lease.opening_pa(now_ns)

    def look(self) -> None:
        """Say what has changed."""
        owner = self.lease.owner(self._now_ns())
        if owner != self._owner:
            before, self._owner = self._owner, owner
            then = "" if owner else f" any more: {'the last pressure is held' if self._holds() else 'vented'}"
            self._node.get_logger().info(f"{self._finger}: commanded by {owner or f'nobody, not by {before}'}{then}")
        if (owner, self._fault, self.lease.refused) != self._told:
            self._tell()

    def judge(self) -> tuple[bytes, str]:
        """Return level and words for /diagnostics."""
        if self._fault:
            return ERROR, self._fault
        refused_ns = self.lease.refused_ns
        if refused_ns is not None and self._now_ns() - refused_ns < SHOWN_NS:
            return WARN, f"refused: {self.lease.reason}"
        return OK, f"commanded by {self._owner or 'nobody'}"

    def report(self) -> dict[str, str]:
        """Return values for /diagnostics."""
        now_ns = self._now_ns()
        return {
            "owner": self.lease.owner(now_ns),
            "pressure (Pa)": f"{self.lease.opening_pa(now_ns):.0f}",
            "commands refused": str(self.lease.refusals),
            "refused last": f"{self.lease.refused}: {self.lease.reason}" if self.lease.refused else "",
        }

    def _holds(self) -> bool:
        return not self.lease.limits.vents and self.lease.opening_pa(self._now_ns()) > 0.0

    def _state(self, owner: str, gauge_pa: float) -> int:
        if self._fault:
            return int(ValveStatus.FAULT)
        if owner:
            return int(ValveStatus.OWNED)
        return int(ValveStatus.HOLDING if gauge_pa > 0.0 else ValveStatus.FREE)

    def _tell(self) -> None:
        now_ns = self._now_ns()
        lease = self.lease
        owner, gauge_pa = lease.owner(now_ns), lease.opening_pa(now_ns)
        self._told = (owner, self._fault, lease.refused)
        message = ValveStatus(
            state=self._state(owner, gauge_pa), owner=owner, sequence=lease.number, lease=lease.left_s(now_ns),
            pressure=gauge_pa, measured=float(self.measured_pa), refused=lease.refused,
            refused_sequence=lease.refused_number, reason=self._fault or lease.reason,
        )  # fmt: skip
        message.header.stamp = self._node.get_clock().now().to_msg()
        self._publisher.publish(message)
        self.on_tell()
