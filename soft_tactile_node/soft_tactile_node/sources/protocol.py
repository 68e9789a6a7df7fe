"""What every source of scans looks like from outside: open, read, close, and what it counts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from soft_tactile_node.samples import Scan


@dataclass(frozen=True)
class Reading:
    """One scan with what came along with it.

    Attributes
    ----------
    scan : Scan
        Inductances, loss and temperature; stamped on the clock of the host (s), jitter of the way removed.
    number : int
        Running number of the scan, from 0, never decreasing; a gap means that scans were lost.
    pressure_pa : float
        Pressure of the finger (Pa); NaN = no new reading since the last scan.
    pressure_is_absolute : bool
        Whether `pressure_pa` counts from vacuum; False = from the surroundings (gauge).
    """

    scan: Scan
    number: int
    pressure_pa: float = math.nan
    pressure_is_absolute: bool = False


@dataclass
class Counters:
    """What a source has counted since it was made.

    Attributes
    ----------
    scans : int
        Scans handed out.
    lost : int
        Scans the device numbered that never came, or came too late.
    late : int
        Scans that came after they were given up; they are not handed out.
    duplicates : int
        Scans that came twice.
    bad_frames : int
        Runs of bytes between two delimiters that were no frame: cut short, changed on the way, of another version.
    other_channels : int
        Frames with another number of channels than the first one; they are not handed out.
    foreign : int
        Datagrams from another sender than the one listened to.
    restarts : int
        Times the device began to count anew.
    reconnects : int
        Times the port came back.
    clock_steps : int
        Times the clock of the host or of the device jumped, so that the two were matched anew.
    """

    scans: int = 0
    lost: int = 0
    late: int = 0
    duplicates: int = 0
    bad_frames: int = 0
    other_channels: int = 0
    foreign: int = 0
    restarts: int = 0
    reconnects: int = 0
    clock_steps: int = 0


class Source(Protocol):
    """A stream of readings. Used by one thread at a time."""

    name: str
    """The source as it is named on the command line."""

    counters: Counters

    @property
    def fault(self) -> str:
        """Why nothing comes, in one sentence with what to do; empty while all is well."""

    @property
    def ended(self) -> bool:
        """Whether nothing will ever come again."""

    def open(self) -> None:
        """Get ready; a SourceError says why it cannot be used. A missing port is looked for again by `read`."""

    def read(self, timeout_s: float) -> list[Reading]:
        """Return what has come, in order; waits up to `timeout_s` (s) for the first, and comes back empty then.

        A device that vanishes is no error here: it is looked for until it is back, and `fault` says so meanwhile.
        """

    def close(self) -> None:
        """Let go of everything; may be opened again."""
