"""Says in a sentence why an open line gives no scans."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 1.0
"""A line may be silent this long before it is remarked (s)."""


class Silence:
    """Watches a line by its two counts: bytes and scans.

    Parameters
    ----------
    what : str
        The line in words.
    advice : str
        What to do if nothing useful comes.
    clock : callable
        Steady clock (s).
    """

    def __init__(self, what: str, advice: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._what, self._advice, self._clock = what, advice, clock
        self.begin(0, 0)

    def begin(self, received: int, scans: int) -> None:
        """Start to watch, with `received` bytes and `scans` scans counted already."""
        self._counts = (received, scans)
        self._bytes_s = self._scans_s = self._clock()

    def fault(self, received: int, scans: int) -> str:
        """Return what is wrong and what to do, after bytes `received` and `scans` (1); empty while scans come."""
        now_s = self._clock()
        if received != self._counts[0]:
            self._bytes_s = now_s
        if scans != self._counts[1]:
            self._scans_s = now_s
        self._counts = (received, scans)
        if now_s - self._scans_s <= PATIENCE_S:
            return ""
        if now_s - self._bytes_s <= PATIENCE_S:
            return f"{self._what}: bytes come, but no frame of this package among them; {self._advice}"
        return f"{self._what}: is open, but nothing comes; {self._advice}"
