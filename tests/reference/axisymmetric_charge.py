"""A second, independent route to the finite magnetic disc: surface charges on a body of revolution.

The magnetisation of an even material has no volume charge; its surface charge s = M.n obeys
s (1/chi + 1/2) - n.H[s] = n.H0 on the surface. Collocation with constant charge on rings graded towards the edges. The
inductance change of a coaxial filament follows from the charge and the filament's scalar potential. Nothing here is
shared with the package but the constants: the elliptic integrals are scipy's.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ellipe, ellipk, ellipkm1

MU0_H_M = 4.0e-7 * math.pi


def ring_charge_field(a, source_z, r, z):
    """Field (1/m^2) at (r, z) of unit charge per unit area on a ring strip of radius a, per unit strip width."""
    dz = z - source_z
    far = (a + r) ** 2 + dz**2
    near = (a - r) ** 2 + dz**2
    m = np.minimum(4.0 * a * r / far, 1.0)
    k, e = ellipkm1(near / far), ellipe(m)
    root = np.sqrt(far)
    along = a / math.pi * dz / (near * root) * e
    with np.errstate(divide="ignore", invalid="ignore"):
        outward = a / (2.0 * math.pi * r * root) * (k - (a * a - r * r + dz * dz) / near * e)
    return np.where(r > 0.0, outward, 0.0), along


def _graded(low, high, count, grade_low, grade_high):
    """Edges from low to high, graded geometrically towards the marked ends."""
    t = np.linspace(0.0, 1.0, count + 1)
    if grade_low and grade_high:
        t = np.where(t < 0.5, 0.5 * (2 * t) ** 3, 1.0 - 0.5 * (2 - 2 * t) ** 3)
    elif grade_high:
        t = 1.0 - (1.0 - t) ** 3
    return low + (high - low) * t


def _strips(radius, thickness, bottom, count):
    """Strips (r0, z0, r1, z1) and outward normals (n_r, n_z) of the surface of a disc."""
    r = _graded(0.0, radius, count, False, True)
    z = _graded(bottom, bottom + thickness, count, True, True)
    rows, normals = [], []
    for low, high in zip(r[:-1], r[1:]):
        rows.append((low, bottom, high, bottom))
        normals.append((0.0, -1.0))
    for low, high in zip(z[:-1], z[1:]):
        rows.append((radius, low, radius, high))
        normals.append((1.0, 0.0))
    for low, high in zip(r[:-1], r[1:]):
        rows.append((low, bottom + thickness, high, bottom + thickness))
        normals.append((0.0, 1.0))
    return np.array(rows), np.array(normals)


def _strip_field(strip, r, z):
    """Field at points (r, z) of unit charge density on one strip; quadrature refined towards each point."""
    node, weight = np.polynomial.legendre.leggauss(10)
    out_r, out_z = np.zeros_like(r), np.zeros_like(r)
    start, end = strip[:2], strip[2:]
    length = math.hypot(*(end - start))
    for i in range(r.size):
        point = np.array([r[i], z[i]])
        along = float(np.clip(np.dot(point - start, end - start) / length**2, 0.0, 1.0))
        foot = start + along * (end - start)
        distance = math.hypot(*(point - foot))
        on_strip = distance < 1e-9 * length
        cuts = [0.0, 1.0]
        if distance < 2.0 * length:
            for side, reach in ((-1.0, along), (1.0, 1.0 - along)):
                step = reach
                while step * length > max(0.3 * distance, 1e-6 * length):
                    cuts.append(along + side * step)
                    step *= 0.35
                if on_strip:
                    cuts.append(along + side * step)  # the last pieces lie evenly about the point: principal value
        cuts = sorted(set(cuts))
        for low, high in zip(cuts[:-1], cuts[1:]):
            if on_strip and low < along < high:
                continue
            t = low + (high - low) * 0.5 * (node + 1.0)
            a, s = start[0] + t * (end[0] - start[0]), start[1] + t * (end[1] - start[1])
            h_r, h_z = ring_charge_field(a, s, r[i], z[i])
            scale = 0.5 * (high - low) * length
            out_r[i] += scale * np.sum(weight * h_r)
            out_z[i] += scale * np.sum(weight * h_z)
    return out_r, out_z


def _loop_h(a, r, z):
    """H (A/m) of a filament of radius a with 1 A, in the plane z = 0."""
    q = (a + r) ** 2 + z**2
    near = (a - r) ** 2 + z**2
    m = 4.0 * a * r / q
    k, e = ellipk(m), ellipe(m)
    h_z = 1.0 / (2 * math.pi * np.sqrt(q)) * (k + (a * a - r * r - z * z) / near * e)
    safe = np.maximum(r, 1e-12)
    h_r = z / (2 * math.pi * safe * np.sqrt(q)) * (-k + (a * a + r * r + z * z) / near * e)
    return np.where(r > 1e-9, h_r, 0.0), h_z


def _loop_potential(a, r, z):
    """Scalar potential (A), H = -grad: closed form on the axis, then along the radius at constant height."""
    node, weight = np.polynomial.legendre.leggauss(40)
    s = r[:, None] * 0.5 * (node + 1.0)
    h_r, _ = _loop_h(a, s, np.broadcast_to(z[:, None], s.shape))
    return -0.5 * z / np.hypot(a, z) - 0.5 * r * np.sum(weight * h_r, axis=1)


def disc_inductance_change(loop_radii, radius, thickness, bottom, chi, count=24):
    """Inductance change (H) of coaxial filaments in series in the plane z = 0; the disc above begins at bottom (m)."""
    strips, normals = _strips(radius, thickness, bottom, count)
    middle_r, middle_z = 0.5 * (strips[:, 0] + strips[:, 2]), 0.5 * (strips[:, 1] + strips[:, 3])
    length = np.hypot(strips[:, 2] - strips[:, 0], strips[:, 3] - strips[:, 1])
    matrix = np.zeros((len(strips), len(strips)))
    for j, strip in enumerate(strips):
        h_r, h_z = _strip_field(strip, middle_r, middle_z)
        matrix[:, j] = -(normals[:, 0] * h_r + normals[:, 1] * h_z)
    matrix[np.diag_indices(len(strips))] += 1.0 / chi + 0.5
    drive = np.zeros(len(strips))
    potential = np.zeros(len(strips))
    for a in loop_radii:
        h_r, h_z = _loop_h(a, middle_r, middle_z)
        drive += normals[:, 0] * h_r + normals[:, 1] * h_z
        potential += _loop_potential(a, middle_r, middle_z)
    charge = np.linalg.solve(matrix, drive)
    area = 2.0 * math.pi * middle_r * length
    charge -= np.sum(charge * area) / np.sum(area)  # the total is zero up to the discretisation
    return -MU0_H_M * float(np.sum(charge * potential * area))
