"""Smooth interpolation on a regular grid: cubic B-splines in one, two or four variables, in compiled loops."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array


def spline_coefficients(values: Array) -> Array:
    """Return the B-spline coefficients that interpolate a regular table, two more than the table along every axis.

    Parameters
    ----------
    values : numpy.ndarray, any shape with >= 4 points an axis
        Table, any unit.

    Returns
    -------
    numpy.ndarray, shape + 2 along every axis
        Coefficients, same unit.

    Notes
    -----
    Source: C. de Boor, A Practical Guide to Splines (1978), uniform cubic splines with not-a-knot ends (recalled).
    """
    out = np.asarray(values, dtype=float)
    for axis in range(out.ndim):
        n = out.shape[axis]
        matrix = np.zeros((n + 2, n + 2))
        for i in range(n):
            matrix[i + 1, i : i + 3] = (1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0)
        # no jump of the third derivative at the second and the last but one knot
        matrix[0, :5] = (1.0, -4.0, 6.0, -4.0, 1.0)
        matrix[-1, -5:] = (1.0, -4.0, 6.0, -4.0, 1.0)
        moved = np.moveaxis(out, axis, 0)
        flat = moved.reshape(n, -1)
        right = np.vstack([np.zeros((1, flat.shape[1])), flat, np.zeros((1, flat.shape[1]))])
        solved = np.linalg.solve(matrix, right).reshape(n + 2, *moved.shape[1:])
        out = np.moveaxis(solved, 0, axis)
    return np.ascontiguousarray(out)


@compiled
def spline_weights(position: float, points: int, weights: Array) -> int:
    """Fill the four B-spline weights at a position in grid steps; return the first coefficient. Clamps."""
    place = min(max(position, 0.0), points - 1.0)
    cell = min(int(place), points - 2)
    t = place - cell
    s = 1.0 - t
    weights[0] = s * s * s / 6.0
    weights[1] = (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0
    weights[2] = (3.0 * s * s * s - 6.0 * s * s + 4.0) / 6.0
    weights[3] = t * t * t / 6.0
    return cell


@compiled
def spline_1d(table: Array, position: float, work: Array) -> float:
    """Return the spline of a one-dimensional table; `work` (4, 4) is scratch."""
    i = spline_weights(position, table.shape[0] - 2, work[0])
    total = 0.0
    for a in range(4):
        total += work[0, a] * table[i + a]
    return total


@compiled
def spline_2d(table: Array, place: tuple[float, float], work: Array) -> float:
    """Return the spline of a two-dimensional table; `work` (4, 4) is scratch."""
    i = spline_weights(place[0], table.shape[0] - 2, work[0])
    j = spline_weights(place[1], table.shape[1] - 2, work[1])
    total = 0.0
    for a in range(4):
        line = 0.0
        for b in range(4):
            line += work[1, b] * table[i + a, j + b]
        total += work[0, a] * line
    return total


@compiled
def spline_4d(table: Array, place: tuple[float, float, float, float], work: Array) -> float:
    """Return the spline of a four-dimensional table; `work` (4, 4) is scratch."""
    i = spline_weights(place[0], table.shape[0] - 2, work[0])
    j = spline_weights(place[1], table.shape[1] - 2, work[1])
    k = spline_weights(place[2], table.shape[2] - 2, work[2])
    m = spline_weights(place[3], table.shape[3] - 2, work[3])
    total = 0.0
    for a in range(4):
        for b in range(4):
            outer = work[0, a] * work[1, b]
            inner = 0.0
            for c in range(4):
                line = 0.0
                for d in range(4):
                    line += work[3, d] * table[i + a, j + b, k + c, m + d]
                inner += work[2, c] * line
            total += outer * inner
    return total
