"""Inductance of one flat coil below a cell that fills with liquid metal.

The metal is a set of inductively coupled rings.

Every ring of metal has a resistance (its area of cross-section shrinks towards the meniscus) and mutual inductances to
all other rings and to every turn. With i w M I_coil driving the rings, Z = i w L0 + w^2 m^T (R + i w M)^-1 m; L is its
imaginary part over w, so the reflection depends on frequency by itself. The wetted radius grows with the metal moved
over the coil, and the inductance falls.

Source: coupled-circuit (filament) method for eddy currents, e.g. Dodd's 1968 coil benchmark solved as loops, Grover
(1946) mutuals; resistivity of eutectic gallium-indium 29.4e-8 ohm m (Dickey et al., Adv. Funct. Mater. 18 (2008) 1097,
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from second_finger.loops import coil_inductance, image_change, mutual, turn_radii
from second_finger.specimen import Specimen

Array = NDArray[np.float64]

COIL_INNER, COIL_OUTER, COIL_TURNS, WIRE = 1.0e-3, 6.0e-3, 20, 0.06e-3
RESISTIVITY, RESISTIVITY_SLOPE = 29.4e-8, 0.9e-3
RINGS = 48
CELL_RADIUS = 7.0e-3
MENISCUS = 0.35e-3
RADIUS_GRID = np.linspace(1.2e-3, 6.6e-3, 28)
GAP_GRID = np.linspace(0.35e-3, 1.8e-3, 16)


@dataclass(frozen=True)
class MetalPad:
    """One coil and the table of its relative change by the metal over (wetted radius, gap)."""

    inductance: Array
    table: RectBivariateSpline
    radii: Array

    def change(self, radius: Array, gap: Array) -> Array:
        """Relative inductance change by the metal (1), shape (n, 1)."""
        return np.asarray(self.table.ev(radius, gap))[:, None]

    def lid_change(self, distance: Array, reflection: float = 0.3) -> Array:
        """Relative change (n, 1) by a steel lid at `distance` (m), partly screened by the metal."""
        return image_change(self.radii, float(self.inductance[0]), distance, reflection)[:, None]


def ring_impedance(radii: Array, wetted: float, gap: float, film: float, frequency: float) -> complex:
    """Impedance added by the metal (ohm) at `frequency` (Hz).

    Parameters
    ----------
    radii : numpy.ndarray, shape (turns,)
        Turns (m).
    wetted, gap, film : float
        Wetted radius, distance of the metal's middle from the coil plane, thickness (m).
    frequency : float
        Hz.
    """
    width = CELL_RADIUS / RINGS
    rings = (np.arange(RINGS) + 0.5) * width
    cover = 1.0 / (1.0 + np.exp((rings - wetted) / (0.25 * MENISCUS)))
    skin = np.sqrt(RESISTIVITY / (np.pi * frequency * 4e-7 * np.pi))
    depth = skin * (1.0 - np.exp(-film / skin))  # the current crowds towards the coil
    omega = 2.0 * np.pi * frequency
    a, b = np.meshgrid(rings, rings)
    same = np.eye(RINGS, dtype=bool)
    matrix = mutual(a, np.where(same, b * 1.01, b), np.zeros_like(a))
    matrix[same] = 4e-7 * np.pi * rings * (np.log(8.0 * rings / (0.2235 * (width + depth))) - 2.0)
    resistance = RESISTIVITY * 2.0 * np.pi * rings / (width * depth * np.maximum(cover, 1e-6))
    ring, turn = np.meshgrid(rings, radii, indexing="ij")
    drive = mutual(ring, turn, np.full_like(ring, gap)).sum(axis=1)
    system = np.diag(resistance).astype(complex) + 1j * omega * matrix
    return complex(omega**2 * drive @ np.linalg.solve(system, drive))


def make_metal_pad(specimen: Specimen) -> MetalPad:
    """Solve the rings over wetted radius and gap.

    Parameters
    ----------
    specimen : Specimen
        Gives frequency, film thickness and coil spread.

    Returns
    -------
    MetalPad
        See there.
    """
    r = np.random.default_rng(specimen.coil_seed)
    radii = turn_radii(COIL_INNER, COIL_OUTER, COIL_TURNS) * r.normal(1.0, 0.01)
    inductance = coil_inductance(radii, WIRE)
    frequency, film = specimen.metal["frequency"], specimen.metal["film"]
    omega = 2.0 * np.pi * frequency
    change = [
        [ring_impedance(radii, wetted, gap, film, frequency).imag / omega / inductance for gap in GAP_GRID]
        for wetted in RADIUS_GRID
    ]
    return MetalPad(np.array([inductance]), RectBivariateSpline(RADIUS_GRID, GAP_GRID, np.array(change)), radii)
