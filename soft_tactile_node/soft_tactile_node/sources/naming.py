"""Sources by name, as on the command line: `serial:/dev/ttyACM0`, `udp:0.0.0.0:7700`, `recording:pick.csv`."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass

from soft_tactile_node.errors import SourceError
from soft_tactile_node.sources.protocol import Source
from soft_tactile_node.sources.tank import Tank
from soft_tactile_node.words import SCENARIOS, SOURCE_FORMS

DEFAULT_SCENARIO = "pick-bun"
DEFAULT_BAUD = 921600
"""Fast enough for 16 channels at 500 Hz, or 4 at 2 kHz (bit/s); a port on USB takes any."""


@dataclass(frozen=True)
class SourceName:
    """A source by its name, not opened.

    Attributes
    ----------
    kind : str
        `simulated`, `serial`, `udp`, `recording` or `ros`.
    target : str
        Scenario, port, host, file or namespace.
    number : int
        Baud rate (bit/s) or UDP port; 0 for the others.
    """

    kind: str
    target: str
    number: int = 0

    def __str__(self) -> str:
        if self.kind == "serial":
            return f"serial:{self.target}@{self.number}"
        if self.kind == "udp":
            host = f"[{self.target}]" if ":" in self.target else self.target
            return f"udp:{host}:{self.number}"
        return f"{self.kind}:{self.target}"


def parse_source(text: str) -> SourceName:
    """Return what a source string means.

    Parameters
    ----------
    text : str
        In one of SOURCE_FORMS.

    Returns
    -------
    SourceName
        Its parts, checked.

    Raises
    ------
    SourceError
        One line: what it must be and what it is.
    """
    kind, colon, target = text.partition(":")
    if kind == "simulated":
        return SourceName(kind, _scenario(text, target if colon else DEFAULT_SCENARIO))
    if kind not in _PARSERS or not colon:
        raise SourceError(f"source must be one of {SOURCE_FORMS}; got {text!r}")
    if not target:
        raise SourceError(f"source {text!r} names nothing; write {_form(kind)}")
    return _PARSERS[kind](text, target)


def _form(kind: str) -> str:
    return next(form for form in SOURCE_FORMS.split(", ") if form.startswith(kind))


def _scenario(text: str, scenario: str) -> str:
    if scenario not in SCENARIOS:
        raise SourceError(f"source {text!r}: the scenario must be one of {', '.join(SCENARIOS)}; got {scenario!r}")
    return scenario


def _parse_serial(text: str, target: str) -> SourceName:
    port, at, baud = target.rpartition("@")
    if not at or not re.fullmatch(r"[+-]?\d+", baud):  # a port may have an @ of its own
        return SourceName("serial", target, DEFAULT_BAUD)
    if not port:
        raise SourceError(f"source {text!r} names no port; write {_form('serial')}")
    if not 50 <= int(baud) <= 20_000_000:
        raise SourceError(f"source {text!r}: the baud rate must be 50 to 20000000; got {baud}")
    return SourceName("serial", port, int(baud))


def _parse_udp(text: str, target: str) -> SourceName:
    found = re.fullmatch(r"(?:\[(?P<v6>[^\]]+)\]|(?P<v4>[^:\[\]]+)):(?P<port>\d{1,9})", target)
    if not found:
        raise SourceError(
            f"source {text!r} must be {_form('udp')}, the address of this machine to listen on (0.0.0.0 = any) and a "
            "port; IPv6 in brackets"
        )
    if not 1 <= int(found["port"]) <= 65535:
        raise SourceError(f"source {text!r}: the port must be 1 to 65535; got {found['port']}")
    return SourceName("udp", found["v6"] or found["v4"], int(found["port"]))


def _parse_recording(_text: str, target: str) -> SourceName:
    return SourceName("recording", target)


def _parse_ros(text: str, target: str) -> SourceName:
    if not re.fullmatch(r"/([A-Za-z_]\w*(/[A-Za-z_]\w*)*)?", target):
        raise SourceError(f"source {text!r}: the namespace must look like /left_finger; got {target!r}")
    return SourceName("ros", target)


_PARSERS: dict[str, Callable[[str, str], SourceName]] = {
    "serial": _parse_serial,
    "udp": _parse_udp,
    "recording": _parse_recording,
    "ros": _parse_ros,
}


def make_source(
    name: SourceName,
    *,
    tank: Tank | None = None,
    clock: Callable[[], float] = time.time,
    paced: bool = True,
) -> Source:
    """Return a source, not opened yet. One on ROS 2 is made in `soft_tactile_node.ros.feeds.topics` instead.

    Parameters
    ----------
    name : SourceName
        Which.
    tank : Tank or None
        Turns raw counts of a device into inductance.
    clock : callable
        Clock that stamps what a device sends and paces a recording (s).
    paced : bool
        True plays recordings and simulations as they were taken, False as fast as they are read.

    Returns
    -------
    Source
        To be opened.

    Raises
    ------
    SourceError
        The source is on ROS 2, or a library for it is missing.
    """
    if name.kind == "serial":
        from soft_tactile_node.sources.serial_port import SerialSource

        return SerialSource(name.target, name.number, tank=tank, clock=clock)
    if name.kind == "udp":
        from soft_tactile_node.sources.udp import UdpSource

        return UdpSource(name.target, name.number, tank=tank, clock=clock)
    if name.kind in ("recording", "simulated"):
        from soft_tactile_node.sources.recorded import RecordedSource, load_by_name

        return RecordedSource(str(name), lambda: load_by_name(name.kind, name.target), clock=clock, paced=paced)
    raise SourceError(f"source {name} is on ROS 2: it needs the ROS 2 part of this package")
