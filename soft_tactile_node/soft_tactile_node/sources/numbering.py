"""Puts scans in the order in which the device counted them, and counts those that are missing."""

from __future__ import annotations

from collections import deque

from soft_tactile_node.sources.frames import Frame
from soft_tactile_node.sources.protocol import Counters

_WRAP = 2**32

REMEMBERED = 64
"""Scans back to which a duplicate is told from a late one; a counter further back means that the device restarted."""

LATE_IN_A_ROW = 8
"""So many scans in a row that are not new: the device restarted soon after its start."""


class Numbering:
    """Numbers the scans of one device without wrap; holds a few back where the way may swap them.

    Parameters
    ----------
    counters : Counters
        Where lost, late and duplicate scans and restarts are counted.
    patience : int
        Scans that are held back while an earlier one is missing; 0 where the way keeps the order (serial line).
    patience_s : float
        Longest time they are held back (s).
    """

    def __init__(self, counters: Counters, patience: int = 0, patience_s: float = 0.01) -> None:
        self._counters = counters
        self._patience, self._patience_s = patience, patience_s
        self._next: int | None = None  # as the device counts
        self._number = 0  # without wrap
        self._waiting: dict[int, tuple[Frame, float]] = {}
        self._recent: deque[int] = deque(maxlen=REMEMBERED)
        self._late_in_a_row = 0
        self.restarted = False

    def push(self, frame: Frame, arrival_s: float) -> list[tuple[int, Frame, float]]:
        """Return the scans that are in order now.

        Parameters
        ----------
        frame : Frame
            The frame that came.
        arrival_s : float
            When it came (s).

        Returns
        -------
        list of tuple
            Number without wrap, frame, its own arrival (s). `restarted` is True if the first one is the first after a
            restart of the device.
        """
        self.restarted = False
        if self._next is None:
            return [self._emit(frame, arrival_s)]
        ahead = (frame.scan - self._next + _WRAP // 2) % _WRAP - _WRAP // 2
        if ahead < 0:
            return self._take_old(frame, arrival_s, ahead)
        self._late_in_a_row = 0
        if ahead == 0:
            return [self._emit(frame, arrival_s), *self._drain()]
        if frame.scan in self._waiting:
            self._counters.duplicates += 1
            return []
        self._waiting[frame.scan] = (frame, arrival_s)
        return self.give_up(arrival_s)

    def give_up(self, now_s: float) -> list[tuple[int, Frame, float]]:
        """Return scans that have been held back long enough at `now_s` (s); what they waited for is lost."""
        out: list[tuple[int, Frame, float]] = []
        while self._waiting and (len(self._waiting) > self._patience or self._oldest_s() + self._patience_s <= now_s):
            nearest = min(self._waiting, key=lambda scan: (scan - (self._next or 0)) % _WRAP)
            gap = (nearest - (self._next or 0)) % _WRAP
            self._counters.lost += gap
            self._number += gap
            self._next = nearest
            out += self._drain()
        return out

    def _oldest_s(self) -> float:
        return min(arrival_s for _, arrival_s in self._waiting.values())

    def _emit(self, frame: Frame, arrival_s: float) -> tuple[int, Frame, float]:
        self._next = (frame.scan + 1) % _WRAP
        self._recent.append(frame.scan)
        self._number += 1
        return self._number - 1, frame, arrival_s

    def _drain(self) -> list[tuple[int, Frame, float]]:
        out = []
        while self._next in self._waiting:
            out.append(self._emit(*self._waiting.pop(self._next)))
        return out

    def _take_old(self, frame: Frame, arrival_s: float, ahead: int) -> list[tuple[int, Frame, float]]:
        self._late_in_a_row += 1
        if ahead < -REMEMBERED or self._late_in_a_row >= LATE_IN_A_ROW:
            self._counters.restarts += 1
            self._counters.lost += len(self._waiting)
            self._waiting.clear()
            self._recent.clear()
            self._late_in_a_row = 0
            self.restarted = True
            return [self._emit(frame, arrival_s)]
        if frame.scan in self._recent:
            self._counters.duplicates += 1
        else:
            self._counters.late += 1
        return []
