"""What a grasp tells of the object: width from the bends at contact, compliance from force against closure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

CONTACT_S = 0.04
"""Bends of this first piece of a hold make the width (s)."""

REST_S = 0.4
"""A squeeze has ended when the force has not risen for this long (s)."""

LEAST_SPAN_N = 0.15
"""Least rise of force that a compliance is taken from (N)."""

LEAST_SAMPLES = 10

CLOSURE_SHARE = 0.15
"""Standard uncertainty of how far a loaded finger moves on, as a share (1): its bend is inferred from pressure and
force. Found on simulated grasps of several fingers (tests/benchmarks/grasps.py)."""


@dataclass(frozen=True)
class OwnCompliance:
    """What the gripper itself gives way on a rigid object, to be taken off that of the object.

    Best found by gripping something rigid: half of the compliance that is then shown with a `pad_m_n` of 0. So found it
    also takes off what the bend estimate is off under load, and may be negative.

    Attributes
    ----------
    pad_m_n : float
        Compliance of one pad (m/N); NaN = not known, then no compliance comes out.
    deviation_m_n : float
        Its standard uncertainty, the same for both pads (m/N).
    """

    pad_m_n: float = math.nan
    deviation_m_n: float = 0.0


class HeldObject:
    """Follows one hold from the first common touch on.

    Parameters
    ----------
    own : OwnCompliance
        Of the gripper's pads.
    """

    def __init__(self, own: OwnCompliance) -> None:
        self.own = own
        self.clear()

    def clear(self) -> None:
        """Forget the object; the next sample begins a new hold."""
        self._start_s = math.nan
        self._contact = np.zeros(4)  # count, gap, its variance, force
        self._sums = np.zeros(6)  # 1, f, w, ff, fw, ww of the squeeze, w from the first gap
        self._highest_n, self._lowest_n = -math.inf, math.inf
        self._risen_s = math.nan
        self._first_gap_m = math.nan

    def add(self, time_s: float, force_n: float, gap_m: float, gap_variance_m2: float) -> None:
        """Take up one moment of the hold.

        Parameters
        ----------
        time_s : float
            When (s).
        force_n : float
            Mean normal force of the touching pads (N); a moment in which it is not known is left out.
        gap_m, gap_variance_m2 : float
            Distance between the pads (m) and its variance (m^2); NaN = not known, left out.
        """
        if not (math.isfinite(force_n) and math.isfinite(gap_m) and math.isfinite(gap_variance_m2)):
            return
        if math.isnan(self._start_s):
            self._start_s = self._risen_s = time_s
            self._first_gap_m = gap_m
        if time_s - self._start_s <= CONTACT_S:
            self._contact += (1.0, gap_m, gap_variance_m2, force_n)
        if force_n > self._highest_n and time_s - self._risen_s <= REST_S:
            self._risen_s, self._highest_n = time_s, force_n
            self._lowest_n = min(self._lowest_n, force_n)
            w = gap_m - self._first_gap_m
            self._sums += (1.0, force_n, w, force_n**2, force_n * w, w**2)

    def width(self) -> tuple[float, float]:
        """Return the width of the undeformed object.

        Returns
        -------
        width_m : float
            Distance between the pads at contact plus what pads and object had given way by then, as far as the squeeze
            has shown it (m); NaN = not known.
        variance_m2 : float
            Variance of the bends at contact, fully common to all moments, and of what was added (m^2).
        """
        if not self._contact[0]:
            return math.nan, math.nan
        gap_m, variance_m2, force_n = (self._contact[1:] / self._contact[0]).tolist()
        slope_m_n, slope_variance = self._closure()
        if math.isnan(slope_m_n):
            return gap_m, variance_m2
        # a finger that has just been stopped is held by its own friction, so that it may not have given way at all yet:
        # rectangular from nothing to all of it, mean square about the end (JCGM 100:2008, 4.3.7)
        own_m = 2.0 * self.own.pad_m_n * force_n if math.isfinite(self.own.pad_m_n) else 0.0
        return gap_m + slope_m_n * force_n, variance_m2 + slope_variance * force_n**2 + own_m**2 / 3.0

    def compliance(self) -> tuple[float, float]:
        """Return how much narrower the object gets per newton, the pads' own part taken off.

        Returns
        -------
        compliance_m_n : float
            Compliance (m/N); NaN until the force has risen enough.
        variance_m2_n2 : float
            Its variance (m^2/N^2).
        """
        slope_m_n, variance = self._closure()
        value_m_n = slope_m_n - 2.0 * self.own.pad_m_n
        return value_m_n, variance + 4.0 * self.own.deviation_m_n**2 + (CLOSURE_SHARE * value_m_n) ** 2

    def _closure(self) -> tuple[float, float]:
        """Return how much the pads come nearer per newton (m/N) while squeezing, and its variance (m^2/N^2).

        Only moments with more force than ever before in this hold count, so that creep during a rest does not tilt the
        line. What is left beside the line is creep and curvature, not noise: it is counted once and not averaged away.
        """
        count, f, w, ff, fw, ww = self._sums.tolist()
        if count < LEAST_SAMPLES or self._highest_n - self._lowest_n < LEAST_SPAN_N:
            return math.nan, math.nan
        spread = ff / count - (f / count) ** 2
        slope = (fw / count - f * w / count**2) / spread
        residual = max(ww / count - (w / count) ** 2 - slope**2 * spread, 0.0)
        return -slope, residual / spread
