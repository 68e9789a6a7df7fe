"""What the fingers of a gripper know together: grasp state and palm-frame quantities. No middleware, no clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.physics.kinematics import pad_position_formula, rotation_y

Array = NDArray[np.float64]

FINGERS_TO_HOLD = 2
"""A grasp needs two opposed fingers."""

RELEASING_SHARE = 0.8
"""Pressure below this share of the highest while holding means that the gripper lets go on purpose."""


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
    time_s : float
        When it was heard last (s); -inf = never.
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

    time_s: float = -math.inf
    in_contact: bool = False
    force_n: Array | None = None
    pressure_pa: float = math.nan
    bend_rad: float = math.nan
    bend_variance_rad2: float = math.nan
    slip_time_s: float = -math.inf

    def is_alive(self, now_s: float, timeout_s: float) -> bool:
        """Return whether it was heard within `timeout_s` (s) of `now_s` (s)."""
        return now_s - self.time_s <= timeout_s


class GraspTracker:
    """Follows the state of the grasp.

    Parameters
    ----------
    closing_rate_pa_s : float
        Rise of pressure above which the gripper is said to close (Pa/s).
    slip_hold_s : float
        How long SLIPPING is shown after a slip (s).
    """

    def __init__(self, closing_rate_pa_s: float, slip_hold_s: float) -> None:
        self.closing_rate_pa_s = closing_rate_pa_s
        self.slip_hold_s = slip_hold_s
        self.state = Grasp.OPEN
        self._peak_pa = 0.0
        self._slow_pa = math.nan
        self._time_s = math.nan

    def update(self, now_s: float, fingers: Sequence[FingerView]) -> Grasp:
        """Return the state at `now_s` (s) from what is known of the fingers."""
        pressure_pa = _mean_known([finger.pressure_pa for finger in fingers])
        rate_pa_s = self._pressure_rate(now_s, pressure_pa)
        touching = sum(finger.in_contact for finger in fingers)
        if touching >= FINGERS_TO_HOLD:
            self._peak_pa = max(self._peak_pa, pressure_pa) if self._was_holding() else pressure_pa
            slipped_s = max(finger.slip_time_s for finger in fingers)
            self.state = Grasp.SLIPPING if now_s - slipped_s <= self.slip_hold_s else Grasp.HOLDING
        elif self._was_holding() and pressure_pa > RELEASING_SHARE * self._peak_pa:
            self.state = Grasp.LOST
        elif self.state != Grasp.LOST or not pressure_pa > RELEASING_SHARE * self._peak_pa:
            self.state = self._without_hold(touching, rate_pa_s)
        return self.state

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


@dataclass(frozen=True)
class PalmGeometry:
    """Where the finger roots sit on the palm.

    Palm frame: origin on the palm axis in the plane of the roots, z out of the palm towards the object. A root at
    angle a about z has x along palm z, leaning outward by the tilt, z outward and y = z cross x.

    Attributes
    ----------
    angles_rad : tuple of float
        Direction of each root from the palm axis (rad).
    root_radius_m : float
        Distance of the roots from the palm axis (m); NaN = not known.
    arc_length_m : float
        Neutral line from root to pad (m); NaN = not known.
    surface_offset_m : float
        Neutral line to pad surface (m); NaN = not known.
    tilt_rad : float
        Angle by which the straight fingers lean outward (rad).
    """

    angles_rad: tuple[float, ...]
    root_radius_m: float = math.nan
    arc_length_m: float = math.nan
    surface_offset_m: float = math.nan
    tilt_rad: float = 0.0

    def root_to_palm(self, finger: int) -> Array:
        """Return the rotation from the root frame of `finger` to the palm frame, shape (3, 3) (1)."""
        c, s = math.cos(self.angles_rad[finger]), math.sin(self.angles_rad[finger])
        upright = np.array([[0.0, s, c], [0.0, -c, s], [1.0, 0.0, 0.0]])
        return upright @ rotation_y(-self.tilt_rad)

    def pad_radius_m(self, bend_rad: float) -> float:
        """Return the distance of a pad from the palm axis (m) at a bend (rad)."""
        along_m, outward_m = pad_position_formula(bend_rad, self.arc_length_m, self.surface_offset_m)
        return self.root_radius_m + math.sin(self.tilt_rad) * along_m + math.cos(self.tilt_rad) * outward_m


def palm_forces(geometry: PalmGeometry, fingers: Sequence[FingerView]) -> tuple[Array, Array]:
    """Return what the object applies to all touching pads, in the palm frame.

    Parameters
    ----------
    geometry : PalmGeometry
        Angles are needed, lengths are not.
    fingers : sequence of FingerView
        In the order of the angles; those that do not touch count as zero.

    Returns
    -------
    total_n : numpy.ndarray, shape (3,)
        Sum of normal and shear forces (N); NaN if an axis or a bend of a touching finger is not known.
    imbalance_n : numpy.ndarray, shape (3,)
        Sum of the normal forces alone (N); 0 when the pads squeeze evenly.
    """
    total_n, imbalance_n = np.zeros(3), np.zeros(3)
    for number, finger in enumerate(fingers):
        if not finger.in_contact:
            continue
        force_n = np.full(3, np.nan) if finger.force_n is None else finger.force_n
        turn = geometry.root_to_palm(number) @ rotation_y(finger.bend_rad)
        total_n += turn @ force_n
        imbalance_n += turn @ np.array([0.0, 0.0, force_n[2]])
    return total_n, imbalance_n


def object_width(geometry: PalmGeometry, fingers: Sequence[FingerView]) -> tuple[float, float]:
    """Return the width between the touching pads: twice their mean distance from the palm axis.

    Parameters
    ----------
    geometry : PalmGeometry
        With all lengths, else NaN comes out.
    fingers : sequence of FingerView
        In the order of the angles.

    Returns
    -------
    width_m : float
        Width (m); NaN unless two fingers touch and their bends are known.
    variance_m2 : float
        Its variance from those of the bends (m^2), to first order.
    """
    held = [finger for finger in fingers if finger.in_contact]
    if len(held) < FINGERS_TO_HOLD:
        return math.nan, math.nan
    step_rad = 1e-4
    radii, variance = 0.0, 0.0
    for finger in held:
        radii += geometry.pad_radius_m(finger.bend_rad)
        above = geometry.pad_radius_m(finger.bend_rad + step_rad)
        below = geometry.pad_radius_m(finger.bend_rad - step_rad)
        variance += ((above - below) / (2.0 * step_rad)) ** 2 * finger.bend_variance_rad2
    return 2.0 * radii / len(held), 4.0 * variance / len(held) ** 2


class ComplianceEstimate:
    """Compliance of the held object: how much narrower it gets per newton, the pads' own part taken off.

    Line of width against mean normal force by least squares over one hold, with forgetting.

    Parameters
    ----------
    pad_compliance_m_n : float
        Compliance of one pad (m/N); NaN = not known, then nothing comes out.
    least_span_n : float
        Spread (standard deviation) of force from which on a slope is believed (N).
    """

    def __init__(self, pad_compliance_m_n: float, least_span_n: float = 0.05) -> None:
        self._pad_m_n = pad_compliance_m_n
        self._least_span_n = least_span_n
        self.clear()

    def clear(self) -> None:
        """Start a new hold."""
        self._sums = np.zeros(6)  # 1, f, w, ff, fw, ww

    def add(self, force_n: float, width_m: float) -> None:
        """Take up one pair of mean normal force (N) and width (m); NaN is left out."""
        if math.isfinite(force_n) and math.isfinite(width_m):
            self._sums += (1.0, force_n, width_m, force_n**2, force_n * width_m, width_m**2)

    def result(self) -> tuple[float, float]:
        """Return compliance (m/N) and its variance (m^2/N^2); NaN until force has varied enough."""
        count, f, w, ff, fw, ww = self._sums
        if count < 10 or math.isnan(self._pad_m_n):
            return math.nan, math.nan
        spread = ff / count - (f / count) ** 2
        if not spread > self._least_span_n**2:
            return math.nan, math.nan
        slope = (fw / count - f * w / count**2) / spread
        residual = max(ww / count - (w / count) ** 2 - slope**2 * spread, 0.0)
        return -slope - 2.0 * self._pad_m_n, residual / spread / (count - 2)
