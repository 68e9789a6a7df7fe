"""Flat round spirals: turn radii, self-inductance (rings), mutual, field.

A spiral is treated as concentric circular turns; the connection between turns is neglected (exact to the order of
pitch over circumference). Frame: coil in the plane z = 0 about the z axis, pad above it (z > 0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from soft_tactile_node.checks import check_range, check_shape
from soft_tactile_node.compiled import compiled
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.filaments import inclined_mutual_formula, loop_field_formula, mutual_coaxial, plane_axes
from soft_tactile_node.samples import Array

STRIP_DISTANCE = math.exp(-1.5)
"""Geometric mean distance of a thin strip from itself over its width (1). Source: Rosa & Grover, NBS Bull. 8 (1912)."""


@dataclass(frozen=True)
class SpiralCoil:
    """A flat round spiral coil, described by what a board layout fixes.

    Attributes
    ----------
    inner_radius_m, outer_radius_m : float
        Inner edge of the innermost and outer edge of the outermost turn (m); 0 < inner < outer.
    turns : int
        Number of turns of one layer (1), >= 1.
    trace_width_m : float
        Width of the conductor (m); 0 = half the pitch.
    trace_thickness_m : float
        Thickness of the conductor (m); 35 um is the usual copper foil.
    layers : int
        Number of equal layers in series, wound to add (1).
    layer_gap_m : float
        Distance between neighbouring layers, centre to centre (m); layers lie below z = 0.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    inner_radius_m: float
    outer_radius_m: float
    turns: int
    trace_width_m: float = 0.0
    trace_thickness_m: float = 35.0e-6
    layers: int = 1
    layer_gap_m: float = 0.2e-3

    def __post_init__(self) -> None:
        check_range(self.inner_radius_m, 0.0, name="inner_radius_m", open_low=True)
        check_range(self.outer_radius_m, 0.0, name="outer_radius_m", open_low=True)
        if self.outer_radius_m <= self.inner_radius_m:
            raise RangeError(
                f"outer_radius_m must be > inner_radius_m = {self.inner_radius_m:g}; got {self.outer_radius_m:g}"
            )
        check_range(self.turns, 1, name="turns")
        check_range(self.layers, 1, name="layers")
        check_range(self.trace_width_m, 0.0, self.pitch_m, name="trace_width_m")
        check_range(self.trace_thickness_m, 0.0, name="trace_thickness_m", open_low=True)
        check_range(self.layer_gap_m, 0.0, name="layer_gap_m", open_low=True)

    @property
    def pitch_m(self) -> float:
        """Radial distance of neighbouring turns (m) when the width is half of it."""
        return (self.outer_radius_m - self.inner_radius_m) / self.turns

    @property
    def width_m(self) -> float:
        """Conductor width in use (m)."""
        return self.trace_width_m if self.trace_width_m > 0.0 else 0.5 * self.pitch_m

    @property
    def total_turns(self) -> int:
        """Turns of all layers (1)."""
        return self.turns * self.layers

    def radii_m(self) -> Array:
        """Return the radii of the turns of one layer (m), shape (turns,)."""
        return turn_radii(self.inner_radius_m, self.outer_radius_m, self.turns, self.width_m)

    def heights_m(self) -> Array:
        """Return the heights of the layers (m), shape (layers,): 0, -layer_gap, ..."""
        return -self.layer_gap_m * np.arange(self.layers, dtype=float)

    def rings(self) -> tuple[Array, Array]:
        """Return radius and height of every turn (m), each of shape (total_turns,)."""
        radii, heights = np.meshgrid(self.radii_m(), self.heights_m())
        return radii.ravel(), heights.ravel()

    def wire_length_m(self) -> float:
        """Return the length of the conductor (m)."""
        return float(2.0 * math.pi * np.sum(self.rings()[0]))


def turn_radii(inner_radius_m: float, outer_radius_m: float, turns: int, width_m: float | None = None) -> Array:
    """Return the radii of the centre lines of the turns of a flat spiral.

    Parameters
    ----------
    inner_radius_m, outer_radius_m : float
        Inner and outer edge of the winding (m).
    turns : int
        Number of turns (1), >= 1.
    width_m : float, optional
        Conductor width (m); None = the width that leaves turns and ends evenly spaced (pitch (outer - inner)/turns).

    Returns
    -------
    numpy.ndarray, shape (turns,)
        Radii (m), increasing.

    Notes
    -----
    Source: geometry. With a width the first turn lies half a width inside the edge, as on a board.
    """
    count = int(check_range(turns, 1, name="turns"))
    pitch = (outer_radius_m - inner_radius_m) / count
    if width_m is None or count == 1:
        return np.asarray(inner_radius_m + pitch * (np.arange(count) + 0.5), dtype=np.float64)
    return np.linspace(inner_radius_m + 0.5 * width_m, outer_radius_m - 0.5 * width_m, count)


