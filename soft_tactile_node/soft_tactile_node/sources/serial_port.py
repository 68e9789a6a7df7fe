"""Scans from a device on a serial port, also one that is unplugged and comes back."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from soft_tactile_node.errors import SourceError
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.sources.kinds import MakeOptions, Setting, SourceKind, SourceName
from soft_tactile_node.sources.protocol import Reading
from soft_tactile_node.sources.silence import Silence
from soft_tactile_node.sources.tank import Tank
from soft_tactile_node.sources.waiting import WaitingSource

DEFAULT_BAUD = 921600
"""Fast enough for 16 channels at 500 Hz, or 4 at 2 kHz (bit/s); a port on USB takes any."""

BAUD_RANGE = (50, 20_000_000)
"""Lowest and highest speed (bit/s)."""

BY_ID = Path("/dev/serial/by-id")
"""Where Linux names ports by maker, product and serial number, so that the name stays when the number changes."""


def port_names(by_id: Path = BY_ID) -> list[str]:
    """Return the ports of this machine: those of the folder `by_id` first, then those that have no name there."""
    named = _links(by_id)
    plain = [port.device for port in list_ports.comports() if Path(port.device).resolve() not in named.values()]
    return [*named, *sorted(plain)]


def _links(by_id: Path) -> dict[str, Path]:
    """Return the names by id with the ports behind them; none where there is no such folder (any more)."""
    try:
        return {str(link): link.resolve() for link in sorted(by_id.iterdir())}
    except OSError:
        return {}


class SerialSource(WaitingSource):
    """A device that sends frames over a serial port.

    Parameters
    ----------
    port : str
        Name of the port; best the one by id.
    baud : int
        Bits in a second (bit/s).
    tank : Tank or None
        Turns raw counts into inductance.
    clock : callable
        Clock of the stamps (s).
    by_id : pathlib.Path
        Folder of the names by id.
    """

    def __init__(
        self,
        port: str,
        baud: int,
        *,
        tank: Tank | None = None,
        clock: Callable[[], float] = time.time,
        by_id: Path = BY_ID,
    ) -> None:
        silence = Silence(f"serial port {port}", f"check the wiring, and that the device sends at {baud} baud")
        super().__init__(f"serial:{port}@{baud}", silence, clock, tank)
        self._port_name, self._baud, self._by_id = port, baud, by_id
        self._alias = ""
        self._port: serial.Serial | None = None

    def _is_open(self) -> bool:
        return self._port is not None

    def _read(self, timeout_s: float) -> list[Reading]:
        assert self._port is not None
        try:
            if self._port.timeout != timeout_s:  # setting it looks at the whole port anew
                self._port.timeout = timeout_s
            data = self._port.read(1)
            if data:
                data += self._port.read(self._port.in_waiting)
        except (OSError, serial.SerialException) as error:
            self._lose(f"serial port {self._port_name} has gone ({_reason(error)}): plug the device in again")
            return []
        return self._device.feed(data, self._clock())

    def close(self) -> None:
        """Close the port."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError, serial.SerialException):
                port.close()

    def _try_to_open(self) -> None:
        """Open the port under its name, or under the name by id it had last time."""
        error: Exception | None = None
        for name in filter(None, (self._port_name, self._alias)):
            try:
                self._port = serial.Serial(name, self._baud, timeout=0, exclusive=True)
            except (OSError, ValueError, serial.SerialException) as caught:
                error = error or caught
                continue
            self._take_up(name)
            return
        self._fault = self._refusal(error)

    def _take_up(self, name: str) -> None:
        assert self._port is not None
        # Adapters with a timer in them (16 ms) hold bytes back unless told otherwise; others do not know the word.
        with suppress(AttributeError, OSError, ValueError):
            self._port.set_low_latency_mode(True)
        here = Path(name).resolve()
        self._alias = next((link for link, port in _links(self._by_id).items() if port == here), self._alias)
        self._begin()

    def _refusal(self, error: Exception | None) -> str:
        what = f"serial port {self._port_name}"
        if isinstance(error, PermissionError) or getattr(error, "errno", None) == 13:
            return f"{what}: no right to open it; add yourself to its group (dialout on Debian and Ubuntu)"
        if Path(self._port_name).exists():
            return f"{what}: cannot be opened ({_reason(error)}); end the program that uses it"
        there = ", ".join(port_names(self._by_id)) or "none"
        return f"{what}: is not there; ports of this machine: {there}; plug the device in or name one of these"


def _reason(error: Exception | None) -> str:
    number = getattr(error, "errno", None)
    text = (getattr(error, "strerror", None) if number else None) or str(error)
    return " ".join(text.split())[:120]


class SerialPort(SourceKind):
    """Source `serial:PORT[@BAUD]`."""

    is_device = True
    settings = (
        Setting(
            "serial_port",
            "",
            "Serial port of the device (source `serial`); best by id, /dev/serial/by-id/..., which stays when others "
            "come.",
        ),
        Setting(
            "serial_baud",
            DEFAULT_BAUD,
            "Speed of the serial port in bits per second (source `serial`); USB devices take any.",
            *BAUD_RANGE,
        ),
    )

    def parse(self, text: str, target: str) -> SourceName:
        """Return port and baud rate `target` of the source string `text`."""
        port, at, baud = target.rpartition("@")
        if not at or not re.fullmatch(r"[+-]?\d+", baud):  # a port may have an @ of its own
            return SourceName("serial", target, DEFAULT_BAUD)
        if not port:
            raise SourceError(f"source {text!r} names no port; write {SOURCES['serial'].form}")
        if not BAUD_RANGE[0] <= int(baud) <= BAUD_RANGE[1]:
            raise SourceError(f"source {text!r}: the baud rate must be 50 to 20000000; got {baud}")
        return SourceName("serial", port, int(baud))

    def write(self, name: SourceName) -> str:
        """Return port and baud rate of `name`."""
        return f"{name.target}@{name.number}"

    def make(self, name: SourceName, options: MakeOptions) -> SerialSource:
        """Return the reader of `name` with tank and clock of `options`."""
        return SerialSource(name.target, name.number, tank=options.tank, clock=options.clock)

    def named_by(self, settings: Mapping[str, Any]) -> SourceName:
        """Return the port that the `settings` of a node name."""
        if not settings["serial_port"]:
            raise SourceError("parameter 'serial_port' must name a port with source: serial; got ''")
        return SourceName("serial", settings["serial_port"], settings["serial_baud"])


SOURCE = SerialPort()
"""The kind."""
