"""The force cell of a bench: lines of text with one or three numbers in newtons, over a serial port or UDP."""

from __future__ import annotations

import re
import socket
import time
from typing import Any

import numpy as np

from soft_tactile_node.errors import SourceError
from soft_tactile_node.samples import Array
from soft_tactile_node.sources import parse_source

LONGEST_LINE = 200
"""More bytes without an end of line are no line."""

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


class ForceCell:
    """Reads a force cell beside the finger.

    Parameters
    ----------
    text : str
        `serial:PORT[@BAUD]` or `udp:HOST:PORT`.

    Raises
    ------
    SourceError
        Another form, or the port cannot be opened.
    """

    def __init__(self, text: str) -> None:
        name = parse_source(text)
        self._text = text
        self._rest = b""
        self._stream: Any = None
        self._socket: socket.socket | None = None
        self.force_n = np.full(3, np.nan)
        try:
            if name.kind == "serial":
                import serial

                self._stream = serial.Serial(name.target, name.number, timeout=0)
            elif name.kind == "udp":
                family = socket.AF_INET6 if ":" in name.target else socket.AF_INET
                self._socket = socket.socket(family, socket.SOCK_DGRAM)
                self._socket.bind((name.target, name.number))
                self._socket.setblocking(False)
        except OSError as error:  # of a serial port, too
            raise SourceError(f"force cell {text}: cannot be opened ({error.strerror or error}); check it") from None
        if self._stream is None and self._socket is None:
            raise SourceError(f"force cell must be serial:PORT[@BAUD] or udp:HOST:PORT; got {text!r}")

    def read(self) -> list[tuple[float, Array]]:
        """Return what came since the last call: times on the clock of the host (s), and forces, shape (3,) (N).

        One number is the normal force; three are x, y, z of the pad frame. Other lines are left out.

        Raises
        ------
        SourceError
            The port has gone.
        """
        now_s = time.time()
        try:
            data = self._stream.read(4096) if self._stream is not None else self._datagrams()
        except OSError as error:
            raise SourceError(f"force cell {self._text}: has gone ({error.strerror or error})") from None
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[-LONGEST_LINE:]
        found = [force for line in lines if (force := parse_force(line)) is not None]
        if found:
            self.force_n = found[-1]
        return [(now_s, force) for force in found]

    def close(self) -> None:
        """Let go of the port."""
        for port in (self._stream, self._socket):
            if port is not None:
                port.close()

    def _datagrams(self) -> bytes:
        assert self._socket is not None
        came = b""
        try:
            while len(came) < 1 << 16:
                came += self._socket.recv(4096).rstrip(b"\n") + b"\n"
        except BlockingIOError:
            pass
        return came


def parse_force(line: bytes) -> Array | None:
    """Return the force a line tells.

    Parameters
    ----------
    line : bytes
        One or three numbers (N), separated by anything but digits, points and signs.

    Returns
    -------
    numpy.ndarray, shape (3,), or None
        Force (N), NaN = not told; None = the line is no reading.
    """
    numbers = [float(number) for number in NUMBER.findall(line[-LONGEST_LINE:].decode("ascii", "replace"))]
    if len(numbers) == 1:
        return np.array([0.0, 0.0, numbers[0]])
    return np.array(numbers) if len(numbers) == 3 else None
