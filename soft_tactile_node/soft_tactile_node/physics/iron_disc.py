"""A disc of magnetic composite above flat coils: change of inductance for any position and tilt.

The change follows from the work the coil field does on the magnetisation it causes. To first order in the
susceptibility (weak limit) dL = mu0 chi int (H/I)^2 dV over the disc; beyond it the disc's own demagnetising field
enters, see `demagnetisation`. Frame: coils in the plane z = 0, disc above (z > 0). Tilt (a, b): the disc is turned by a
about x, then by b about y (rad).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import RectBivariateSpline

from soft_tactile_node.checks import check_range, check_shape
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.filaments import loop_field
from soft_tactile_node.physics.spiral import SpiralCoil
from soft_tactile_node.samples import Array

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class MagneticDisc:
    """A flat round disc of magnetic composite.

    Attributes
    ----------
    radius_m, thickness_m : float
        Radius and thickness (m), > 0.
    susceptibility : float
        Susceptibility chi = mu_r - 1 (1), > -1; real part.
    loss_susceptibility : float
        Loss part chi'' of the susceptibility chi' - j chi'' (1), >= 0.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    radius_m: float
    thickness_m: float
    susceptibility: float
    loss_susceptibility: float = 0.0

    def __post_init__(self) -> None:
        check_range(self.radius_m, 0.0, name="radius_m", open_low=True)
        check_range(self.thickness_m, 0.0, name="thickness_m", open_low=True)
        check_range(self.susceptibility, -1.0, name="susceptibility", open_low=True)
        check_range(self.loss_susceptibility, 0.0, name="loss_susceptibility")

    @property
    def volume_m3(self) -> float:
        """Volume (m^3)."""
        return math.pi * self.radius_m**2 * self.thickness_m


@dataclass(frozen=True)
class DiscResponse:
    """How a disc answers a field: points where the coils' fields are wanted, and the form that turns them into dL.

    Attributes
    ----------
    points_m : numpy.ndarray, shape (q, 3)
        Points in the disc's own frame, origin in its centre, z along its axis (m).
    form : numpy.ndarray, shape (q,) or (3 q, 3 q)
        dL_ij = B_i Q B_j / mu0 with B of all points and components in a row: the diagonal of Q for each point, or all
        of it (m^3); real or complex, symmetric.
    """

    points_m: Array
    form: NDArray[np.generic]

    def inductance_matrix(self, fields_t_a: ArrayLike) -> ComplexArray:
        """Return the change of the inductance matrix of coils whose fields are known at the points.

        Parameters
        ----------
        fields_t_a : array_like, shape (..., c, q, 3)
            B of each coil at 1 A, in the disc's frame, without the disc (T/A).

        Returns
        -------
        numpy.ndarray of complex, shape (..., c, c)
            Change of self and mutual inductance (H); the imaginary part is -dR/w.

        Notes
        -----
        Source: energy of a magnetised body in a field, Jackson, Classical Electrodynamics, 5.16; Landau & Lifshitz,
        Electrodynamics of Continuous Media, sec. 32 (recalled).
        """
        fields = np.asarray(fields_t_a, dtype=float)
        if fields.shape[-2:] != self.points_m.shape:
            raise RangeError(f"fields_t_a must end in shape {self.points_m.shape}; got {fields.shape[-2:]}")
        rows = fields.reshape(-1, fields.shape[-2] * 3)  # one matrix product for all poses and coils
        answer: NDArray[Any] = _times(rows, self.form.real)
        if np.iscomplexobj(self.form):
            answer = answer + 1j * _times(rows, self.form.imag)
        shape = (*fields.shape[:-2], rows.shape[1])
        turned = np.swapaxes(answer.reshape(shape), -1, -2)
        return np.asarray(rows.reshape(shape) @ turned / MU0_H_M, dtype=np.complex128)


def _times(rows: Array, form: Array) -> Array:
    return np.asarray(rows * np.repeat(form, 3) if form.ndim == 1 else rows @ np.ascontiguousarray(form))


