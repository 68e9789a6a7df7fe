"""The finger as a planar chain of rigid links with torsion springs: shape under pressure, contact force and gravity.

Equilibrium of joint i: spring(phi_i) = actuation_i + sum of load moments about the joint. Springs stiffen with the cube
of the angle and are several times stiffer backwards (strain-limiting layer). The pad is pushed along its own inward
normal (follower load). Solved by scipy's Levenberg-Marquardt root finder along a grid of actuation and force; tables of
the solution feed the stepping loop.

Source: pseudo-rigid-body chains, Howell, Compliant Mechanisms (2001), ch. 5 (from memory); own derivation of the
moments. Closing coordinate q (m): path length of the pad's place in free bending, minus the travel against the pad's
normal under load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator, RectBivariateSpline
from scipy.optimize import root

from second_finger.specimen import Specimen

Array = NDArray[np.float64]

LINKS = 15
GRAVITY = 9.81
ACTUATION = np.linspace(-0.3, 1.6, 96)
FORCE = np.linspace(0.0, 12.0, 49)
PLACES = ("pad", "flank", "tip")
FLANK_SHARE, TIP_SHARE = 0.55, 1.0


@dataclass(frozen=True)
class ChainTables:
    """What the stepping loop needs of the chain.

    Attributes
    ----------
    travel : numpy.ndarray, shape (3, a, f)
        Closing coordinate q (m) over actuation and force at pad, flank and tip.
    bend, curvature : numpy.ndarray, shape (3, q, f)
        Pad angle (rad) and local curvature at the pad relative to that at full pressure (1), over travel and force.
    travel_grid : numpy.ndarray, shape (q,)
        Grid of q (m).
    gravity_travel : numpy.ndarray, shape (2, a)
        dq per specific force along the straight finger and towards the object (m per m/s^2).
    """

    travel: Array
    bend: Array
    curvature: Array
    travel_grid: Array
    gravity_travel: Array


class Chain:
    """One chain with its springs and actuation."""

    def __init__(self, specimen: Specimen) -> None:
        self.specimen = specimen
        self.link = specimen.length / LINKS
        stiffness = specimen.tip_stiffness * specimen.pad_place**3 / 3.0
        self.spring = stiffness / self.link
        place = (np.arange(LINKS) + 0.5) / LINKS
        self.profile = 1.0 + specimen.taper * place
        self.joint_full = specimen.full_bend / (specimen.pad_place / self.link)
        self.moment_full = 1.0
        self.moment_full = self._find_full_moment()

    def _spring_moment(self, phi: Array) -> Array:
        s = self.specimen
        hardening = 1.0 + s.stiffening * (phi / self.joint_full) ** 2
        backwards = 0.5 * (1.0 - np.tanh(phi / (0.05 * self.joint_full)))  # smooth, or the solver stumbles at zero
        return np.asarray(self.spring * phi * (hardening + (s.back_stiffness - 1.0) * backwards))

    def _places(self, phi: Array) -> tuple[Array, Array]:
        """Joint positions with the far end (n+1, 2) and link angles (n).

        The first joint sits half a link from the root.
        """
        angle = np.cumsum(phi)
        steps = self.link * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        root_stub = np.array([self.link / 2.0, 0.0])
        return root_stub + np.vstack([np.zeros(2), np.cumsum(steps, axis=0)]), angle

    def _at(self, phi: Array, distance: float) -> tuple[Array, float, int]:
        nodes, angle = self._places(phi)
        index = min(int(distance / self.link - 0.5), LINKS - 1)
        direction = np.array([np.cos(angle[index]), np.sin(angle[index])])
        return nodes[index] + (distance - (index + 0.5) * self.link) * direction, float(angle[index]), index

    def _residual(self, phi: Array, actuation: float, distance: float, force: float, gravity: Array) -> Array:
        nodes, _ = self._places(phi)
        point, at_angle, index = self._at(phi, distance)
        push = -force * np.array([-np.sin(at_angle), np.cos(at_angle)])
        arm = point - nodes[:-1]
        load = np.where(np.arange(LINKS) <= index, arm[:, 0] * push[1] - arm[:, 1] * push[0], 0.0)
        centres = 0.5 * (nodes[:-1] + nodes[1:])
        weight = self.specimen.finger_mass / LINKS * gravity
        beyond = np.arange(LINKS, 0, -1)
        outer = np.cumsum(centres[::-1], axis=0)[::-1]
        arms = outer - beyond[:, None] * nodes[:-1]
        load = load + arms[:, 0] * weight[1] - arms[:, 1] * weight[0]
        return np.asarray(self._spring_moment(phi) - actuation * self.moment_full * self.profile - load) / self.spring

    def solve(self, actuation: float, distance: float, force: float, gravity: Array, start: Array) -> Array:
        """Joint angles at equilibrium (rad), shape (links,)."""
        arguments = (actuation, distance, force, gravity)
        result = root(self._residual, start, args=arguments, method="lm", options={"xtol": 1e-10, "ftol": 1e-10})
        if np.max(np.abs(result.fun)) > 1e-5 * self.joint_full:
            raise RuntimeError(
                f"the chain found no equilibrium at actuation {actuation:g}, force {force:g} N: {result.message}"
            )
        return np.asarray(result.x)

    def _find_full_moment(self) -> float:
        s, down = self.specimen, np.array([GRAVITY, 0.0])
        low, high = 0.0, 5.0 * self.spring * self.joint_full
        phi = np.full(LINKS, self.joint_full * 0.5)
        for _ in range(40):
            self.moment_full = 0.5 * (low + high)
            phi = self.solve(1.0, s.pad_place, 0.0, down, phi)
            low, high = (self.moment_full, high) if self.angle(phi) < s.full_bend else (low, self.moment_full)
        return 0.5 * (low + high)

    def angle(self, phi: Array) -> float:
        """Pad angle (rad), between the two links beside the pad."""
        return float(np.interp(self.specimen.pad_place / self.link, np.arange(LINKS) + 1.0, np.cumsum(phi)))

    def curvature(self, phi: Array) -> float:
        """Mean angle of the two joints beside the pad relative to the uniform arc of full pressure (1)."""
        centre = round(self.specimen.pad_place / self.link)
        return float(np.mean(phi[centre - 1 : centre + 1]) / self.joint_full)

    def point(self, phi: Array) -> Array:
        """Place of the pad (m), shape (2,)."""
        return self._at(phi, self.specimen.pad_place)[0]


def tabulate_chain(specimen: Specimen) -> ChainTables:
    """Solve the chain over a grid of actuation and force and return smooth tables.

    Parameters
    ----------
    specimen : Specimen
        The finger.

    Returns
    -------
    ChainTables
        See there.
    """
    chain = Chain(specimen)
    down = np.array([GRAVITY, 0.0])
    a_grid = np.round(np.linspace(ACTUATION[0], ACTUATION[-1], 20), 9)
    f_grid = np.array([0.0, 0.5, 1.5, 3.0, 5.0, 8.0, 12.0])
    free = np.zeros((len(a_grid), LINKS))
    for order in (np.arange(3, len(a_grid)), np.arange(3, -1, -1)):
        start = np.zeros(LINKS)
        for k in order:
            free[k] = start = chain.solve(a_grid[k], specimen.pad_place, 0.0, down, start)
    points = np.array([chain.point(phi) for phi in free])
    fine = np.linspace(a_grid[0], a_grid[-1], 2001)
    path = np.stack([PchipInterpolator(a_grid, points[:, k])(fine) for k in range(2)], axis=1)
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    arc_free = np.interp(a_grid, fine, arc - np.interp(0.0, fine, arc))
    travel, bend, curvature = (np.zeros((3, len(a_grid), len(f_grid))) for _ in range(3))
    for p, share in enumerate((specimen.pad_place / specimen.length, FLANK_SHARE, TIP_SHARE)):
        for i, a in enumerate(a_grid):
            phi = free[i]
            for j, force in enumerate(f_grid):
                phi = chain.solve(a, share * specimen.length * 0.999, force, down, phi) if force else free[i]
                angle = chain.angle(phi)
                middle = 0.5 * (angle + chain.angle(free[i]))
                normal = np.array([-np.sin(middle), np.cos(middle)])
                travel[p, i, j] = arc_free[i] + (chain.point(phi) - points[i]) @ normal
                bend[p, i, j], curvature[p, i, j] = angle, chain.curvature(phi)
    gravity_travel = np.zeros((2, len(ACTUATION)))
    for axis in range(2):
        step = np.zeros(2)
        step[axis] = 1.0
        moved = []
        for i, a in enumerate(a_grid):
            phi = chain.solve(a, specimen.pad_place, 0.0, down + step, free[i])
            angle = chain.angle(free[i])
            moved.append((chain.point(phi) - points[i]) @ np.array([-np.sin(angle), np.cos(angle)]))
        gravity_travel[axis] = PchipInterpolator(a_grid, moved)(ACTUATION)
    return _resample(a_grid, f_grid, travel, bend, curvature, gravity_travel)


def _resample(a: Array, f: Array, travel: Array, bend: Array, curvature: Array, gravity: Array) -> ChainTables:
    """Put the solved grid on the fine grids of the stepping loop.

    Bend and curvature over travel instead of actuation.
    """
    fine = [RectBivariateSpline(a, f, table, kx=3, ky=3)(ACTUATION, FORCE) for table in (*travel, *bend, *curvature)]
    travels, bends, curvatures = np.array(fine[:3]), np.array(fine[3:6]), np.array(fine[6:])
    q_grid = np.linspace(travels[:, :, 0].min(), travels[:, :, 0].max(), 121)

    def over_travel(values: Array) -> Array:
        table = np.empty((3, len(q_grid), len(FORCE)))
        for p in range(3):
            for j in range(len(FORCE)):
                x, y = np.maximum.accumulate(travels[p, :, j]) + 1e-12 * np.arange(len(ACTUATION)), values[p, :, j]
                slope_low, slope_high = (y[1] - y[0]) / (x[1] - x[0]), (y[-1] - y[-2]) / (x[-1] - x[-2])
                inside = np.interp(q_grid, x, y)
                inside = np.where(q_grid < x[0], y[0] + slope_low * (q_grid - x[0]), inside)
                table[p, :, j] = np.where(q_grid > x[-1], y[-1] + slope_high * (q_grid - x[-1]), inside)
        return table

    return ChainTables(travels, over_travel(bends), over_travel(curvatures), q_grid, gravity)
