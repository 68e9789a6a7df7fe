"""Demagnetisation of a finite disc: charges on its surface, one azimuthal order at a time.

The magnetisation of an even material has no volume charge. Its surface charge s = M.n obeys, on the surface,
s (1/chi + 1/2) - n.H[s] = n.H0, with H0 the coil's field and H[s] the principal value of the charge's own. A disc is a
body of revolution, so every azimuthal order cos(m phi), sin(m phi) has its own small set of equations. The change of
inductance is -mu0 times the surface integral of s_i phi_j, phi_j the scalar potential of coil j, had by integrating its
field along the surface. The matrix depends on the disc alone: one solution serves every position and tilt.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.checks import check_range
from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.iron_disc import DiscResponse, MagneticDisc
from soft_tactile_node.samples import Array

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_ANGLE_NODES, _ANGLE_WEIGHTS = np.polynomial.legendre.leggauss(32)


def demagnetised_response(disc: MagneticDisc, rings: int = 40, orders: int = 8, nodes: int = 6) -> DiscResponse:
    """Return the response of a disc with its demagnetising field.

    Parameters
    ----------
    disc : MagneticDisc
        The disc.
    rings : int
        Charge rings on each face (1), >= 4, finer towards the rim; the rim itself gets two thirds of them. The error
        falls with their inverse.
    orders : int
        Highest azimuthal order (1), >= 1; the field is sampled at 2 orders + 2 angles or up to
        two more.
    nodes : int
        Radii at which the field is sampled on each face (1), >= 2; half as many heights on the rim.

    Returns
    -------
    DiscResponse
        Surface points and the form of the answer.

    Notes
    -----
    Source: surface-charge integral equation of a uniform magnetic body (Poisson's equivalent charge); e.g. Jackson,
    Classical Electrodynamics, 5.9 (recalled); collocation with constant elements. About 0.3 % with the defaults, for
    fields that vary over half a radius or more.
    """
    check_range(rings, 4, name="rings")
    check_range(orders, 1, name="orders")
    check_range(nodes, 2, name="nodes")
    panels, normals = _panels(disc.radius_m, disc.thickness_m, rings)
    charge = _charge_solutions(panels, normals, complex(disc.susceptibility, -disc.loss_susceptibility), orders)
    samples, value, integral = _sampling(disc, panels, rings, nodes)
    turns = 4 * math.ceil((orders + 1) / 2)  # a multiple of four: coils in a square see a symmetric disc
    angles = 2.0 * math.pi * np.arange(turns) / turns
    middle_r = 0.5 * (panels[:, 0] + panels[:, 2])
    length = np.hypot(panels[:, 2] - panels[:, 0], panels[:, 3] - panels[:, 1])
    area = middle_r * length * 2.0 * math.pi / angles.size
    form = _form(_on_grid(charge, angles.size), normals, value, integral, area, angles)
    r, phi = np.meshgrid(samples[:, 0], angles, indexing="ij")
    z = np.broadcast_to(samples[:, 1:], r.shape)
    points = np.stack([r * np.cos(phi), r * np.sin(phi), z], axis=-1).reshape(-1, 3)
    return DiscResponse(points, np.ascontiguousarray(form.real) if disc.loss_susceptibility == 0.0 else form)


def _sampling(disc: MagneticDisc, panels: Array, rings: int, nodes: int) -> tuple[Array, Array, Array]:
    """Return sample points (r, z) on the meridian and the matrices from samples to panels.

    value: interpolation to the middle of each panel; integral: from the lower centre along the meridian to the middle
    of each panel. Along each of the three straight parts the field is a polynomial through Gauss points.
    """
    side = len(panels) - 2 * rings
    half = 0.5 * disc.thickness_m
    parts = [
        (np.array([0.0, -half]), np.array([disc.radius_m, -half]), rings, nodes),
        (np.array([disc.radius_m, -half]), np.array([disc.radius_m, half]), side, (nodes + 1) // 2),
        (np.array([disc.radius_m, half]), np.array([0.0, half]), rings, nodes),
    ]
    count = 2 * nodes + (nodes + 1) // 2
    samples, value, integral = np.empty((count, 2)), np.zeros((len(panels), count)), np.zeros((len(panels), count))
    row, column = 0, 0
    for start, stop, pieces, points in parts:
        length = float(np.hypot(*(stop - start)))
        at, weights = np.polynomial.legendre.leggauss(points)
        middle = 0.5 * (panels[row : row + pieces, :2] + panels[row : row + pieces, 2:])
        t = 2.0 * np.hypot(*(middle - start).T) / length - 1.0
        basis = np.linalg.inv(np.polynomial.legendre.legvander(at, points - 1))
        primitive = np.stack([np.polynomial.legendre.legint(unit, lbnd=-1) for unit in np.eye(points)])
        here, columns = slice(row, row + pieces), slice(column, column + points)
        samples[columns] = start + 0.5 * (at[:, None] + 1.0) * (stop - start)
        value[here, columns] = np.polynomial.legendre.legvander(t, points - 1) @ basis
        integral[here, columns] = 0.5 * length * np.polynomial.legendre.legvander(t, points) @ primitive.T @ basis
        integral[row + pieces :, columns] = 0.5 * length * weights
        row, column = row + pieces, column + points
    return samples, value, integral


def _panels(radius_m: float, thickness_m: float, rings: int) -> tuple[Array, Array]:
    """Return the meridian as panels (r0, z0, r1, z1) from the lower centre over the rim to the upper, and normals."""
    t = np.linspace(0.0, 1.0, rings + 1)
    r = radius_m * (1.0 - (1.0 - t) ** 3.0)
    side = max(4, 2 * math.ceil(rings / 3))
    u = np.linspace(-1.0, 1.0, side + 1)
    z = 0.5 * thickness_m * np.sign(u) * (1.0 - (1.0 - np.abs(u)) ** 3.0)
    low = np.full(rings, -0.5 * thickness_m)
    bottom = np.column_stack([r[:-1], low, r[1:], low])
    rim = np.column_stack([np.full(side, radius_m), z[:-1], np.full(side, radius_m), z[1:]])
    top = np.column_stack([r[1:], -low, r[:-1], -low])[::-1]
    normals = np.repeat([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0]], [rings, side, rings], axis=0)
    return np.ascontiguousarray(np.concatenate([bottom, rim, top])), normals


def _charge_solutions(panels: Array, normals: Array, chi: complex, orders: int) -> NDArray[np.complex128]:
    """Return, for each order m, the matrix from n.H0 to charge, shape (orders + 1, k, k)."""
    kernels = _normal_fields(panels, normals, orders, _NODES, _WEIGHTS, _ANGLE_NODES, _ANGLE_WEIGHTS)
    count = panels.shape[0]
    return np.stack([np.linalg.inv(np.eye(count) * (1.0 / chi + 0.5) - kernel) for kernel in kernels])


@compiled
def _normal_fields(
    panels: Array, normals: Array, orders: int, nodes: Array, weights: Array, angle_nodes: Array, angle_weights: Array
) -> Array:
    """Return n.H at the middle of panel i per unit charge cos(m phi) on panel j, shape (orders + 1, k, k)."""
    count = panels.shape[0]
    out = np.zeros((orders + 1, count, count))
    sums = np.zeros(orders + 1)
    for i in range(count):
        r = 0.5 * (panels[i, 0] + panels[i, 2])
        z = 0.5 * (panels[i, 1] + panels[i, 3])
        for j in range(count):
            if normals[i, 1] != 0.0 and panels[j, 1] == z and panels[j, 3] == z:
                continue  # a flat face has no normal field on itself
            dr, dz = panels[j, 2] - panels[j, 0], panels[j, 3] - panels[j, 1]
            length = math.sqrt(dr * dr + dz * dz)
            foot = ((r - panels[j, 0]) * dr + (z - panels[j, 1]) * dz) / (length * length)
            foot = min(max(foot, 0.0), 1.0)
            gap = math.sqrt((panels[j, 0] + foot * dr - r) ** 2 + (panels[j, 1] + foot * dz - z) ** 2) / length
            # pieces shrink towards the foot of the point, where the kernel peaks
            for side in range(2):
                high = 1.0
                while high > 0.0:
                    low = 0.3 * high
                    if high < max(0.5 * gap, 1.0e-5):
                        low = 0.0
                    start = foot + low * (1.0 - foot) if side else foot - low * foot
                    stop = foot + high * (1.0 - foot) if side else foot - high * foot
                    width = abs(stop - start)
                    if width > 0.0:
                        for k in range(nodes.size):
                            t = 0.5 * (start + stop) + 0.5 * (stop - start) * nodes[k]
                            a, s = panels[j, 0] + t * dr, panels[j, 1] + t * dz
                            _around(sums, r, z, normals[i], a, s, angle_nodes, angle_weights)
                            scale = 0.5 * width * length * weights[k] * a / (4.0 * math.pi)
                            for m in range(sums.size):
                                out[m, i, j] += scale * sums[m]
                    high = low
    return out


@compiled
def _around(
    sums: Array, r: float, z: float, normal: Array, a: float, s: float, angle_nodes: Array, angle_weights: Array
) -> None:
    """Fill sums with the integral of cos(m phi) n.(x - x')/|x - x'|^3 around a ring of radius a at height s."""
    for m in range(sums.size):
        sums[m] = 0.0
    dz = z - s
    near = math.sqrt((r - a) ** 2 + dz * dz)
    # phi = c sinh(u) spreads the peak of width near/sqrt(r a) evenly over the nodes
    c = min(max(near / math.sqrt(r * a), 1.0e-9), math.pi)
    top = math.asinh(math.pi / c)
    for k in range(angle_nodes.size):
        u = 0.5 * top * (angle_nodes[k] + 1.0)
        phi = c * math.sinh(u)
        jacobian = c * math.cosh(u) * 0.5 * top * angle_weights[k]
        half = math.sin(0.5 * phi)
        square = (r - a) ** 2 + dz * dz + 4.0 * r * a * half * half
        outward = normal[0] * (r - a + 2.0 * a * half * half) + normal[1] * dz
        value = 2.0 * jacobian * outward / (square * math.sqrt(square))
        for m in range(sums.size):
            sums[m] += value * math.cos(m * phi)


def _on_grid(charge: NDArray[np.complex128], angles: int) -> NDArray[np.complex128]:
    """Return the solution on the grid of angles: charge at angle 0 from the field at each one, (k, k, angles)."""
    orders = charge.shape[0] - 1
    step = 2.0 * math.pi * np.arange(angles) / angles
    factor = np.stack([(1.0 if m == 0 else 2.0) * np.cos(m * step) / angles for m in range(orders + 1)])
    return np.asarray(np.einsum("mij,ma->ija", charge, factor))


def _form(
    solve: NDArray[np.complex128], normals: Array, value: Array, integral: Array, area: Array, angles: Array
) -> NDArray[np.complex128]:
    """Return the symmetric form Q with dL_ij = B_i Q B_j / mu0 over all sample points and components.

    value, integral (k, n) lead from samples to panels; samples inherit the direction of the part they lie on.
    """
    turns, samples = angles.size, value.shape[1]
    outward = np.stack([np.cos(angles), np.sin(angles), np.zeros(turns)], axis=-1)
    upward = np.array([0.0, 0.0, 1.0])
    part = normals[np.argmax(np.abs(value), axis=0)]  # normal of the part each sample lies on
    normal = part[:, None, :1] * outward + part[:, None, 1:] * upward
    along = -part[:, None, 1:] * outward + part[:, None, :1] * upward  # outward below, up the rim, inward above
    shift = (np.arange(turns)[:, None] - np.arange(turns)[None, :]) % turns
    reduced = np.einsum("jl,jna,nk->lka", area[:, None] * integral, solve, value, optimize=True)
    form = np.einsum("lkab,lap,kbs->lapkbs", reduced[:, :, shift], along, normal, optimize=True)
    flat = form.reshape(3 * samples * turns, 3 * samples * turns)
    return np.asarray(0.5 * (flat + flat.T))
