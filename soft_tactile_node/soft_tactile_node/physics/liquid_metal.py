"""A liquid-metal film in a cell above a flat coil: eddy currents of a film of finite radius and uneven thickness.

The film is cut into conducting rings; each carries the current that its resistance and all mutual inductances leave it:
(R + j w M) I = -j w M_coil. Valid for any skin depth as long as the rings are finer than it; the endless even film is
the limit treated by `eddy_layers`. Frame: coil in the plane z = 0, metal above it from z = gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.checks import check_range
from soft_tactile_node.compiled import compiled
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.filaments import coaxial_mutual_formula
from soft_tactile_node.physics.spiral import SpiralCoil
from soft_tactile_node.samples import Array

ComplexArray = NDArray[np.complex128]


GALLIUM_INDIUM_RESISTIVITY_OHM_M = 29.4e-8
"""Resistivity of the eutectic gallium-indium alloy (ohm m).

Source: Zrnic & Swatik, On the resistivity and surface tension of the eutectic alloy of gallium and indium, J. Less-
Common Met. 18 (1969) 67-68; Dickey et al., Eutectic gallium-indium (EGaIn): a liquid metal alloy for the formation of
stable structures in microchannels at room temperature, Adv. Funct. Mater. 18 (2008) 1097 (recalled); the literature
spreads by 5 to 10 %."""


@dataclass(frozen=True)
class MetalFilm:
    """A round film of liquid metal above a coil.

    Attributes
    ----------
    radius_m : float
        Radius of the wetted area (m), > 0.
    gap_m : float
        Distance from the coil's plane to the lower face of the metal (m), > 0: coil cover plus cell wall.
    thickness_m : float or numpy.ndarray, shape (k,)
        Thickness (m): one value, or values at k evenly spaced radii from the centre to the edge; zero = no metal there.
    resistivity_ohm_m : float
        Resistivity (ohm m), > 0.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    radius_m: float
    gap_m: float
    thickness_m: float | Array
    resistivity_ohm_m: float = GALLIUM_INDIUM_RESISTIVITY_OHM_M

    def __post_init__(self) -> None:
        check_range(self.radius_m, 0.0, name="radius_m", open_low=True)
        check_range(self.gap_m, 0.0, name="gap_m", open_low=True)
        check_range(self.resistivity_ohm_m, 0.0, name="resistivity_ohm_m", open_low=True)
        thickness = np.atleast_1d(np.asarray(self.thickness_m, dtype=float))
        if not np.all(np.isfinite(thickness) & (thickness >= 0.0)):
            raise RangeError(f"thickness_m must be >= 0 everywhere; got {float(np.min(thickness)):g}")

    def thickness_at(self, radius_m: ArrayLike) -> Array:
        """Return the thickness (m) at `radius_m` (m) off the film's axis, any shape; zero beyond the radius."""
        radius = np.asarray(radius_m, dtype=float)
        values = np.atleast_1d(np.asarray(self.thickness_m, dtype=float))
        if values.size == 1:
            return np.where(radius <= self.radius_m, values[0], 0.0)
        at = np.linspace(0.0, self.radius_m, values.size)
        return np.asarray(np.where(radius <= self.radius_m, np.interp(radius, at, values), 0.0))

    def volume_m3(self) -> float:
        """Return the volume of the metal (m^3)."""
        r = (np.arange(2000) + 0.5) / 2000 * self.radius_m
        return float(2.0 * math.pi * np.sum(self.thickness_at(r) * r) * self.radius_m / 2000)


@compiled
def _log_kernel(x: float, y: float) -> float:
    """Return F with d4F/dx2dy2 = ln sqrt(x^2 + y^2), for mean distances of rectangles."""
    r2 = x * x + y * y
    if r2 == 0.0:
        return 0.0
    value = (0.25 * x * x * y * y - (x**4 + y**4) / 24.0) * 0.5 * math.log(r2) - 25.0 / 48.0 * x * x * y * y
    if x != 0.0 and y != 0.0:
        value += x * y * (x * x * math.atan(y / x) + y * y * math.atan(x / y)) / 6.0
    return value


@compiled
def _second_difference(a_low: float, a_high: float, b_low: float, b_high: float, which: int) -> tuple[float, float]:
    """Return one of the four corner differences of two intervals and its sign."""
    if which == 0:
        return a_high - b_low, 1.0
    if which == 1:
        return a_low - b_high, 1.0
    if which == 2:
        return a_high - b_high, -1.0
    return a_low - b_low, -1.0


@compiled
def log_mean_distance(first: Array, second: Array) -> float:
    """Return the logarithm of the geometric mean distance of two rectangles (x_low, x_high, y_low, y_high) (ln m).

    Notes
    -----
    Source: exact integral of the logarithm over both sections; Maxwell, Treatise II (1873), art. 691-692 (recalled).
    """
    total = 0.0
    for i in range(4):
        x, sign_x = _second_difference(first[0], first[1], second[0], second[1], i)
        for j in range(4):
            y, sign_y = _second_difference(first[2], first[3], second[2], second[3], j)
            total += sign_x * sign_y * _log_kernel(x, y)
    area_1 = (first[1] - first[0]) * (first[3] - first[2])
    area_2 = (second[1] - second[0]) * (second[3] - second[2])
    return float(total / (area_1 * area_2))


