"""State of the grasp, from what all fingers of a gripper feel. No middleware, no clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FINGERS_TO_HOLD = 2
"""A grasp needs two opposed fingers."""

OPPOSED_RAD = math.pi + 2.0 * math.atan(0.5)
"""Widest gap between touching fingers around the palm that can still hold: a silicone pad has a friction coefficient of
at least 0.5, and two frictional contacts hold if the line between them lies in both friction cones (V.-D. Nguyen, Int.
J. Robotics Research 7(3) (1988) 3-16, recalled; the coefficient: common practice, no source)."""

RELEASING_SHARE = 0.8
"""Pressure below this share of the highest while holding means that the gripper lets go on purpose, and so does one
that falls as quickly as closing lets it rise: a finger that barely touches is free long before that share."""


class Grasp(IntEnum):
    """State of the grasp, numbered as in messages."""

    OPEN = 0
    CLOSING = 1
    TOUCHING = 2
    HOLDING = 3
    SLIPPING = 4
    LOST = 5


@dataclass
class FingerView:
    """Newest knowledge of one finger.

    Attributes
    ----------
    in_contact : bool
        Whether the pad touches.
    force_n : numpy.ndarray, shape (3,)
        Force in the pad frame (N); NaN = not observed.
    pressure_pa : float
        Gauge pressure (Pa); NaN = not known.
    bend_rad, bend_variance_rad2 : float
        Bend angle (rad) and its variance (rad^2); NaN = not known.
    slip_time_s : float
        When a slip was reported last (s); -inf = never.
    """

    in_contact: bool = False
    force_n: Array | None = None
    pressure_pa: float = math.nan
    bend_rad: float = math.nan
    bend_variance_rad2: float = math.nan
    slip_time_s: float = -math.inf


class GraspTracker:
    """Follows the state of the grasp.

    Parameters
    ----------
    closing_rate_pa_s : float
        Rise of pressure above which the gripper is said to close, and fall above which it lets go (Pa/s).
    slip_hold_s : float
        How long SLIPPING is shown after a slip (s).
    angles_rad : sequence of float
        Direction of each finger from the palm axis (rad); touching fingers hold if no side of the palm is open.
    """

    def __init__(
        self, closing_rate_pa_s: float, slip_hold_s: float, angles_rad: Sequence[float] = (0.0, math.pi)
    ) -> None:
        self._angles_rad = tuple(angles_rad)
        self.closing_rate_pa_s = closing_rate_pa_s
        self.slip_hold_s = slip_hold_s
        self.state = Grasp.OPEN
        self._peak_pa = 0.0
        self._slow_pa = math.nan
        self._time_s = math.nan

    def update(self, now_s: float, fingers: Sequence[FingerView]) -> Grasp:
        """Return the state at `now_s` (s) from what is known of the `fingers`."""
        pressure_pa = _mean_known([finger.pressure_pa for finger in fingers])
        rate_pa_s = self._pressure_rate(now_s, pressure_pa)
        touching = sum(finger.in_contact for finger in fingers)
        pressed = pressure_pa > RELEASING_SHARE * self._peak_pa
        if self._can_hold(fingers):
            self._peak_pa = max(self._peak_pa, pressure_pa) if self._was_holding() else pressure_pa
            slipped_s = max(finger.slip_time_s for finger in fingers)
            self.state = Grasp.SLIPPING if now_s - slipped_s <= self.slip_hold_s else Grasp.HOLDING
        elif self._was_holding() and pressed and rate_pa_s >= -self.closing_rate_pa_s:
            self.state = Grasp.LOST
        elif self.state != Grasp.LOST or not pressed:
            self.state = self._without_hold(touching, rate_pa_s)
        return self.state

    def _can_hold(self, fingers: Sequence[FingerView]) -> bool:
        """Return whether the touching fingers are opposed: no gap around the palm is wider than friction bridges."""
        around = sorted(a % math.tau for a, f in zip(self._angles_rad, fingers, strict=True) if f.in_contact)
        if len(around) < FINGERS_TO_HOLD:
            return False
        gaps = [b - a for a, b in zip(around, [*around[1:], around[0] + math.tau], strict=True)]
        return max(gaps) <= OPPOSED_RAD

    def _was_holding(self) -> bool:
        return self.state in (Grasp.HOLDING, Grasp.SLIPPING)

    def _without_hold(self, touching: int, rate_pa_s: float) -> Grasp:
        if touching:
            return Grasp.TOUCHING
        return Grasp.CLOSING if rate_pa_s > self.closing_rate_pa_s else Grasp.OPEN

    def _pressure_rate(self, now_s: float, pressure_pa: float, lag_s: float = 0.1) -> float:
        """Return the rise of pressure (Pa/s), smoothed over `lag_s`."""
        elapsed_s = now_s - self._time_s
        if math.isnan(pressure_pa):
            return 0.0
        if math.isnan(self._slow_pa) or not 0.0 <= elapsed_s <= 1.0:
            self._slow_pa, elapsed_s = pressure_pa, 0.0
        self._time_s = now_s
        behind_pa = pressure_pa - self._slow_pa
        self._slow_pa += behind_pa * (1.0 - math.exp(-elapsed_s / lag_s))
        return behind_pa / lag_s


def _mean_known(values: Sequence[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return sum(known) / len(known) if known else math.nan
