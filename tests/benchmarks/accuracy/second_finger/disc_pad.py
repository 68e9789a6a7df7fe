"""Inductance of four flat coils under an iron-filled disc.

The disc is cut into volume elements that magnetise each other.

Moments: m = chi_v (H_coil + H_others), with the dipole field of every other element and the self-demagnetisation of an
element (1/3); the coil sees dL = mu0 * sum(m . H_coil) per square ampere (reciprocity). The interaction belongs to the
disc, so it is solved once in the disc's frame and only the coil's field is turned and moved. A smooth polynomial of
log(dL/L) in gap, shift and tilt feeds the recordings; its error is tested.

Source: coupled dipole method, Purcell & Pennypacker, Astrophys. J. 186 (1973) 705, static limit; Jackson 5.10-5.11
(from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.constants import mu_0
from scipy.interpolate import RectBivariateSpline

from second_finger.loops import coil_inductance, image_change, loop_field, turn_radii
from second_finger.specimen import Specimen

Array = NDArray[np.float64]

DISC_RADIUS, DISC_THICKNESS = 6.5e-3, 1.4e-3
COIL_INNER, COIL_OUTER, COIL_TURNS, COIL_PITCH, WIRE = 1.0e-3, 4.0e-3, 18, 8.4e-3, 0.045e-3
CENTRE = np.array([2.4e-3, 0.0, 0.0, 0.0, 0.0])
SCALE = np.array([1.3e-3, 1.7e-3, 1.7e-3, 0.12, 0.12])
DEGREE, TILT_DEGREE = 6, 2


def disc_elements(radius: float, thickness: float, cell: float) -> tuple[Array, float]:
    """Centres (n, 3) and volume of equal elements of a disc whose underside lies in z = 0."""
    layers = max(round(thickness / cell), 1)
    axis = np.arange(-radius + cell / 2, radius, cell)
    x, y = np.meshgrid(axis, axis)
    inside = np.hypot(x, y) <= radius
    flat = np.stack([x[inside], y[inside]], axis=1)
    z = (np.arange(layers) + 0.5) * thickness / layers
    points = np.concatenate([np.column_stack([flat, np.full(len(flat), height)]) for height in z])
    return points, np.pi * radius**2 * thickness / len(points)


def moment_matrix(points: Array, volume: float, susceptibility: float) -> Array:
    """Matrix (3n, 3n) that turns applied H at the elements into their moments."""
    n = len(points)
    apart = points[:, None, :] - points[None, :, :]
    distance = np.linalg.norm(apart, axis=2)
    np.fill_diagonal(distance, 1.0)
    unit = apart / distance[:, :, None]
    field = (3.0 * unit[:, :, :, None] * unit[:, :, None, :] - np.eye(3)) / (4.0 * np.pi * distance**3)[
        :, :, None, None
    ]
    field[np.arange(n), np.arange(n)] = -np.eye(3) / (3.0 * volume)
    interaction = field.transpose(0, 2, 1, 3).reshape(3 * n, 3 * n)
    return np.linalg.inv(np.eye(3 * n) / (susceptibility * volume) - interaction)


@dataclass(frozen=True)
class DiscPad:
    """Coils, and the polynomial of each one's log(dL/L) by the disc.

    Attributes
    ----------
    inductance : numpy.ndarray, shape (4,)
        Inductance without the disc (H).
    powers : numpy.ndarray of int, shape (m, 5)
        Exponents of gap, x, y, tilt about y, tilt about x.
    weights : numpy.ndarray, shape (m, 4)
        Coefficients.
    """

    inductance: Array
    powers: NDArray[np.int64]
    weights: Array
    radii: Array

    def change(self, pose: Array) -> Array:
        """Relative inductance change by the disc (1), shape (n, 4); pose (n, 5).

        The pose is gap, x, y (m), tilt y, tilt x (rad).
        """
        out = np.empty((len(pose), 4))
        for start in range(0, len(pose), 20000):
            part = (pose[start : start + 20000] - CENTRE) / SCALE
            columns = [part[:, [k]] ** np.arange(DEGREE + 1) for k in range(5)]
            design = np.ones((len(part), len(self.powers)))
            for k in range(5):
                design *= columns[k][:, self.powers[:, k]]
            out[start : start + 20000] = np.exp(design @ self.weights)
        return out

    def lid_change(self, distance: Array, reflection: float = 0.6) -> Array:
        """Relative change (n, 4) by a steel lid at `distance` (m) from the coil plane."""
        one = image_change(self.radii, float(self.inductance[0]), distance, reflection)
        return np.repeat(one[:, None], 4, axis=1)


def coil_field_table(radii: Array) -> tuple[RectBivariateSpline, RectBivariateSpline]:
    """Splines of radial and axial H (1/m) of one coil over (rho, z)."""
    rho, z = np.linspace(0.0, 22e-3, 220), np.linspace(0.25e-3, 9e-3, 140)
    grid_rho, grid_z = np.meshgrid(rho, z, indexing="ij")
    fields = [loop_field(r, grid_rho, grid_z) for r in radii]
    return tuple(RectBivariateSpline(rho, z, sum(f[k] for f in fields)) for k in (0, 1))  # type: ignore[return-value]


def disc_response(pose: Array, points: Array, matrix: Array, place: Array, tables: tuple) -> float:  # type: ignore[type-arg]
    """DL (H) of one coil at `place` (2,) for one pose of the disc."""
    gap, x, y, tilt_y, tilt_x = pose
    cy, sy, cx, sx = np.cos(tilt_y), np.sin(tilt_y), np.cos(tilt_x), np.sin(tilt_x)
    turn = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]]) @ np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    middle = np.array([0.0, 0.0, DISC_THICKNESS / 2])
    world = (points - middle) @ turn.T + middle + np.array([x, y, gap])
    dx, dy = world[:, 0] - place[0], world[:, 1] - place[1]
    rho = np.hypot(dx, dy)
    h_rho, h_z = (table.ev(rho, world[:, 2]) for table in tables)
    safe = np.maximum(rho, 1e-9)
    field = np.column_stack([h_rho * dx / safe, h_rho * dy / safe, h_z]) @ turn
    flat = field.ravel()
    return float(mu_0 * flat @ (matrix @ flat))


def exponents() -> NDArray[np.int64]:
    """All exponents of the polynomial, shape (m, 5)."""
    space = product(
        range(DEGREE + 1), range(DEGREE + 1), range(DEGREE + 1), range(TILT_DEGREE + 1), range(TILT_DEGREE + 1)
    )
    return np.array([p for p in space if sum(p) <= DEGREE and p[3] + p[4] <= TILT_DEGREE])


def make_disc_pad(specimen: Specimen, samples: int = 2000, cell: float = 0.95e-3) -> DiscPad:
    """Solve the disc for random poses and fit the polynomial.

    Parameters
    ----------
    specimen : Specimen
        Gives susceptibility and the coils' small misplacements.
    samples : int
        Number of poses solved.
    cell : float
        Size of a volume element (m).

    Returns
    -------
    DiscPad
        See there.
    """
    r = np.random.default_rng(specimen.coil_seed)
    points, volume = disc_elements(DISC_RADIUS, DISC_THICKNESS, cell)
    matrix = moment_matrix(points, volume, specimen.susceptibility)
    radii = turn_radii(COIL_INNER, COIL_OUTER, COIL_TURNS) * r.normal(1.0, 0.01)
    tables = coil_field_table(radii)
    corners = COIL_PITCH / 2 * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]], dtype=float)
    places = corners + r.normal(0.0, 0.1e-3, (4, 2))
    inductance = coil_inductance(radii, WIRE) * (1.0 + r.normal(0.0, 0.01, 4))
    poses = CENTRE + SCALE * r.uniform(-1.0, 1.0, (samples, 5))
    values = np.array([[disc_response(pose, points, matrix, place, tables) for place in places] for pose in poses])
    powers = exponents()
    unit = (poses - CENTRE) / SCALE
    design = np.prod(unit[:, None, :] ** powers[None, :, :], axis=2)
    weights = np.linalg.lstsq(design, np.log(values / inductance), rcond=None)[0]
    return DiscPad(inductance, powers, weights, radii)
