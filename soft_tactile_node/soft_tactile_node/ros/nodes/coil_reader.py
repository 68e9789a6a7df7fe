"""Node `coil_reader`: a device on a serial port or UDP, or a recording, to the topics `coils` and `pressure`."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from builtin_interfaces.msg import Time

from soft_tactile_node.ros.feeds.factory import ScanSource, make_scan_source
from soft_tactile_node.ros.parameters.device import READER
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.running.diagnostic_pace import DiagnosticPace
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire.conversions import stamp_to_seconds
from soft_tactile_node.ros.wire.diagnostics import ERROR, OK, WARN, FingerHealth, StreamCounters
from soft_tactile_node.ros.wire.names import frame_prefix
from soft_tactile_node.samples import Flag, Scan

FIRST_WAIT_S = 1.0
"""Patience for the first scan after activation (s)."""


class CoilReader(ManagedNode):
    """The reader of one device as a lifecycle node; pressure leaves it absolute, whatever the device sends."""

    def __init__(self, name: str = "coil_reader", **options: Any) -> None:
        super().__init__(name, READER, **options)
        self._health = FingerHealth(f"{self.short_namespace}/{name}: stream", self.short_namespace)
        self._counters = StreamCounters()
        self._reported_ns = self.get_clock().now().nanoseconds
        self._source: ScanSource | None = None
        self._heard_ns = 0
        self._span: dict[str, str] = {}
        self._pace = DiagnosticPace(self, lambda: [self._health.status(self._span)], self._report)

    def configure(self) -> None:
        """Check the parameters and create the topics; whether the device is there shows when active."""
        frame = self.setting("pad_frame") or f"{frame_prefix(self.get_namespace()) or 'finger'}_pad"
        self._source = make_scan_source(self, frame, self._on_scan, lambda _time_s, _pressure_pa: None)
        self.call_every(max(self.setting("coil_timeout") / 2.0, 0.02), self._look)

    def activate(self) -> None:
        """Read the device; one that is missing is waited for."""
        assert self._source is not None  # from configure
        self._heard_ns = self.get_clock().now().nanoseconds + round(FIRST_WAIT_S * 1e9)
        self._source.start()

    def deactivate(self) -> None:
        """Let go of the device."""
        if self._source is not None:
            self._source.stop()

    def release(self) -> None:
        """Forget the source."""
        self._source = None

    def _on_scan(self, _scan: Scan, stamp: Time, number: int) -> None:
        self._heard_ns = self.get_clock().now().nanoseconds
        self._counters.count_scan(number, self._heard_ns * 1e-9 - stamp_to_seconds(stamp), Flag(0))

    def _look(self) -> None:
        """Say at once when the device falls silent or comes back."""
        self._judge()
        if self._health.changed:
            self._pace.tell()

    def _judge(self) -> None:
        if self._source is None:
            self._health.set_level(*((ERROR, self.reason) if self.reason else (WARN, "not configured")))
        elif not self.active:
            self._health.set_level(WARN, "not active")
        elif (self.get_clock().now().nanoseconds - self._heard_ns) * 1e-9 > self.setting("coil_timeout"):
            self._health.set_level(ERROR, self._source.fault or "no scan within coil_timeout: check cable and device")
        elif self._counters.scans:
            self._health.set_level(OK, "good")
        elif self._health.level != OK:
            fault = self._source.fault
            self._health.set_level(ERROR if fault else WARN, fault or "waiting for the first scan")

    def _report(self) -> None:
        now_ns = self.get_clock().now().nanoseconds
        elapsed_s = (now_ns - self._reported_ns) * 1e-9
        self._reported_ns = now_ns
        self._judge()
        counted = {} if self._source is None else self._source.report()
        self._span = {**self._counters.report(elapsed_s), **counted}


def main(args: Sequence[str] | None = None) -> int:
    """Run one reader, or one for each finger namespace named on the command line, in this process."""
    fingers = process.plain_arguments(args)
    makers = [partial(CoilReader, namespace=finger) for finger in fingers]
    return process.run(makers or [CoilReader], args)


if __name__ == "__main__":
    raise SystemExit(main())