def inductance_rings(coil: SpiralCoil) -> float:
    """Return the self-inductance of a spiral as concentric strips in series: all self and mutual terms.

    Ring self-inductance mu0 a (ln(8 a / g) - 2) with g the geometric mean distance of the strip from itself,
    0.22313 w for a thin strip and 0.2235 (w + t) once thickness counts.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.

    Returns
    -------
    float
        Inductance (H).

    Notes
    -----
    Source: Maxwell, Treatise II (1873), art. 701; Rosa & Grover, NBS Bull. 8 (1912) for the mean distances (recalled).
    """
    radii, heights = coil.rings()
    distance = strip_mean_distance(coil.width_m, coil.trace_thickness_m)
    total = float(np.sum(MU0_H_M * radii * (np.log(8.0 * radii / distance) - 2.0)))
    first, second = np.triu_indices(radii.size, k=1)
    if first.size:
        total += 2.0 * float(np.sum(mutual_coaxial(radii[first], radii[second], heights[first] - heights[second])))
    return total


def strip_mean_distance(width_m: float, thickness_m: float = 0.0) -> float:
    """Return the geometric mean distance of a rectangular conductor from itself.

    Parameters
    ----------
    width_m, thickness_m : float
        Width (m, > 0) and thickness (m, >= 0) of the section.

    Returns
    -------
    float
        Mean distance (m): exp(-1.5) w for a thin strip, 0.2235 (w + t) for a thick one, joined by the exact integral.

    Notes
    -----
    Source: exact integral over the rectangle; Maxwell, Treatise II (1873), art. 692 (recalled).
    """
    w, t = float(width_m), float(thickness_m)
    if t <= 1.0e-6 * w:
        return STRIP_DISTANCE * w
    ratio = w / t
    log_term = (
        0.5 * math.log(w * w + t * t)
        - ratio**2 / 12.0 * math.log(1.0 + 1.0 / ratio**2)
        - 1.0 / (12.0 * ratio**2) * math.log(1.0 + ratio**2)
        + 2.0 / 3.0 * (ratio * math.atan(1.0 / ratio) + math.atan(ratio) / ratio)
        - 25.0 / 12.0
    )
    return math.exp(log_term)


@compiled
def _field_at_points(radii: Array, heights: Array, points: Array) -> Array:
    out = np.zeros((points.shape[0], 3))
    for i in range(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        rho = math.sqrt(x * x + y * y)
        b_rho, b_z = 0.0, 0.0
        for j in range(radii.size):
            one_rho, one_z = loop_field_formula(radii[j], rho, z - heights[j])
            b_rho += one_rho
            b_z += one_z
        if rho > 0.0:
            out[i, 0] = b_rho * x / rho
            out[i, 1] = b_rho * y / rho
        out[i, 2] = b_z
    return out


def spiral_field(coil: SpiralCoil, points_m: ArrayLike) -> Array:
    """Return the field of a spiral that carries 1 A.

    Parameters
    ----------
    coil : SpiralCoil
        The coil, at the origin.
    points_m : array_like, shape (n, 3)
        Points off the conductor, in the coil's frame (m).

    Returns
    -------
    numpy.ndarray, shape (n, 3)
        B (T/A).

    Notes
    -----
    Source: sum of circular loops; Smythe, Static and Dynamic Electricity, sec. 7.10 (recalled).
    """
    points = check_shape(points_m, (None, 3), name="points_m")
    radii, heights = coil.rings()
    return np.asarray(_field_at_points(radii, heights, np.ascontiguousarray(points)), dtype=np.float64)


@compiled
def _mutual_sum(
    radii_1: Array, heights_1: Array, radii_2: Array, heights_2: Array, offset: Array, u: Array, v: Array, count: int
) -> float:
    total = 0.0
    normal = np.cross(u, v)
    centre = np.empty(3)
    for i in range(radii_1.size):
        for j in range(radii_2.size):
            for axis in range(3):
                centre[axis] = offset[axis] + heights_2[j] * normal[axis]
            centre[2] -= heights_1[i]
            total += inclined_mutual_formula(radii_1[i], radii_2[j], centre, u, v, count)
    return total


def mutual_spirals(
    first: SpiralCoil,
    second: SpiralCoil,
    centre_m: ArrayLike,
    normal: ArrayLike = (0.0, 0.0, 1.0),
    *,
    points: int = 128,
) -> float:
    """Return the mutual inductance of two spirals, e.g. neighbours on one board or coils of two fingers.

    Parameters
    ----------
    first, second : SpiralCoil
        The coils; `first` lies at the origin.
    centre_m : array_like, shape (3,)
        Centre of `second` (m). Coils in one plane must not overlap.
    normal : array_like, shape (3,)
        Normal of `second` (1, any length > 0).
    points : int
        Points of the closed integral around each turn (1); exponential convergence with the distance of the turns.

    Returns
    -------
    float
        Mutual inductance (H); negative beside each other in one plane.

    Notes
    -----
    Source: sum over pairs of turns of `filaments.inclined_mutual_formula`.
    """
    centre = check_shape(centre_m, (3,), name="centre_m")
    u, v = plane_axes(normal)
    return float(_mutual_sum(*first.rings(), *second.rings(), centre, u, v, points))
