"""Scans from a device that sends datagrams, each of one or more whole frames."""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Callable, Mapping
from typing import Any

from soft_tactile_node.errors import SourceError
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.sources.frames import DELIMITER
from soft_tactile_node.sources.kinds import MakeOptions, Setting, SourceKind, SourceName
from soft_tactile_node.sources.protocol import Reading
from soft_tactile_node.sources.silence import Silence
from soft_tactile_node.sources.tank import Tank
from soft_tactile_node.sources.waiting import WaitingSource

RECEIVE_BUFFER = 1 << 20
"""Asked of the system, so that a busy reader loses nothing (bytes)."""

MOST_AT_ONCE = 256
"""Datagrams taken by one read."""

PATIENCE = 8
"""Scans held back for one that was overtaken on the way."""

OTHER_AFTER_S = 1.0
"""After this silence of the device another sender is listened to (s)."""


class UdpSource(WaitingSource):
    """A device that sends frames in datagrams.

    One sender is listened to: the first one heard. Another takes its place when it has been silent for a second.

    Parameters
    ----------
    host : str
        Address of this machine to listen on; 0.0.0.0 or :: = any.
    port : int
        UDP port.
    tank : Tank or None
        Turns raw counts into inductance.
    clock : callable
        Clock of the stamps (s).
    """

    def __init__(
        self, host: str, port: int, *, tank: Tank | None = None, clock: Callable[[], float] = time.time
    ) -> None:
        shown = f"[{host}]" if ":" in host else host
        name = f"udp:{shown}:{port}"
        silence = Silence(name, "check the address the device sends to, the port and the firewall")
        super().__init__(name, silence, clock, tank, PATIENCE)
        self._address = (host, port)
        self._socket: socket.socket | None = None
        self._sender: object = None
        self._heard_s = -OTHER_AFTER_S

    def _is_open(self) -> bool:
        return self._socket is not None

    def _read(self, timeout_s: float) -> list[Reading]:
        assert self._socket is not None
        readings: list[Reading] = []
        self._socket.settimeout(max(timeout_s, 1e-6))
        try:
            for _ in range(MOST_AT_ONCE):
                data, sender = self._socket.recvfrom(65535)
                readings += self._take(data, sender)
                self._socket.settimeout(0.0)
        except (TimeoutError, BlockingIOError):
            pass
        except OSError as error:
            self._lose(f"{self.name}: the network has gone ({error.strerror}): check the interface")
        # Scans that wait for one that was overtaken do not wait for the next datagram as well.
        return readings + self._device.feed(b"", self._clock())

    def close(self) -> None:
        """Listen no more."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _take(self, data: bytes, sender: object) -> list[Reading]:
        now_s = time.monotonic()
        if sender != self._sender:
            if now_s - self._heard_s < OTHER_AFTER_S:
                self.counters.foreign += 1
                return []
            if self._sender is not None:
                self._device.interrupted()
            self._sender = sender
        self._heard_s = now_s
        # Each datagram stands for itself: what is cut short in one must not run into the next.
        return self._device.feed(DELIMITER + data + DELIMITER, self._clock())

    def _try_to_open(self) -> None:
        host, port = self._address
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(
                host, port, type=socket.SOCK_DGRAM, flags=socket.AI_PASSIVE
            )[0]
            self._socket = socket.socket(family, kind, protocol)
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
            self._socket.bind(address)
        except OSError as error:
            self.close()
            self._fault = (
                f"{self.name}: cannot listen ({error.strerror or error}); name an address of this machine (0.0.0.0 = "
                "any) and a free port"
            )
            return
        self._begin()


class Udp(SourceKind):
    """Source `udp:HOST:PORT`."""

    is_device = True
    opened_to_check = True
    settings = (
        Setting(
            "udp_address",
            "0.0.0.0",  # noqa: S104 - the device is another machine; its frames cannot do anything but be read
            "Address of this machine to listen on (source `udp`); 0.0.0.0 = any.",
        ),
        Setting("udp_port", 7700, "UDP port to listen on (source `udp`).", 1, 65535),
    )

    def parse(self, text: str, target: str) -> SourceName:
        """Return address and port `target` of the source string `text`."""
        found = re.fullmatch(r"(?:\[(?P<v6>[^\]]+)\]|(?P<v4>[^:\[\]]+)):(?P<port>\d{1,9})", target)
        if not found:
            raise SourceError(
                f"source {text!r} must be {SOURCES['udp'].form}, the address of this machine to listen on (0.0.0.0 = "
                "any) and a port; IPv6 in brackets"
            )
        if not 1 <= int(found["port"]) <= 65535:
            raise SourceError(f"source {text!r}: the port must be 1 to 65535; got {found['port']}")
        return SourceName("udp", found["v6"] or found["v4"], int(found["port"]))

    def write(self, name: SourceName) -> str:
        """Return address and port of `name`."""
        return f"[{name.target}]:{name.number}" if ":" in name.target else f"{name.target}:{name.number}"

    def make(self, name: SourceName, options: MakeOptions) -> UdpSource:
        """Return the reader of `name` with tank and clock of `options`."""
        return UdpSource(name.target, name.number, tank=options.tank, clock=options.clock)

    def named_by(self, settings: Mapping[str, Any]) -> SourceName:
        """Return the address that the `settings` of a node name."""
        return SourceName("udp", settings["udp_address"], settings["udp_port"])


SOURCE = Udp()
"""The kind."""
