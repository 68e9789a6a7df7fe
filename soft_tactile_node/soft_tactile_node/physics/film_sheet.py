"""A liquid-metal film of any outline and thickness as a thin sheet: partly filled cells, cells beside the coil's axis.

The sheet current is K = curl(T z) with a stream function T that vanishes at the outline. On the sheet
-div(Z grad T) + j w b[T] = -j w b0, b0 the coil's normal field and b[T] the current's own, mu0/2 |k| T in the Fourier
plane. Z is the surface impedance of a film seen from the coil's side. The change of inductance is the integral of T b0.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse.linalg import LinearOperator, gmres

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.eddy_layers import skin_depth
from soft_tactile_node.physics.liquid_metal import MetalFilm
from soft_tactile_node.physics.spiral import SpiralCoil, spiral_field
from soft_tactile_node.samples import Array

ComplexArray = NDArray[np.complex128]


def surface_impedance(thickness_m: ArrayLike, frequency_hz: float, resistivity_ohm_m: float) -> ComplexArray:
    """Return the impedance per square of a film seen from one side: (gamma rho) coth(gamma h), gamma = (1 + j)/delta.

    Parameters
    ----------
    thickness_m : array_like
        Thickness (m), > 0.
    frequency_hz, resistivity_ohm_m : float
        Frequency (Hz) and resistivity (ohm m).

    Returns
    -------
    numpy.ndarray of complex, shape of thickness_m
        Electric field over sheet current (ohm per square); rho/h for a thin film.

    Notes
    -----
    Source: one-dimensional diffusion in a conductor; Jackson, Classical Electrodynamics, 5.18 (recalled).
    """
    gamma = (1.0 + 1.0j) / float(skin_depth(resistivity_ohm_m, frequency_hz))
    x = gamma * np.minimum(np.asarray(thickness_m, dtype=float), 40.0 / gamma.real)
    return np.asarray(gamma * resistivity_ohm_m / np.tanh(x))


def sheet_impedance_change(
    normal_field_t_a: Array, thickness_m: Array, spacing_m: float, frequency_hz: float, resistivity_ohm_m: float
) -> complex:
    """Return the complex inductance change that a sheet of any outline causes.

    Parameters
    ----------
    normal_field_t_a : numpy.ndarray, shape (n, n)
        Normal field of the coil at 1 A on a square grid (T/A).
    thickness_m : numpy.ndarray, shape (n, n)
        Thickness on the grid (m); zero = no metal.
    spacing_m : float
        Grid spacing (m).
    frequency_hz, resistivity_ohm_m : float
        Frequency (Hz) and resistivity (ohm m).

    Returns
    -------
    complex
        dL - j dR/w (H).

    Raises
    ------
    RangeError
        The equations did not converge.

    Notes
    -----
    Source: stream function of a thin conducting sheet (own arrangement); Fourier form of the field of a current sheet,
    any electromagnetics text. Error about linear in the spacing.
    """
    metal = thickness_m > 0.0
    count = int(metal.sum())
    if count == 0:
        return 0.0j
    omega = 2.0 * math.pi * frequency_hz
    size = metal.shape[0]
    padded = 2 * size
    k = 2.0 * math.pi * np.fft.fftfreq(padded, spacing_m)
    magnitude = np.hypot(k[:, None], k[None, :])
    impedance = surface_impedance(np.where(metal, thickness_m, 1.0), frequency_hz, resistivity_ohm_m)
    # links between neighbours carry the mean impedance; a link to a place without metal keeps the metal's own
    across = _link(impedance, metal, 0)
    along = _link(impedance, metal, 1)
    typical = complex(np.mean(impedance[metal]))
    guess = typical * magnitude**2 + 0.5j * omega * MU0_H_M * magnitude
    guess[0, 0] = guess[0, 1]

    def spread(values: ComplexArray) -> ComplexArray:
        grid = np.zeros((padded, padded), dtype=complex)
        grid[:size, :size][metal] = values
        return grid

    def apply(values: ComplexArray) -> ComplexArray:
        grid = spread(np.ravel(values))
        own = np.fft.ifft2(0.5j * omega * MU0_H_M * magnitude * np.fft.fft2(grid))[:size, :size]
        return np.asarray((_divergence(grid[:size, :size], across, along, spacing_m) + own)[metal])

    def precondition(values: ComplexArray) -> ComplexArray:
        return np.asarray(np.fft.ifft2(np.fft.fft2(spread(np.ravel(values))) / guess)[:size, :size][metal])

    operator = LinearOperator((count, count), matvec=apply, dtype=complex)
    helper = LinearOperator((count, count), matvec=precondition, dtype=complex)
    drive = -1j * omega * normal_field_t_a[metal].astype(complex)
    stream, failed = gmres(operator, drive, rtol=1.0e-6, restart=60, maxiter=10, M=helper)
    if failed:
        raise RangeError(f"thickness_m must vary smoothly on the grid; got no convergence at spacing {spacing_m:g} m")
    return complex(np.sum(stream * normal_field_t_a[metal]) * spacing_m**2)


def _link(impedance: ComplexArray, metal: NDArray[np.bool_], axis: int) -> ComplexArray:
    """Return the impedance of the links to the next grid point along an axis; the last link closes onto nothing."""
    following = np.roll(impedance, -1, axis)
    has = np.roll(metal, -1, axis)
    both = 0.5 * (impedance + following)
    return np.where(metal & has, both, np.where(metal, impedance, np.where(has, following, 0.0)))


def _divergence(grid: ComplexArray, across: ComplexArray, along: ComplexArray, spacing_m: float) -> ComplexArray:
    """Return -div(Z grad T) by differences, T zero outside the grid."""
    flow_x = across * (np.roll(grid, -1, 0) - grid)
    flow_y = along * (np.roll(grid, -1, 1) - grid)
    return np.asarray(-(flow_x - np.roll(flow_x, 1, 0) + flow_y - np.roll(flow_y, 1, 1)) / spacing_m**2)


def sheet_ratio(
    coil: SpiralCoil,
    film: MetalFilm,
    frequency_hz: float,
    offset_m: ArrayLike = (0.0, 0.0),
    filled: float = 1.0,
    *,
    across: int = 64,
) -> complex:
    """Return the ratio of the change with an offset or partly filled film to that with the centred, full one.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    film : MetalFilm
        The film, as if centred and full.
    frequency_hz : float
        Frequency (Hz).
    offset_m : array_like, shape (2,)
        Offset of the film's axis from the coil's (m).
    filled : float
        Share of the cell's diameter that the metal has reached (1), 0 to 1.
    across : int
        Grid points across the film's diameter (1).

    Returns
    -------
    complex
        Ratio (1).

    Notes
    -----
    Source: see `sheet_impedance_change`.
    """
    check_range(filled, 0.0, 1.0, name="filled")
    shift = np.asarray(offset_m, dtype=float)
    spacing = 2.0 * film.radius_m / across
    half = (np.arange(across + 4) - 0.5 * (across + 3)) * spacing
    x, y = np.meshgrid(half, half, indexing="ij")
    thickness = film.thickness_at(np.hypot(x, y))
    depth = min(float(np.max(thickness)), float(skin_depth(film.resistivity_ohm_m, frequency_hz)))
    height = film.gap_m + 0.5 * depth

    def change(offset: Array, map_m: Array) -> complex:
        points = np.stack([x + offset[0], y + offset[1], np.full_like(x, height)], axis=-1).reshape(-1, 3)
        normal = spiral_field(coil, points)[:, 2].reshape(x.shape)
        return sheet_impedance_change(normal, map_m, spacing, frequency_hz, film.resistivity_ohm_m)

    reached = np.where(x <= film.radius_m * (2.0 * filled - 1.0), thickness, 0.0)
    return change(shift, reached) / change(np.zeros(2), thickness)
