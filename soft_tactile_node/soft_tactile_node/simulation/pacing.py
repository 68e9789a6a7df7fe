"""Keeps a stepped simulation in step with a clock it does not own."""

from __future__ import annotations

MOST_BEHIND_S = 0.1
"""Further behind than this, the simulation gives up the lost time instead of catching up in one burst."""


class Pacer:
    """Says how many steps are due.

    Parameters
    ----------
    rate_hz : float
        Steps in a second (Hz).
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._start_ns: int | None = None
        self._done = 0
        self.lost_s = 0.0

    def due(self, now_ns: int) -> list[int]:
        """Return the stamps (ns) of the steps due at `now_ns` (ns), in order; a clock that ran back starts afresh."""
        if self._start_ns is None or now_ns < self._stamp(self._done - 1):
            self._start_ns, self._done = now_ns, 0
        wanted = int((now_ns - self._start_ns) * 1e-9 * self._rate_hz) + 1
        most = max(int(MOST_BEHIND_S * self._rate_hz), 1)
        if wanted - self._done > most:
            missed = wanted - self._done - most
            self.lost_s += missed / self._rate_hz
            self._start_ns += round(missed / self._rate_hz * 1e9)
            wanted -= missed
        stamps = [self._stamp(number) for number in range(self._done, wanted)]
        self._done = max(self._done, wanted)
        return stamps

    def _stamp(self, number: int) -> int:
        return (self._start_ns or 0) + round(number / self._rate_hz * 1e9)
