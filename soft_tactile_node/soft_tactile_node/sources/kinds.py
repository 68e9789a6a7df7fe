"""What is asked of each kind of source; one object a kind, in its own module, named in the registry."""

from __future__ import annotations

import math
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from soft_tactile_node.errors import SourceError
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.sources.protocol import Source
from soft_tactile_node.sources.tank import Tank


@dataclass(frozen=True)
class SourceName:
    """A source by its name, not opened.

    Attributes
    ----------
    kind : str
        First word of its name, one of `registry.SOURCES`.
    target : str
        Scenario, port, host, file or namespace.
    number : int
        Baud rate (bit/s) or UDP port; 0 for the others.
    """

    kind: str
    target: str
    number: int = 0

    def __str__(self) -> str:
        kind: SourceKind = SOURCES[self.kind].load()
        return f"{self.kind}:{kind.write(self)}"


class Setting(NamedTuple):
    """A parameter of a node that tells a source what to read; fields as of `ros.parameters.spec.ParameterSpec`."""

    name: str
    default: str | int | float | bool
    text: str
    low: float = -math.inf
    high: float = math.inf


@dataclass(frozen=True)
class MakeOptions:
    """How a source is to run.

    Attributes
    ----------
    tank : Tank or None
        Turns raw counts of a device into inductance.
    clock : callable
        Clock that stamps what a device sends and paces a recording (s).
    paced : bool
        True plays recordings and simulations as they were taken, False as fast as they are read.
    """

    tank: Tank | None = None
    clock: Callable[[], float] = field(default=time.time)
    paced: bool = True


class SourceKind(ABC):
    """One kind of source.

    Attributes
    ----------
    settings : tuple of Setting
        Parameters of the nodes that name it; empty = the nodes do not read it by themselves.
    is_device : bool
        Whether a device sends frames: it lives in real time, and may send raw counts.
    opened_to_check : bool
        Whether a node opens it once while it is configured, to find out what is wrong.
    bare : str
        What is read where only the kind is named; empty = a name must follow.
    not_led : str
        Why a finger that is read so cannot be led through a calibration on the page; empty = it can.
    """

    settings: tuple[Setting, ...] = ()
    is_device: bool = False
    opened_to_check: bool = False
    bare: str = ""
    not_led: str = ""

    @abstractmethod
    def parse(self, text: str, target: str) -> SourceName:
        """Return what `target`, the part of the source string `text` after the colon, names; SourceError if wrong."""

    def write(self, name: SourceName) -> str:
        """Return the part of the source string after the colon that means `name`."""
        return name.target

    @abstractmethod
    def make(self, name: SourceName, options: MakeOptions) -> Source:
        """Return the source `name`, to be opened, to run by `options`; SourceError where a library is missing."""

    def named_by(self, settings: Mapping[str, Any]) -> SourceName:
        """Return what the `settings` of a node name; SourceError names the one that is wrong."""
        raise SourceError(f"a node does not read this kind of source by itself; got {dict(settings)}")
