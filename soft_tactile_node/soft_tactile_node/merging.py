"""Which pressure reading belongs to which scan, and what it is above the vented line. One rule, live and from files."""

from __future__ import annotations

import math
from collections import deque

MOST_VENTED_PA = 110e3
"""No vented line on Earth reads more than this (Pa absolute): anything above is a pressurised finger."""

MAX_WAITING = 2000
"""Readings kept for scans that have not come yet; older ones are dropped."""


LOWER_PA, LOWER_READINGS = 200.0, 5
"""So many readings on end that are lower by more than this (Pa) were no noise: the line was still being vented."""


class PressureMerge:
    """Hands each scan the newest pressure reading that is not younger than the scan and was not handed out before.

    Pressure has its own, usually slower clock: a scan without a new reading gets NaN, which the estimator
    takes as "hold the last one, with growing variance".
    """

    def __init__(self) -> None:
        self._waiting: deque[tuple[float, float]] = deque(maxlen=MAX_WAITING)

    def add(self, time_s: float, pressure_pa: float) -> None:
        """Keep a reading of `pressure_pa` (Pa) taken at `time_s` (s) for the scans to come."""
        self._waiting.append((time_s, pressure_pa))

    def take(self, time_s: float) -> float:
        """Return the reading for the scan at `time_s`.

        Parameters
        ----------
        time_s : float
            Time of the scan (s), same clock as the readings.

        Returns
        -------
        float
            Newest waiting reading with a time up to `time_s` (Pa); NaN = none is new.
        """
        newest = math.nan
        while self._waiting and self._waiting[0][0] <= time_s:
            newest = self._waiting.popleft()[1]
        return newest

    def clear(self) -> None:
        """Forget what is waiting."""
        self._waiting.clear()


class VentedReference:
    """Atmospheric pressure as the vented line shows it during a tare, or as it was given.

    A line that is still being vented when the tare begins is followed on its way down, or no reading would ever count
    as vented; one that rises is not.

    Parameters
    ----------
    atmospheric_pa : float
        Absolute pressure of the vented line (Pa); NaN = mean of the readings of the tare.
    """

    def __init__(self, atmospheric_pa: float = math.nan) -> None:
        self.is_given = math.isfinite(atmospheric_pa)
        self._value_pa = atmospheric_pa
        self.begin()

    @property
    def value_pa(self) -> float:
        """Reference in use (Pa absolute); NaN before the first reading."""
        return self._value_pa

    def assume(self, value_pa: float) -> None:
        """Go on with `value_pa` (Pa absolute) of an earlier tare until the next one, unless one was given."""
        if not self.is_given:
            self._value_pa = value_pa

    def begin(self) -> None:
        """Start a tare: the mean is taken afresh, the old reference stays in use until it ends."""
        self._sum_pa = 0.0
        self._count = 0
        self._lower = 0

    def add(self, absolute_pa: float) -> None:
        """Count `absolute_pa`, read during the tare; the very first reading serves until the mean is known."""
        self._lower = self._lower + 1 if absolute_pa < self._value_pa - LOWER_PA else 0
        if math.isnan(self._value_pa) or (self._lower >= LOWER_READINGS and not self.is_given):
            self.begin()
            self._value_pa = absolute_pa
        self._sum_pa += absolute_pa
        self._count += 1

    def finish(self) -> None:
        """End the tare: the mean of its readings becomes the reference, unless one was given."""
        if self._count and not self.is_given:
            self._value_pa = self._sum_pa / self._count
