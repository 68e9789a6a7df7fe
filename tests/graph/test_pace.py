"""The report of each second: once, however often the executor calls its timer."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from rclpy.time import Time

from soft_tactile_node.ros.running.diagnostic_pace import REPORT_PERIOD_S, DiagnosticPace


class FakeNode:
    """A node whose clock stands where it is put and whose timers are called by hand."""

    failed = ""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.timers: dict[float, Callable[[], None]] = {}

    def get_clock(self) -> Any:
        """Return its clock."""
        return SimpleNamespace(now=lambda: Time(nanoseconds=round(self.now_s * 1e9)))

    def create_publisher(self, *_: Any, **__: Any) -> Any:
        """Hand out what publishes nothing."""
        return SimpleNamespace(publish=lambda _message: None)

    def create_timer(self, period_s: float, callback: Callable[[], None], **_: Any) -> Any:
        """Keep a timer."""
        self.timers[period_s] = callback
        return SimpleNamespace(cancel=lambda: None, reset=lambda: None, is_canceled=lambda: True)


def test_a_timer_that_fires_twice_reports_once() -> None:
    """The events executor may call a timer a second time at once; a report of no time at all would tell of no scans."""
    node, reports = FakeNode(), []
    DiagnosticPace(node, list, lambda: reports.append(node.now_s))  # type: ignore[arg-type]
    fire = node.timers[REPORT_PERIOD_S]
    for moment_s in (101.0, 101.002, 101.99, 102.0, 103.004, 103.004):
        node.now_s = moment_s
        fire()
    assert reports == [101.0, 101.99, 103.004]
    node.now_s = 50.0  # a simulated time that began anew
    fire()
    assert reports[-1] == 50.0
