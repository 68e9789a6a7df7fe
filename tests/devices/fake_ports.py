"""The two ways a fake device sends: a pseudo terminal that can be unplugged, and datagrams."""

from __future__ import annotations

import os
import socket
import sys
import time
from collections import deque
from contextlib import suppress
from pathlib import Path

from soft_tactile_node.errors import SourceError

FIFO_BYTES = 1 << 16
"""What a device keeps while the host does not take it (bytes); more is not sent."""

NOBODY_S = 0.7
"""When the host has taken nothing for this long nobody reads: what is kept is thrown away (s)."""


class PtyPort:
    """A pseudo terminal under a name of one's own: to a reader it is a serial port.

    Parameters
    ----------
    link : pathlib.Path
        Name of the port; a link that is renewed with each plugging in.

    Raises
    ------
    SourceError
        The name is taken by a file, or this system has no pseudo terminals.
    """

    def __init__(self, link: Path) -> None:
        self._link = link
        self._master, self._slave = -1, -1
        self._fifo: deque[bytes] = deque()
        self._waiting = 0
        self._refused_s: float | None = None  # since when the host takes nothing
        self.not_sent = 0
        self.plug()

    def plug(self) -> None:
        """Make the port appear."""
        try:
            import tty  # not on Windows
        except ImportError:
            raise SourceError("pseudo terminals are not to be had on this system: use --udp") from None
        if self._link.exists() and not self._link.is_symlink():
            raise SourceError(f"{self._link}: is a file; name something that is not there yet")
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        beside = self._link.with_name(f".{self._link.name}.new")
        beside.unlink(missing_ok=True)
        beside.symlink_to(os.ttyname(self._slave))
        beside.replace(self._link)

    def unplug(self) -> None:
        """Make the port vanish, as when its cable is pulled."""
        self._link.unlink(missing_ok=True)
        for handle in (self._master, self._slave):
            with suppress(OSError):
                os.close(handle)
        self._master = self._slave = -1
        self._throw_away()

    def write(self, data: bytes) -> None:
        """Send `data`, or keep them until the host takes them; what does not fit is counted in `not_sent`."""
        if not data:
            return
        if self._master < 0 or self._waiting + len(data) > FIFO_BYTES:
            self.not_sent += 1
            return
        self._fifo.append(data)
        self._waiting += len(data)

    def flush(self) -> None:
        """Hand on what the host takes now."""
        while self._fifo and self._master >= 0:
            data = self._fifo.popleft()
            try:
                written = os.write(self._master, data)
            except BlockingIOError:
                written = 0
            self._waiting -= written
            if written < len(data):
                self._fifo.appendleft(data[written:])
                self._look_for_a_reader(time.monotonic())
                return
            self._refused_s = None

    def _look_for_a_reader(self, now_s: float) -> None:
        if self._refused_s is None:
            self._refused_s = now_s
        elif now_s - self._refused_s > NOBODY_S:
            self._throw_away()

    def _throw_away(self) -> None:
        self.not_sent += len(self._fifo)
        self._fifo.clear()
        self._waiting = 0

    @property
    def unread_bytes(self) -> int:
        """Bytes that were handed on and that nobody has read; 0 while it is unplugged."""
        import fcntl  # not on Windows
        import termios

        if self._slave < 0:
            return 0
        return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)

    def drain(self, limit_s: float) -> None:
        """Wait up to `limit_s` (s) until the host has taken everything."""
        end_s = time.monotonic() + limit_s
        while self._fifo and time.monotonic() < end_s:
            self.flush()
            time.sleep(0.002)

    def close(self) -> None:
        """Make the port vanish."""
        self.unplug()


class UdpPort:
    """Sends each frame in a datagram.

    Parameters
    ----------
    host : str
        Address of the reader.
    port : int
        Its port.
    """

    def __init__(self, host: str, port: int) -> None:
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
            self._socket = socket.socket(family, kind, protocol)
            self._address = address
        except OSError as error:
            raise SourceError(f"udp:{host}:{port}: no such address ({error.strerror or error})") from None
        self.not_sent = 0

    def write(self, data: bytes) -> None:
        """Send `data` in one datagram."""
        if not data:
            return
        try:
            self._socket.sendto(data, self._address)
        except OSError:  # nobody listens yet, or the network is down
            self.not_sent += 1

    def flush(self) -> None:
        """Do nothing: a datagram is gone at once."""

    def drain(self, limit_s: float) -> None:
        """Do nothing, for up to `limit_s` (s): a datagram is gone at once."""

    def close(self) -> None:
        """Send no more."""
        self._socket.close()