class CoilField:
    """The field of a spiral as a smooth table in radius and height, for the many points a disc needs.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    lowest_m, highest_m : float
        Range of heights above the coil's plane (m); lowest > 0.
    reach_m : float
        Largest distance from the axis (m).
    steps : int
        Table points along each side (1).

    Notes
    -----
    Source: sum of circular loops, tabulated and joined by bicubic splines; about 1e-6 relative while the lowest height
    is above the pitch of the turns.
    """

    def __init__(self, coil: SpiralCoil, lowest_m: float, highest_m: float, reach_m: float, steps: int = 96) -> None:
        self.lowest_m = check_range(lowest_m, 0.0, name="lowest_m", open_low=True)
        self.highest_m = check_range(highest_m, lowest_m, name="highest_m", open_low=True)
        self.reach_m = check_range(reach_m, 0.0, name="reach_m", open_low=True)
        rho = np.linspace(0.0, reach_m, steps)
        # heights are spaced evenly in log(z + a/4), finer near the coil where the field changes fast
        self._shift = 0.25 * coil.outer_radius_m
        level = np.linspace(math.log(lowest_m + self._shift), math.log(highest_m + self._shift), steps)
        z = np.exp(level) - self._shift
        radii, heights = coil.rings()
        along_rho, along_z = np.zeros((steps, steps)), np.zeros((steps, steps))
        for radius, height in zip(radii, heights, strict=True):
            b_rho, b_z = loop_field(radius, rho[:, None], z[None, :] - height)
            along_rho += b_rho
            along_z += b_z
        self._b_rho = RectBivariateSpline(rho, level, along_rho)
        self._b_z = RectBivariateSpline(rho, level, along_z)

    def __call__(self, points_m: ArrayLike) -> Array:
        """Return B at 1 A.

        Parameters
        ----------
        points_m : array_like, shape (..., 3)
            Points in the coil's frame (m), within the table.

        Returns
        -------
        numpy.ndarray, shape (..., 3)
            B (T/A).

        Raises
        ------
        RangeError
            A point lies outside the table.
        """
        points = np.asarray(points_m, dtype=float)
        x, y, z = points[..., 0], points[..., 1], points[..., 2]
        rho = np.hypot(x, y)
        slack = 1.0e-9
        if z.min() < self.lowest_m - slack or z.max() > self.highest_m + slack or rho.max() > self.reach_m + slack:
            raise RangeError(
                f"points_m must lie within {self.lowest_m:g} <= z <= {self.highest_m:g} m and {self.reach_m:g} m of "
                "the "
                f"axis; got z from {z.min():g} to {z.max():g} m, distance up to {rho.max():g} m"
            )
        level = np.log(z + self._shift)
        b_rho = self._b_rho.ev(rho, level)
        over = b_rho / np.maximum(rho, 1.0e-12)
        return np.stack([over * x, over * y, self._b_z.ev(rho, level)], axis=-1)


def tilt_rotation(tilt_rad: ArrayLike) -> Array:
    """Return the rotation of a tilted disc: Ry(b) Rx(a).

    Parameters
    ----------
    tilt_rad : array_like, shape (..., 2)
        Tilt a about x, then b about y (rad).

    Returns
    -------
    numpy.ndarray, shape (..., 3, 3)
        Rotation that takes vectors of the disc's frame into the board's (1).
    """
    tilt = np.asarray(tilt_rad, dtype=float)
    a, b = tilt[..., 0], tilt[..., 1]
    ca, sa, cb, sb, zero = np.cos(a), np.sin(a), np.cos(b), np.sin(b), np.zeros_like(a)
    rows = [[cb, sb * sa, sb * ca], [zero, ca, -sa], [-sb, cb * sa, cb * ca]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def board_inductance_change(
    response: DiscResponse,
    field: CoilField,
    coil_centres_m: ArrayLike,
    centre_m: ArrayLike,
    tilt_rad: ArrayLike = (0.0, 0.0),
) -> ComplexArray:
    """Return the change of the inductance matrix of equal coils on one board, for many poses of the disc at once.

    Parameters
    ----------
    response : DiscResponse
        The disc.
    field : CoilField
        Field of one coil, table wide enough for every pose.
    coil_centres_m : array_like, shape (c, 2)
        Centres of the coils in the plane z = 0 (m).
    centre_m : array_like, shape (3,) or (n, 3)
        Centre of the disc (m).
    tilt_rad : array_like, shape (2,) or (n, 2)
        Tilt of the disc about x and y (rad).

    Returns
    -------
    numpy.ndarray of complex, shape (c, c) or (n, c, c)
        Change of self (diagonal) and mutual inductance (H); imaginary part -dR/w.

    Notes
    -----
    Source: see `DiscResponse.inductance_matrix`.
    """
    coils = check_shape(coil_centres_m, (None, 2), name="coil_centres_m")
    centres = np.asarray(centre_m, dtype=float)
    rotation = tilt_rotation(tilt_rad)
    points = np.einsum("...ij,qj->...qi", rotation, response.points_m)
    points = points + centres[..., None, :] if centres.ndim > 1 else points + centres
    offset = np.concatenate([coils, np.zeros((coils.shape[0], 1))], axis=1)
    seen = points[..., None, :, :] - offset[:, None, :]
    fields = field(seen)
    local = np.einsum("...ji,...cqj->...cqi", rotation, fields)
    return response.inductance_matrix(local)
