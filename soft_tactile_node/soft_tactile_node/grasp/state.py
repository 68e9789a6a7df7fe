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


STEADY_SHARE, STEADY_LEAST_N, STEADY_S = 0.1, 0.02, 0.25
"""Forces stand still when their mean has stayed within a tenth, or 0.02 N, for a quarter of a second: what is squeezed
further rises quicker than that until little is missing."""


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
    holding_n : float
        Normal force that each touching finger needs before something counts as held (N); the forces have to stand
        still, too. Once held, it is held until a touch ends.

    Attributes
    ----------
    opposed : bool
        Whether the touching fingers could hold what is between them.
    """

    def __init__(
        self,
        closing_rate_pa_s: float,
        slip_hold_s: float,
        angles_rad: Sequence[float] = (0.0, math.pi),
        holding_n: float = 0.1,
    ) -> None:
        self._angles_rad = tuple(angles_rad)
        self.closing_rate_pa_s = closing_rate_pa_s
        self.slip_hold_s = slip_hold_s
        self.holding_n = holding_n
        self.state = Grasp.OPEN
        self.opposed = self._held = False
        self._still_n = self._still_since_s = math.nan
        self._peak_pa = 0.0
        self._slow_pa = math.nan
        self._time_s = math.nan

    def update(self, now_s: float, fingers: Sequence[FingerView]) -> Grasp:
        """Return the state at `now_s` (s) from what is known of the `fingers`."""
        pressure_pa = _mean_known([finger.pressure_pa for finger in fingers])
        rate_pa_s = self._pressure_rate(now_s, pressure_pa)
        touching = sum(finger.in_contact for finger in fingers)
        pressed = pressure_pa > RELEASING_SHARE * self._peak_pa
        self.opposed = self._can_hold(fingers)
        if self.opposed:
            self._peak_pa = max(self._peak_pa, pressure_pa) if self._held else pressure_pa
            firm = self._is_firm(now_s, fingers)
            slipped_s = max(finger.slip_time_s for finger in fingers)
            if (firm or self._held) and now_s - slipped_s <= self.slip_hold_s:
                self.state = Grasp.SLIPPING
            else:
                self._held |= firm and now_s - self._still_since_s >= STEADY_S
                self.state = Grasp.HOLDING if self._held else Grasp.TOUCHING
            return self.state
        if self._held and pressed and rate_pa_s >= -self.closing_rate_pa_s:
            self.state = Grasp.LOST
        elif self.state != Grasp.LOST or not pressed:
            self.state = self._without_hold(touching, rate_pa_s)
        self._held, self._still_n = False, math.nan
        return self.state

    def _is_firm(self, now_s: float, fingers: Sequence[FingerView]) -> bool:
        """Return whether every touching finger presses enough, and note since when the forces have stood still."""
        normals_n = [math.nan if f.force_n is None else float(f.force_n[2]) for f in fingers if f.in_contact]
        mean_n = sum(normals_n) / len(normals_n)
        if not abs(mean_n - self._still_n) <= max(STEADY_SHARE * self._still_n, STEADY_LEAST_N):
            self._still_n, self._still_since_s = mean_n, now_s
        return all(normal_n >= self.holding_n for normal_n in normals_n)  # NaN is not firm

    def _can_hold(self, fingers: Sequence[FingerView]) -> bool:
        """Return whether the touching fingers are opposed: no gap around the palm is wider than friction bridges."""
        around = sorted(a % math.tau for a, f in zip(self._angles_rad, fingers, strict=True) if f.in_contact)
        if len(around) < FINGERS_TO_HOLD:
            return False
        gaps = [b - a for a, b in zip(around, [*around[1:], around[0] + math.tau], strict=True)]
        return max(gaps) <= OPPOSED_RAD

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
