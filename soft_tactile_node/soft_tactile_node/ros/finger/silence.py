"""Whether scans still come: noticed within the coil timeout, at no cost for each scan."""

from __future__ import annotations

from collections.abc import Callable

from soft_tactile_node.ros.running.awaiting import REAL_TIME
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire.conversions import clock_s

DOUBT_SHARE, GRACE_SHARE = 0.7, 0.2
"""Shares of coil_timeout after which a stream is doubted, and then called stale, so that the word is out within it. The
second is of real time: if it was this process that stood still, or its clock that leapt, scans are waiting to be
taken."""

SHORTEST_S = 1e-3
"""The stream is looked at again no sooner than this (s)."""


class SilenceWatch:
    """Tells once when scans stop, and again when they have come back and stop once more.

    A timer that every scan puts off would wake the executor for every scan; this one looks when the last scan came and
    sleeps until the next look can tell something. A call of a timer that was overdue may still come after the timer was
    cancelled, and more than once.

    Parameters
    ----------
    node : ManagedNode
        Owner; the timers vanish at its cleanup.
    timeout_s : float
        Longest gap between scans (s).
    on_silence : callable
        Told once per silence.
    """

    def __init__(self, node: ManagedNode, timeout_s: float, on_silence: Callable[[], None]) -> None:
        self._node = node
        self._doubt_s = DOUBT_SHARE * timeout_s
        self._on_silence = on_silence
        self._heard_s = 0.0
        self._watching = self._doubting = False
        self._watchdog = node.call_every(self._doubt_s, self._look, running=False)
        self._grace = node.call_every(GRACE_SHARE * timeout_s, self._give_up, running=False, clock=REAL_TIME)

    def start(self) -> None:
        """Watch from now on."""
        self._grace.cancel()
        self._doubting, self._watching = False, True
        self._heard_s = clock_s(self._node)
        self._look_after(self._doubt_s)

    def stop(self) -> None:
        """Watch no more."""
        self._watchdog.cancel()
        self._grace.cancel()
        self._doubting = self._watching = False

    def hear(self, now_s: float) -> None:
        """Take note of a scan that came at `now_s` (s of the node's clock)."""
        self._heard_s = now_s
        if self._doubting or not self._watching:
            self.start()

    def _look_after(self, wait_s: float) -> None:
        self._watchdog.timer_period_ns = round(max(wait_s, SHORTEST_S) * 1e9)
        self._watchdog.reset()

    def _look(self) -> None:
        if self._doubting or not self._watching:
            return
        left_s = self._heard_s + self._doubt_s - clock_s(self._node)
        if 0.0 < left_s <= self._doubt_s:
            self._look_after(left_s)
            return
        # silent; or the clock was set back past the last scan, and the grace tells whether scans still come
        self._watchdog.cancel()
        self._doubting = True
        self._grace.reset()

    def _give_up(self) -> None:
        self._grace.cancel()
        if not self._doubting:
            return
        self._doubting = self._watching = False
        self._on_silence()
