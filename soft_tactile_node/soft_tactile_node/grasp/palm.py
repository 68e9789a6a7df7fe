"""Fingers on a palm: where the pads are, and what the object applies to all of them in the palm frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.grasp.state import FINGERS_TO_HOLD, FingerView
from soft_tactile_node.physics.kinematics import pad_position_formula, rotation_y

Array = NDArray[np.float64]


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

    def root_position_m(self, finger: int) -> Array:
        """Return where the root of `finger` is in the palm frame, shape (3,) (m); NaN = not known."""
        angle = self.angles_rad[finger]
        return self.root_radius_m * np.array([math.cos(angle), math.sin(angle), 0.0])

    def pad_radius_m(self, bend_rad: float) -> float:
        """Return the distance of a pad from the palm axis (m) at the bend `bend_rad` (rad)."""
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


def pad_gap(geometry: PalmGeometry, fingers: Sequence[FingerView]) -> tuple[float, float]:
    """Return the distance between the touching pads: twice their mean distance from the palm axis.

    Parameters
    ----------
    geometry : PalmGeometry
        With all lengths, else NaN comes out.
    fingers : sequence of FingerView
        In the order of the angles.

    Returns
    -------
    gap_m : float
        Distance (m); NaN unless two fingers touch and their bends are known.
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


def pad_force(force_n: Array, bend_rad: float) -> Array:
    """Return `force_n` (N), shape (3,), of the root frame in the pad frame at `bend_rad` (rad; NaN = not known)."""
    return np.asarray(rotation_y(-bend_rad) @ force_n, dtype=np.float64)
