"""Which scans have waited so long in a queue that what they tell is not news any more."""

from __future__ import annotations

import math

IDLE_SHARE = 0.5
"""Who was idle for less than this share of the time between two scans (1) had the second one waiting."""


class Freshness:
    """Tells scans that waited from those that came in time, whatever the clock that stamps them shows.

    A scan that finds this side idle has not waited here: its age is the usual one. Late is a scan that did not find it
    idle, or came much later after the one before than the stamps say, and is older than usual by more than a limit. A
    source with another clock, or one that goes slower than its stamps, is not late.

    Parameters
    ----------
    limit_s : float
        How much older than usual a scan may be (s).
    """

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._usual_s = self._stamp_s = self._begun_s = self._done_s = -math.inf

    def is_late(self, stamp_s: float, now_s: float) -> bool:
        """Return whether a scan stamped `stamp_s` (s), taken up at `now_s` (s), waited too long; asked once each."""
        age_s, interval_s = now_s - stamp_s, stamp_s - self._stamp_s
        known = math.isfinite(self._stamp_s) and interval_s > 0.0 and now_s >= self._begun_s  # no clock ran back
        waited = now_s - self._done_s < IDLE_SHARE * interval_s
        delayed = now_s - self._begun_s > interval_s + self._limit_s
        if not (known and (waited or delayed)):
            self._usual_s = age_s
        self._stamp_s, self._begun_s = stamp_s, now_s
        return age_s - self._usual_s > self._limit_s

    def done(self, now_s: float) -> None:
        """Take note that the work on the scan has ended at `now_s` (s)."""
        self._done_s = now_s
