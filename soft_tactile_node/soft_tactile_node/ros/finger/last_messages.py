"""A message that comes twice: known as such, and answered as it was the first time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from soft_tactile_node.ros.wire.coil_bytes import Coils
from soft_tactile_node.samples import Estimate


class LastMessages:
    """Remembers the newest scan and pressure reading.

    A bridge may deliver a message twice, and a simulator that goes scan by scan sends a scan again that nobody
    answered. The same scan (number, stamp and readings) changes nothing; it only has its estimate published again.
    """

    def __init__(self) -> None:
        self._scan: tuple[Any, ...] = ()
        self._pressure: tuple[Any, ...] = ()
        self._estimate: Estimate | None = None
        self._stamp: Any = None

    def has_scan(self, coils: Coils) -> bool:
        """Return whether these readings have come before, and remember them."""
        scan = (coils.number, coils.stamp.sec, coils.stamp.nanosec, coils.scan.inductance_h.tobytes())
        known, self._scan = scan == self._scan, scan
        if not known:
            self._estimate = None
        return known

    def has_pressure(self, message: Any) -> bool:
        """Return whether a FluidPressure has come before, and remember it."""
        pressure = (message.header.stamp.sec, message.header.stamp.nanosec, message.fluid_pressure)
        known, self._pressure = pressure == self._pressure, pressure
        return known

    def keep(self, estimate: Estimate, stamp: Any) -> None:
        """Remember the estimate of the newest scan."""
        self._estimate, self._stamp = estimate, stamp

    def forget_estimate(self) -> None:
        """Repeat nothing any more: the stream has stopped, and what it last told is stale."""
        self._estimate = None

    def repeat(self, publish: Callable[[Estimate, tuple[()], Any], None]) -> None:
        """Publish the estimate of the newest scan again; nothing where there is none. Events are not repeated."""
        if self._estimate is not None:
            publish(self._estimate, (), self._stamp)
