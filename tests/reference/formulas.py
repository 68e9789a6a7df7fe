"""Formulas of the books that the physics of the package is checked against; nothing but tests needs them."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import j1

from soft_tactile_node.physics.composite import maxwell_garnett
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.eddy_layers import SheetCoil, reflection
from soft_tactile_node.physics.filaments import inclined_mutual_formula, loop_field, plane_axes
from soft_tactile_node.physics.iron_disc import DiscResponse


def hashin_shtrikman_bounds(fraction, inclusion):
    """Return the lowest and highest permeability of an even mixture: Maxwell Garnett with either phase as host.

    Source: Z. Hashin, S. Shtrikman, J. Appl. Phys. 33 (1962) 3125 (recalled).
    """
    contrast = (1.0 - inclusion) / (1.0 + 2.0 * inclusion)
    left = 1.0 - fraction
    high = inclusion * (1.0 + 2.0 * left * contrast) / (1.0 - left * contrast)
    return float(maxwell_garnett(fraction, inclusion)), high


def loop_impedance_change(radius_m, height_m, layer, frequency_hz):
    """Return dL (H) and dR (ohm) of one circular filament above a layer.

    dZ = j w pi mu0 a^2 int J1(alpha a)^2 exp(-2 alpha h) R d alpha. Source: Dodd & Deeds, J. Appl. Phys. 39(6) (1968)
    2829-2838 (recalled).
    """
    omega = 2.0 * math.pi * frequency_hz
    node, weight = np.polynomial.legendre.leggauss(16)
    panel = min(math.pi / radius_m, 1.0 / height_m)
    starts = np.arange(0.0, 20.0 / height_m, panel)
    alpha = (starts[:, None] + 0.5 * panel * (node + 1.0)).ravel()
    weights = np.tile(0.5 * panel * weight, starts.size)
    kernel = j1(alpha * radius_m) ** 2 * np.exp(-2.0 * alpha * height_m)
    value = math.pi * MU0_H_M * radius_m**2 * np.sum(weights * kernel * reflection(alpha, (layer,), omega))
    return float(value.real), float((1j * omega * value).real)


def sheet_coil_of(coil, gap_m):
    """Return the winding of even current density that stands for a one-layer spiral at a distance from a surface."""
    bottom = gap_m - 0.5 * coil.trace_thickness_m
    top = bottom + coil.trace_thickness_m
    return SheetCoil(coil.inner_radius_m, coil.outer_radius_m, bottom, top, coil.turns)


def mutual_inclined(primary_m, secondary_m, centre_m, normal=(0.0, 0.0, 1.0)):
    """Return the mutual inductance (H) of two circular filaments, by the package's integral at very many points."""
    axes = plane_axes(normal)
    return inclined_mutual_formula(primary_m, secondary_m, np.asarray(centre_m, dtype=float), *axes, 8192)


def diagonal_change(matrices_h):
    """Return the real self-inductance changes (H) of the coils from their matrices."""
    return np.diagonal(matrices_h, axis1=-2, axis2=-1).real


def weak_response(disc, radial=5, around=16, through=4):
    """Return the disc's response in the weak limit: its magnetisation is chi times the coil's own field.

    Source: Jackson, Classical Electrodynamics, 5.16 (recalled). Error about chi/2 for a half-space.
    """
    node_r, weight_r = np.polynomial.legendre.leggauss(radial)
    node_z, weight_z = np.polynomial.legendre.leggauss(through)
    area = 0.5 * (node_r + 1.0)  # even in r^2, so that r dr is constant
    radius = disc.radius_m * np.sqrt(area)
    angle = 2.0 * math.pi * (np.arange(around) + 0.5) / around
    height = 0.5 * disc.thickness_m * node_z
    r, phi, z = np.meshgrid(radius, angle, height, indexing="ij")
    weights = np.einsum("i,j,k->ijk", 0.5 * weight_r, np.full(around, 1.0 / around), 0.5 * weight_z) * disc.volume_m3
    points = np.stack([r * np.cos(phi), r * np.sin(phi), z], axis=-1).reshape(-1, 3)
    if disc.loss_susceptibility == 0.0:
        return DiscResponse(points, disc.susceptibility * weights.ravel())
    return DiscResponse(points, complex(disc.susceptibility, -disc.loss_susceptibility) * weights.ravel())


def loop_disc_change(radius_m, disc, gap_m):
    """Return the weak-limit change of inductance (H) of one circular filament below a coaxial disc."""
    response = weak_response(disc, 12, 24, 12)
    points = response.points_m + np.array([0.0, 0.0, gap_m + 0.5 * disc.thickness_m])
    b_rho, b_z = loop_field(radius_m, np.hypot(points[:, 0], points[:, 1]), points[:, 2])
    return float(np.sum(response.form.real * (b_rho**2 + b_z**2)) / MU0_H_M)


def inductance_current_sheet(inner_m, outer_m, turns):
    """Return the current-sheet approximation (H) of a round flat spiral.

    Source: Mohan, del Mar Hershenson, Boyd, Lee, IEEE JSSC 34(10) (1999) 1419-1424, table II; circle row recalled.
    """
    rho = (outer_m - inner_m) / (outer_m + inner_m)
    return 0.5 * MU0_H_M * turns**2 * (inner_m + outer_m) * (math.log(2.46 / rho) + 0.20 * rho**2)


def inductance_wheeler_flat(inner_m, outer_m, turns):
    """Return Wheeler's formula (H) for a flat spiral: L[uH] = a^2 N^2 / (8 a + 11 c), a mean radius, c depth, inches.

    Source: H. A. Wheeler, Proc. IRE 16(10) (1928) 1398-1400 (recalled).
    """
    mean, depth = 0.5 * (inner_m + outer_m) / 0.0254, (outer_m - inner_m) / 0.0254
    return 1.0e-6 * mean**2 * turns**2 / (8.0 * mean + 11.0 * depth)
