"""Sources `serial`, `udp` and `recording` of a node: a thread waits for scans, the executor hands them on."""

from __future__ import annotations

import math
import threading
import traceback
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from builtin_interfaces.msg import Time
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources.protocol import Reading, Source

READ_S = 0.1
"""The thread looks at least this often whether it should end (s)."""

MOST_WAITING = 4 * qos.COIL_DEPTH
"""Scans kept for a node that is busy; the oldest are dropped and counted."""

JOIN_S = 5.0

REFUSED_S = 0.2
"""Pause after frames that were refused (s)."""


class DeviceSource:
    """Reads a source in a thread; hands scans and absolute pressure on in the node's executor, and publishes both.

    Parameters
    ----------
    node : ManagedNode
        Owner.
    source : Source
        What to read; opened and closed here.
    frame_id : str
        Pad frame, for the published scans.
    on_scan : callable
        Takes scan, stamp and running number.
    on_pressure : callable
        Takes time (s) and absolute pressure (Pa).
    atmospheric_pa : float
        Added to gauge pressure (Pa).
    """

    def __init__(
        self,
        node: ManagedNode,
        source: Source,
        frame_id: str,
        on_scan: Callable[[Scan, Time, int], None],
        on_pressure: Callable[[float, float], None],
        atmospheric_pa: float,
    ) -> None:
        self._node, self._source, self._frame_id = node, source, frame_id
        self._on_scan, self._on_pressure = on_scan, on_pressure
        self._atmospheric_pa = atmospheric_pa
        self._coils = node.publish_on(CoilReadings, "coils", qos.sensor_data(qos.COIL_DEPTH))
        self._pressure = node.publish_on(FluidPressure, "pressure", qos.sensor_data())
        self._waiting: deque[Reading] = deque(maxlen=MOST_WAITING)
        self._asked = threading.Event()  # hand_on is under way
        self._end = threading.Event()
        self._thread: threading.Thread | None = None
        self._broken = ""
        self._told = ""
        self._dropped = 0

    @property
    def fault(self) -> str:
        """Why nothing comes, with what to do; empty while all is well."""
        return self._broken or self._source.fault

    def report(self) -> dict[str, str]:
        """Return what the source has counted, as text by name."""
        counts = {name.replace("_", " "): str(count) for name, count in vars(self._source.counters).items()}
        return {"source": self._source.name, **counts, "dropped by a busy node": str(self._dropped)}

    def start(self) -> None:
        """Read from now on; a device that is missing is waited for, and said to be."""
        self._broken = self._told = ""
        self._end.clear()
        self._asked.clear()
        self._thread = threading.Thread(target=self._run, name="device", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Read no more."""
        thread, self._thread = self._thread, None
        self._end.set()
        if thread is not None:
            thread.join(JOIN_S)
        self._waiting.clear()

    # -- in the thread

    def _run(self) -> None:
        try:
            with suppress(SoftTactileError):  # `fault` says why, and `read` goes on trying
                self._source.open()
            while not self._end.is_set():
                self._read()
        except Exception as error:
            self._broken = f"{type(error).__name__}: {error}"
            self._node.get_logger().error(f"device: {self._broken}\n{traceback.format_exc()}")
        finally:
            self._source.close()

    def _read(self) -> None:
        try:
            readings = self._source.read(READ_S)
        except SoftTactileError as error:  # it speaks, but cannot be understood: that may change with the board
            self._broken = str(error)
            self._tell(self._broken)
            self._end.wait(REFUSED_S)
            return
        if readings:
            self._broken = ""
            self._queue(readings)
        self._tell(self.fault)

    def _queue(self, readings: list[Reading]) -> None:
        self._dropped += max(len(self._waiting) + len(readings) - MOST_WAITING, 0)
        self._waiting.extend(readings)
        self._ask()

    def _ask(self) -> None:
        """Have the executor hand on what waits, once."""
        executor = self._node.executor
        if executor is not None and not self._asked.is_set():
            self._asked.set()
            executor.create_task(self._node.guard, "device", self._hand_on)

    def _tell(self, fault: str) -> None:
        """Log each new fault once, and its end."""
        if fault == self._told:
            return
        if fault:
            self._node.get_logger().error(fault)
        else:
            self._node.get_logger().info(f"{self._source.name}: scans come")
        self._told = fault

    # -- in the executor

    def _hand_on(self) -> None:
        """Hand on what waits now; what comes meanwhile has its turn after what else the node has to do."""
        self._asked.clear()
        for _ in range(len(self._waiting)):
            if self._end.is_set() or not self._waiting:
                return
            self._take(self._waiting.popleft())
        if self._waiting:
            self._ask()

    def _take(self, reading: Reading) -> None:
        stamp = conversions.seconds_to_stamp(reading.scan.time_s)
        if math.isfinite(reading.pressure_pa):
            gauge_or_absolute = reading.pressure_pa
            if not reading.pressure_is_absolute:
                gauge_or_absolute = conversions.gauge_to_absolute(reading.pressure_pa, self._atmospheric_pa)
            self._publish_pressure(gauge_or_absolute, stamp)
            self._on_pressure(reading.scan.time_s, gauge_or_absolute)
        if self._coils.get_subscription_count():
            message = conversions.scan_to_message(reading.scan, reading.number, stamp, self._frame_id)
            self._coils.publish(message)
        self._on_scan(reading.scan, stamp, reading.number)

    def _publish_pressure(self, absolute_pa: float, stamp: Time) -> None:
        if self._pressure.get_subscription_count():
            message: Any = FluidPressure(fluid_pressure=absolute_pa)
            message.header.stamp = stamp
            message.header.frame_id = self._frame_id
            self._pressure.publish(message)
