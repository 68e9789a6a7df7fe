"""Field and mutual inductance of circular filament loops by complete elliptic integrals.

Flat coils are made of such loops.

Source: loop field, Smythe, Static and Dynamic Electricity, sec. 7.10 (also Jackson 5.5); coaxial mutual inductance,
Maxwell, Treatise II (1873) art. 701; self-inductance of a thin ring mu0 a (ln(8a/r) - 2), Grover (1946). All from
memory; the tests compare them with another library's loop and with published figures.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0
from scipy.special import ellipe, ellipk

Array = NDArray[np.float64]


def loop_field(radius: float, rho: Array, z: Array) -> tuple[Array, Array]:
    """Radial and axial H (1/m, per ampere) of a loop of `radius` (m) in the plane z = 0."""
    rho = np.maximum(rho, 1e-9)
    q = (radius + rho) ** 2 + z**2
    m = 4.0 * radius * rho / q
    k, e = ellipk(m), ellipe(m)
    near = (radius - rho) ** 2 + z**2
    h_z = (k + (radius**2 - rho**2 - z**2) / near * e) / (2.0 * np.pi * np.sqrt(q))
    h_rho = z / rho * (-k + (radius**2 + rho**2 + z**2) / near * e) / (2.0 * np.pi * np.sqrt(q))
    return h_rho, h_z


def mutual(a: Array, b: Array, distance: Array) -> Array:
    """Mutual inductance (H) of coaxial loops of radii a, b (m), planes `distance` apart (m)."""
    m = 4.0 * a * b / ((a + b) ** 2 + distance**2)
    k = np.sqrt(m)
    return np.asarray(mu_0 * np.sqrt(a * b) * ((2.0 / k - k) * ellipk(m) - 2.0 / k * ellipe(m)))


def turn_radii(inner: float, outer: float, turns: int) -> Array:
    """Radii (m) of the loops that stand for a flat spiral."""
    return inner + (np.arange(turns) + 0.5) * (outer - inner) / turns


def coil_inductance(radii: Array, wire: float) -> float:
    """Self-inductance (H) of series loops; `wire` is the effective wire radius (m)."""
    a, b = np.meshgrid(radii, radii)
    same = np.eye(len(radii), dtype=bool)
    matrix = mutual(a, np.where(same, b * 1.01, b), np.zeros_like(a))
    matrix[same] = mu_0 * radii * (np.log(8.0 * radii / wire) - 2.0)
    return float(matrix.sum())


def image_change(radii: Array, self_inductance: float, distance: Array, reflection: float) -> Array:
    """Relative change of inductance (1) by a wide conducting sheet at `distance` (m) above the coil plane.

    The sheet mirrors the coil: -reflection * M(2 distance) (method of images; reflection 1 for a perfect conductor).
    """
    a, b = np.meshgrid(radii, radii)
    grid = np.geomspace(1e-3, 0.2, 60)
    total = np.array([mutual(a, b, np.full_like(a, 2.0 * d)).sum() for d in grid])
    change = np.exp(np.interp(np.log(np.clip(distance, 1e-3, 0.2)), np.log(grid), np.log(total)))
    return np.asarray(-reflection * change / self_inductance)
