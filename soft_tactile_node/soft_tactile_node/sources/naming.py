"""Sources by name, as on the command line: `serial:/dev/ttyACM0`, `udp:0.0.0.0:7700`, `recording:pick.csv`."""

from __future__ import annotations

import time
from collections.abc import Callable

from soft_tactile_node.errors import SourceError
from soft_tactile_node.registry import SOURCES, source_forms
from soft_tactile_node.sources.kinds import MakeOptions, SourceKind, SourceName
from soft_tactile_node.sources.protocol import Source
from soft_tactile_node.sources.tank import Tank


def parse_source(text: str) -> SourceName:
    """Return what a source string means.

    Parameters
    ----------
    text : str
        In one of the forms of `registry.source_forms`.

    Returns
    -------
    SourceName
        Its parts, checked.

    Raises
    ------
    SourceError
        One line: what it must be and what it is.
    """
    word, colon, target = text.partition(":")
    kind: SourceKind | None = SOURCES[word].load() if word in SOURCES else None
    if kind is None or not (colon or kind.bare):
        raise SourceError(f"source must be one of {source_forms()}; got {text!r}")
    if not colon:
        target = kind.bare
    elif not target and not kind.bare:
        raise SourceError(f"source {text!r} names nothing; write {SOURCES[word].form}")
    return kind.parse(text, target)


def make_source(
    name: SourceName,
    *,
    tank: Tank | None = None,
    clock: Callable[[], float] = time.time,
    paced: bool = True,
) -> Source:
    """Return a source, not opened yet.

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
        The source is on ROS 2 and that is missing.
    """
    kind: SourceKind = SOURCES[name.kind].load()
    return kind.make(name, MakeOptions(tank, clock, paced))
