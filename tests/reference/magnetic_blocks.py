"""Demagnetisation of a finite disc: volume elements that magnetise each other.

The disc is cut into equal blocks; each carries an even magnetisation that answers the coil's field and the fields of
all blocks, averaged over the block: M = chi (H0 - N M). The matrix depends on the disc alone, so one solution serves
every position and tilt.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.checks import check_range
from soft_tactile_node.physics.iron_disc import DiscResponse, MagneticDisc

Array = NDArray[np.float64]


def block_response(disc: MagneticDisc, across: int = 14, through: int = 0) -> DiscResponse:
    """Return the response of a disc with its demagnetising field.

    Parameters
    ----------
    disc : MagneticDisc
        The disc.
    across : int
        Blocks along a diameter (1), >= 2; the error falls about linearly with their size.
    through : int
        Blocks through the thickness (1); 0 = about cubic blocks, at least two.

    Returns
    -------
    DiscResponse
        Block centres, volumes and the matrix chi (1 + chi N)^-1.

    Notes
    -----
    Source: magnetostatic volume-integral equation with constant elements (Galerkin); interaction of blocks after A. J.
    Newell, W. Williams, D. J. Dunlop, J. Geophys. Res. 98(B6) (1993) 9551-9555 (recalled; checked by trace and
    symmetry).
    """
    check_range(across, 2, name="across")
    cells, side = _disc_cells(disc.radius_m, across)
    layers = through if through > 0 else max(2, round(disc.thickness_m / side))
    height = disc.thickness_m / layers
    layer = np.repeat(np.arange(layers), len(cells))
    index = np.column_stack([np.tile(cells, (layers, 1)), layer])
    step = np.array([side, side, height])
    middle = np.array([0.5 * (across - 1), 0.5 * (across - 1), 0.5 * (layers - 1)])
    tensor = interaction_tensor(index, step)
    chi: complex | float = complex(disc.susceptibility, -disc.loss_susceptibility)
    if disc.loss_susceptibility == 0.0:
        chi = disc.susceptibility
    size = 3 * len(index)
    matrix = chi * np.linalg.inv(np.eye(size) + chi * tensor)
    return DiscResponse((index - middle) * step, matrix * side * side * height)


def _disc_cells(radius_m: float, across: int) -> tuple[NDArray[np.int64], float]:
    """Return the grid cells inside a circle and the side that gives them the circle's area."""
    grid = np.arange(across)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    middle = 0.5 * (across - 1)
    inside = (x - middle) ** 2 + (y - middle) ** 2 <= (0.5 * across) ** 2
    cells = np.column_stack([x[inside], y[inside]])
    return cells, radius_m * math.sqrt(math.pi / len(cells))


def interaction_tensor(index: NDArray[np.int64], step_m: Array) -> Array:
    """Return the demagnetising tensor between equal blocks of a regular grid.

    Parameters
    ----------
    index : numpy.ndarray of int, shape (q, 3)
        Grid position of each block.
    step_m : numpy.ndarray, shape (3,)
        Sides of a block (m).

    Returns
    -------
    numpy.ndarray, shape (3 q, 3 q)
        N (1): the field of the magnetisation M is -N M, averaged over each block; symmetric, trace of each diagonal
        block 1.

    Notes
    -----
    Source: Newell, Williams, Dunlop, J. Geophys. Res. 98(B6) (1993) 9551-9555 (recalled; checked by trace and
    symmetry).
    """
    reach = index.max(axis=0) - index.min(axis=0)
    axes = [np.arange(-n, n + 1) for n in reach]
    offsets = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    table = _pair_tensor(offsets, step_m).reshape(*(2 * reach + 1), 3, 3)
    difference = index[:, None, :] - index[None, :, :] + reach
    blocks = table[difference[..., 0], difference[..., 1], difference[..., 2]]
    return np.ascontiguousarray(blocks.transpose(0, 2, 1, 3).reshape(3 * len(index), 3 * len(index)))


def _pair_tensor(offsets: NDArray[np.int64], step_m: Array) -> Array:
    """Return N for each grid offset, shape (n, 3, 3); lengths are scaled by the shortest side."""
    step = step_m / step_m.min()
    out = np.zeros((len(offsets), 3, 3))
    pattern = np.stack(np.meshgrid(*[[-1, 0, 1]] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    factor = 8.0 / (-2.0) ** np.abs(pattern).sum(axis=1)
    points = (offsets[:, None, :] + pattern) * step
    scale = 1.0 / (4.0 * math.pi * float(np.prod(step)))
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        p = points[..., [i, j, k]]
        out[:, i, i] = scale * (_newell_f(p[..., 0], p[..., 1], p[..., 2]) @ factor)
        mixed = scale * (_newell_g(p[..., 0], p[..., 1], p[..., 2]) @ factor)
        out[:, i, j] = mixed
        out[:, j, i] = mixed
    return out


def _over(numerator: Array, denominator: Array) -> Array:
    """Return the quotient, zero where the denominator vanishes (every term then has a vanishing factor)."""
    return np.divide(numerator, denominator, out=np.zeros_like(numerator), where=denominator != 0.0)


def _newell_f(x: Array, y: Array, z: Array) -> Array:
    r = np.sqrt(x * x + y * y + z * z)
    return np.asarray(
        0.5 * y * (z * z - x * x) * np.arcsinh(_over(y, np.hypot(x, z)))
        + 0.5 * z * (y * y - x * x) * np.arcsinh(_over(z, np.hypot(x, y)))
        - x * y * z * np.arctan(_over(y * z, x * r))
        + (2.0 * x * x - y * y - z * z) * r / 6.0
    )


def _newell_g(x: Array, y: Array, z: Array) -> Array:
    r = np.sqrt(x * x + y * y + z * z)
    return np.asarray(
        x * y * z * np.arcsinh(_over(z, np.hypot(x, y)))
        + y / 6.0 * (3.0 * z * z - y * y) * np.arcsinh(_over(x, np.hypot(y, z)))
        + x / 6.0 * (3.0 * z * z - x * x) * np.arcsinh(_over(y, np.hypot(x, z)))
        - z**3 / 6.0 * np.arctan(_over(x * y, z * r))
        - z * y * y / 2.0 * np.arctan(_over(x * z, y * r))
        - z * x * x / 2.0 * np.arctan(_over(y * z, x * r))
        - x * y * r / 3.0
    )
