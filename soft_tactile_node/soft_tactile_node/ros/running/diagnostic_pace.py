"""What a node says on /diagnostics, and when."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus

from soft_tactile_node.ros.running.awaiting import REAL_TIME, real_s
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import qos

REPORT_PERIOD_S = 1.0
"""How often a node speaks at least (s of its time)."""

EARLY_SHARE = 0.5
"""A timer call that comes sooner than this share of the period after the last one is none: the events executor calls a
timer twice now and then, one right after the other (1)."""

MOST_WORDS, WITHIN_S = 5, 1.0
"""It speaks no more often than this within so long (s of real time)."""


class DiagnosticPace:
    """Speaks for a node on /diagnostics: each second and at once on a change, never more than 5 times a second.

    Parameters
    ----------
    node : ManagedNode
        Owner; the timers of one that has failed stand still, so it says that at once.
    status : callable
        Returns how things are at that moment.
    report : callable
        Called before it speaks each second of the node's time, once however often the timer fires.
    """

    def __init__(
        self,
        node: ManagedNode,
        status: Callable[[], Sequence[DiagnosticStatus]],
        report: Callable[[], None] = lambda: None,
    ) -> None:
        self._node, self._status, self._report = node, status, report
        # Not a lifecycle publisher: a node that refuses to configure must be able to say so.
        self._publisher = node.create_publisher(
            DiagnosticArray, "/diagnostics", qos.reliable(10), qos_overriding_options=qos.overridable()
        )
        self._reported_ns = node.get_clock().now().nanoseconds
        self._told_s: deque[float] = deque(maxlen=MOST_WORDS)
        self._later = node.create_timer(WITHIN_S / MOST_WORDS, self._catch_up, clock=REAL_TIME)
        self._later.cancel()
        node.create_timer(REPORT_PERIOD_S, self._on_time)

    def tell(self) -> None:
        """Publish now, or soon, where too much has been said of late."""
        now_s = real_s()
        if len(self._told_s) < MOST_WORDS or now_s - self._told_s[0] >= WITHIN_S or self._node.failed:
            self._told_s.append(now_s)
            array = DiagnosticArray(status=self._status())
            array.header.stamp = self._node.get_clock().now().to_msg()
            self._publisher.publish(array)
        elif self._later.is_canceled():
            self._later.reset()

    def _on_time(self) -> None:
        now_ns = self._node.get_clock().now().nanoseconds
        if not 0 <= now_ns - self._reported_ns < round(EARLY_SHARE * REPORT_PERIOD_S * 1e9):
            self._reported_ns = now_ns
            self._report()
            self.tell()

    def _catch_up(self) -> None:
        self._later.cancel()
        self.tell()
