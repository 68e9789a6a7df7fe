"""Circular current filaments: mutual inductance (coaxial, offset, inclined) and the field of a loop.

Frame: the primary loop lies in the plane z = 0 about the z axis; positive current runs from +x to +y.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from soft_tactile_node.checks import check_range, check_shape
from soft_tactile_node.compiled import compiled
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.elliptic import elliptic_sums
from soft_tactile_node.samples import Array


@compiled
def coaxial_mutual_formula(radius_a_m: float, radius_b_m: float, distance_m: float) -> float:
    """Return the mutual inductance of two coaxial circular filaments (H); scalars, for compiled loops.

    M = mu0 sqrt(a b) [(2/k - k) K - (2/k) E], k^2 = 4 a b / ((a + b)^2 + d^2), in Maxwell's second form
    M = 2 mu0 sqrt(a b / k1) [K(k1) - E(k1)], k1 = (r1 - r2)/(r1 + r2) with r1, r2 the greatest and least distance
    between the filaments, which loses no digits far away.

    Notes
    -----
    Source: J. C. Maxwell, A Treatise on Electricity and Magnetism II (1873), art. 701 (recalled).
    """
    sum_radius = radius_a_m + radius_b_m
    difference = radius_a_m - radius_b_m
    far = math.sqrt(sum_radius * sum_radius + distance_m * distance_m)
    near = math.sqrt(difference * difference + distance_m * distance_m)
    product = radius_a_m * radius_b_m
    k1 = 4.0 * product / ((far + near) * (far + near))
    kc = 2.0 * math.sqrt(far * near) / (far + near)
    m = k1 * k1
    k_integral, tail = elliptic_sums(m, kc)
    return 2.0 * MU0_H_M * math.sqrt(product / k1) * k_integral * (0.5 * m + tail)


@compiled
def loop_field_formula(radius_m: float, rho_m: float, z_m: float) -> tuple[float, float]:
    """Return (B_rho, B_z) of a circular filament carrying 1 A (T/A); scalars, for compiled loops.

    B_z = mu0 / (2 pi sqrt(Q)) [K + (a^2 - r^2 - z^2)/((a - r)^2 + z^2) E],
    B_r = mu0 z / (2 pi r sqrt(Q)) [-K + (a^2 + r^2 + z^2)/((a - r)^2 + z^2) E], Q = (a + r)^2 + z^2, m = 4 a r / Q,
    arranged so that nothing cancels near the axis.

    Notes
    -----
    Source: W. R. Smythe, Static and Dynamic Electricity, sec. 7.10; J. D. Jackson, Classical Electrodynamics, 5.5
    (recalled).
    """
    q = (radius_m + rho_m) * (radius_m + rho_m) + z_m * z_m
    near2 = (radius_m - rho_m) * (radius_m - rho_m) + z_m * z_m
    m = 4.0 * radius_m * rho_m / q
    kc2 = near2 / q
    k_integral, tail = elliptic_sums(m, math.sqrt(kc2))
    root = math.sqrt(q)
    scale = MU0_H_M / (2.0 * math.pi * root)
    e_integral = k_integral * (1.0 - 0.5 * m - tail)
    b_z = scale * (k_integral * (0.5 * m + tail) + 2.0 * radius_m * (radius_m - rho_m) / near2 * e_integral)
    if rho_m <= 0.0:
        return 0.0, b_z
    # K m^2 (1/2 - (2 - m) S / m^2) / (2 kc2) over r, with m/r = 4 a / Q
    excess = 0.5 * m - (2.0 - m) * tail / m if m > 0.0 else 0.0
    b_rho = scale * z_m * (4.0 * radius_m / q) * k_integral * excess / (2.0 * kc2)
    return b_rho, b_z


@compiled
def _vector_potential_over_rho(radius_m: float, rho_m: float, z_m: float) -> float:
    """Return A_phi / rho of a loop carrying 1 A (T/A); A_phi = M / (2 pi rho) of the coaxial loop through the point."""
    if rho_m <= 1.0e-9 * radius_m:
        return float(0.25 * MU0_H_M * radius_m * radius_m / (radius_m * radius_m + z_m * z_m) ** 1.5)
    return coaxial_mutual_formula(radius_m, rho_m, z_m) / (2.0 * math.pi * rho_m * rho_m)


@compiled
def inclined_mutual_formula(
    primary_m: float, secondary_m: float, centre: Array, axis_u: Array, axis_v: Array, points: int
) -> float:
    """Return the mutual inductance (H) of a loop with another of any position and tilt: the closed integral of A.dl.

    axis_u and axis_v (3,) span the secondary's plane, u x v its normal. The trapezoid rule converges exponentially.

    Notes
    -----
    Source: definition of flux by the vector potential; e.g. Jackson 5.5 (recalled).
    """
    total = 0.0
    for i in range(points):
        angle = 2.0 * math.pi * i / points
        c, s = math.cos(angle), math.sin(angle)
        x = centre[0] + secondary_m * (axis_u[0] * c + axis_v[0] * s)
        y = centre[1] + secondary_m * (axis_u[1] * c + axis_v[1] * s)
        z = centre[2] + secondary_m * (axis_u[2] * c + axis_v[2] * s)
        tangent_x = axis_v[0] * c - axis_u[0] * s
        tangent_y = axis_v[1] * c - axis_u[1] * s
        factor = _vector_potential_over_rho(primary_m, math.sqrt(x * x + y * y), z)
        total += factor * (x * tangent_y - y * tangent_x)
    return total * secondary_m * 2.0 * math.pi / points


@compiled
def _coaxial_mutual_many(radius_a: Array, radius_b: Array, distance: Array) -> Array:
    out = np.empty(radius_a.size)
    for i in range(radius_a.size):
        out[i] = coaxial_mutual_formula(radius_a[i], radius_b[i], distance[i])
    return out


@compiled
def _loop_field_many(radius: Array, rho: Array, z: Array) -> Array:
    out = np.empty((radius.size, 2))
    for i in range(radius.size):
        out[i, 0], out[i, 1] = loop_field_formula(radius[i], rho[i], z[i])
    return out


def mutual_coaxial(radius_a_m: ArrayLike, radius_b_m: ArrayLike, distance_m: ArrayLike) -> Array:
    """Return the mutual inductance of coaxial circular filaments.

    Parameters
    ----------
    radius_a_m, radius_b_m : array_like
        Radii (m), > 0; any shapes that broadcast together.
    distance_m : array_like
        Axial distance of the two planes (m), either sign; the filaments may not coincide.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Mutual inductance (H).

    Raises
    ------
    RangeError
        A radius is not positive and finite, or the filaments coincide.

    Notes
    -----
    Source: J. C. Maxwell, A Treatise on Electricity and Magnetism II (1873), art. 701 (recalled).

    Examples
    --------
    >>> round(float(mutual_coaxial(0.20, 0.25, 0.10)) * 1e9, 4)
    248.7874
    """
    a, b, d = np.broadcast_arrays(
        np.asarray(radius_a_m, dtype=float), np.asarray(radius_b_m, dtype=float), np.asarray(distance_m, dtype=float)
    )
    _check_positive(a, "radius_a_m")
    _check_positive(b, "radius_b_m")
    if not np.all(np.isfinite(d)) or np.any((a == b) & (d == 0.0)):
        raise RangeError("distance_m must be finite and not zero for equal radii; got coinciding or infinite filaments")
    flat = _coaxial_mutual_many(np.ravel(a).copy(), np.ravel(b).copy(), np.ravel(d).copy())
    return np.asarray(flat.reshape(a.shape), dtype=np.float64)


def loop_field(radius_m: ArrayLike, rho_m: ArrayLike, z_m: ArrayLike) -> tuple[Array, Array]:
    """Return the field of a circular filament that carries 1 A.

    Parameters
    ----------
    radius_m : array_like
        Loop radius (m), > 0.
    rho_m, z_m : array_like
        Distance from the axis (m, >= 0) and height above the loop's plane (m); shapes broadcast. Not on the filament.

    Returns
    -------
    tuple of numpy.ndarray, broadcast shape
        B_rho and B_z (T/A).

    Raises
    ------
    RangeError
        A radius is not positive, a point is not finite or lies on the filament.

    Notes
    -----
    Source: W. R. Smythe, Static and Dynamic Electricity, sec. 7.10; J. D. Jackson, Classical Electrodynamics, 5.5
    (recalled).
    """
    a, rho, z = np.broadcast_arrays(
        np.asarray(radius_m, dtype=float), np.asarray(rho_m, dtype=float), np.asarray(z_m, dtype=float)
    )
    _check_positive(a, "radius_m")
    if not (np.all(np.isfinite(z)) and np.all(rho >= 0.0) and np.all(np.isfinite(rho))):
        raise RangeError("rho_m and z_m must be finite and rho_m >= 0; got another value")
    if np.any((a == rho) & (z == 0.0)):
        raise RangeError("rho_m, z_m must be off the filament; got a point on it")
    flat = _loop_field_many(np.ravel(a).copy(), np.ravel(rho).copy(), np.ravel(z).copy())
    return flat[:, 0].reshape(a.shape), flat[:, 1].reshape(a.shape)


def plane_axes(normal: ArrayLike) -> tuple[Array, Array]:
    """Return two unit vectors u, v that span a plane, with u x v along its normal.

    Parameters
    ----------
    normal : array_like, shape (3,)
        Normal of the plane (1, any length > 0).

    Returns
    -------
    tuple of numpy.ndarray, shape (3,)
        Unit vectors u and v (1).

    Raises
    ------
    RangeError
        The normal has no direction.
    """
    n = check_shape(normal, (3,), name="normal")
    length = float(np.linalg.norm(n))
    check_range(length, 0.0, name="length of normal", open_low=True)
    n = n / length
    helper = np.array([1.0, 0.0, 0.0]) if abs(n[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    u = np.cross(helper, n)
    u = u / np.linalg.norm(u)
    return u, np.cross(n, u)


def _check_positive(values: Array, name: str) -> None:
    if not (np.all(np.isfinite(values)) and np.all(values > 0.0)):
        bad = values[~(np.isfinite(values) & (values > 0.0))].ravel()[0]
        raise RangeError(f"{name} must be > 0; got {bad:g}")