@compiled
def _ring_mutual_matrix(cells: Array) -> Array:
    """Return the inductance matrix (H) of conducting rings of rectangular section (r_low, r_high, z_low, z_high)."""
    count = cells.shape[0]
    out = np.empty((count, count))
    for i in range(count):
        r_i, z_i = 0.5 * (cells[i, 0] + cells[i, 1]), 0.5 * (cells[i, 2] + cells[i, 3])
        size_i = max(cells[i, 1] - cells[i, 0], cells[i, 3] - cells[i, 2])
        for j in range(i + 1):
            r_j, z_j = 0.5 * (cells[j, 0] + cells[j, 1]), 0.5 * (cells[j, 2] + cells[j, 3])
            size_j = max(cells[j, 1] - cells[j, 0], cells[j, 3] - cells[j, 2])
            distance = math.sqrt((r_i - r_j) ** 2 + (z_i - z_j) ** 2)
            if distance < 3.0 * max(size_i, size_j):
                # near: a filament pair at the geometric mean distance stands for the two sections
                mean = math.exp(log_mean_distance(cells[i], cells[j]))
                out[i, j] = coaxial_mutual_formula(math.sqrt(r_i * r_j), math.sqrt(r_i * r_j), mean)
            else:
                out[i, j] = coaxial_mutual_formula(r_i, r_j, z_i - z_j)
            out[j, i] = out[i, j]
    return out


@compiled
def _coil_mutuals(cells: Array, radii: Array, heights: Array) -> Array:
    out = np.zeros(cells.shape[0])
    for i in range(cells.shape[0]):
        r, z = 0.5 * (cells[i, 0] + cells[i, 1]), 0.5 * (cells[i, 2] + cells[i, 3])
        for j in range(radii.size):
            out[i] += coaxial_mutual_formula(r, radii[j], z - heights[j])
    return out


def film_cells(film: MetalFilm, across: int = 40, through: int = 6) -> Array:
    """Return the rings a film is cut into.

    Parameters
    ----------
    film : MetalFilm
        The film.
    across, through : int
        Rings along the radius and through the thickness (1); the lower ones are thinner.

    Returns
    -------
    numpy.ndarray, shape (q, 4)
        r_low, r_high, z_low, z_high of each ring (m); places without metal are left out.
    """
    edges = np.linspace(0.0, film.radius_m, across + 1)
    # half-cosine spacing: thin rings at the face towards the coil, where the current crowds
    depth = 1.0 - np.cos(0.5 * math.pi * np.arange(through + 1) / through)
    thickness = film.thickness_at(0.5 * (edges[1:] + edges[:-1]))
    low, high = np.repeat(edges[:-1], through), np.repeat(edges[1:], through)
    tall = np.repeat(thickness, through)
    cells = np.column_stack(
        [low, high, film.gap_m + tall * np.tile(depth[:-1], across), film.gap_m + tall * np.tile(depth[1:], across)]
    )
    return np.ascontiguousarray(cells[tall > 0.0])


def film_impedance_change(
    coil: SpiralCoil, film: MetalFilm, frequency_hz: ArrayLike, *, across: int = 40, through: int = 6
) -> ComplexArray:
    """Return the complex inductance change of a coil under a coaxial liquid-metal film.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    film : MetalFilm
        The film.
    frequency_hz : array_like, shape (...)
        Frequencies (Hz), > 0.
    across, through : int
        Rings along the radius and through the thickness (1).

    Returns
    -------
    numpy.ndarray of complex, shape (...)
        dL - j dR/w (H): the real part is the change of inductance, dR = -w x imaginary part.

    Notes
    -----
    Source: coupled circuits, (R + j w M) I = -j w M_coil; ring inductances after Maxwell, Treatise II (1873), art. 701
    and 691 (recalled). Agrees with Dodd & Deeds for a wide even film.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    if not np.all(np.isfinite(frequency) & (frequency > 0.0)):
        raise RangeError("frequency_hz must be > 0; got another value")
    cells = film_cells(film, across, through)
    if cells.shape[0] == 0:
        return np.zeros(frequency.shape, dtype=np.complex128)
    mutual = _ring_mutual_matrix(cells)
    coupling = _coil_mutuals(cells, *coil.rings())
    section = (cells[:, 1] - cells[:, 0]) * (cells[:, 3] - cells[:, 2])
    resistance = film.resistivity_ohm_m * math.pi * (cells[:, 0] + cells[:, 1]) / section
    out = np.empty(frequency.size, dtype=np.complex128)
    for k, omega in enumerate(2.0 * math.pi * frequency.ravel()):
        # dL = -M^T (M + R/(j w))^-1 M
        current = np.linalg.solve(mutual + np.diag(resistance / (1j * omega)), coupling.astype(complex))
        out[k] = -coupling @ current
    return out.reshape(frequency.shape)
