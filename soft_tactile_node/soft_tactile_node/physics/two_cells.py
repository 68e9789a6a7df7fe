"""Two liquid-filled cells joined by a duct: wall compliance, resistance of the duct, gravity head.

A press cell lies under the touched surface, a coil cell above the coil. Volumes are displacements from rest: metal that
has left the press cell and entered the coil cell. Pressure is gauge, zero at rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from soft_tactile_node.checks import check_range
from soft_tactile_node.samples import Array

ALLOY_DENSITY_KG_M3 = 6250.0
"""Density of the eutectic gallium-indium alloy (kg/m^3). Source: alloy data sheets (recalled, no single source)."""

ALLOY_VISCOSITY_PA_S = 2.0e-3
"""Dynamic viscosity of the eutectic gallium-indium alloy (Pa s). Source: alloy data sheets (recalled, several)."""


@dataclass(frozen=True)
class CellWall:
    """The elastic roof of a cell: a round plate clamped at its rim.

    Attributes
    ----------
    radius_m : float
        Radius of the cell (m), > 0.
    thickness_m : float
        Thickness of the roof (m), > 0.
    modulus_pa : float
        Young's modulus of the elastomer (Pa), > 0.
    poisson : float
        Poisson ratio (1); 0.5 = incompressible.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    radius_m: float
    thickness_m: float
    modulus_pa: float
    poisson: float = 0.5

    def __post_init__(self) -> None:
        for name in ("radius_m", "thickness_m", "modulus_pa"):
            check_range(getattr(self, name), 0.0, name=name, open_low=True)
        check_range(self.poisson, 0.0, 0.5, name="poisson")

    @property
    def rigidity_n_m(self) -> float:
        """Plate rigidity D = E t^3 / (12 (1 - nu^2)) (N m)."""
        return self.modulus_pa * self.thickness_m**3 / (12.0 * (1.0 - self.poisson**2))

    def compliance_m3_pa(self) -> float:
        """Return the volume displaced per pressure at small deflection (m^3/Pa): pi a^6 / (192 D).

        A thick plate also shears; `shear_share` raises the compliance accordingly.

        Notes
        -----
        Source: S. Timoshenko, S. Woinowsky-Krieger, Theory of Plates and Shells (1959), clamped round plate (recalled).
        """
        bending = math.pi * self.radius_m**6 / (192.0 * self.rigidity_n_m)
        return bending * (1.0 + self.shear_share())

    def shear_share(self) -> float:
        """Return the volume that shear adds, over the volume from bending (1)."""
        shear_modulus = self.modulus_pa / (2.0 * (1.0 + self.poisson))
        shear_volume = math.pi * self.radius_m**4 / (8.0 * shear_modulus * self.thickness_m * 5.0 / 6.0)
        return shear_volume / (math.pi * self.radius_m**6 / (192.0 * self.rigidity_n_m))

    def stiffening_pa_m9(self) -> float:
        """Return the cubic stiffness (Pa/m^9): p = V/C + k3 V^3, from the stretching of the plate's middle plane.

        Notes
        -----
        Source: Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells (1959), large deflection of a clamped round
        plate with fixed rim, p = ... + E t (7 - nu) w0^3 / (3 (1 - nu) a^4) (recalled); w0 = 3 V / (pi a^2).
        """
        per_volume = 3.0 / (math.pi * self.radius_m**2)
        k = (7.0 - self.poisson) / (3.0 * (1.0 - self.poisson)) * self.modulus_pa * self.thickness_m / self.radius_m**4
        return k * per_volume**3

    def pressure_pa(self, volume_m3: ArrayLike) -> Array:
        """Return the pressure (Pa) that holds a displaced `volume_m3` (m^3), any shape, positive outwards."""
        volume = np.asarray(volume_m3, dtype=float)
        return np.asarray(volume / self.compliance_m3_pa() + self.stiffening_pa_m9() * volume**3)

    def profile_m(self, volume_m3: float, radii_m: ArrayLike) -> Array:
        """Return the deflection of the roof for a displaced volume: w0 (1 - r^2/a^2)^2, w0 = 3 V/(pi a^2).

        Parameters
        ----------
        volume_m3 : float
            Displaced volume (m^3).
        radii_m : array_like
            Distance from the axis (m).

        Returns
        -------
        numpy.ndarray, shape of radii_m
            Deflection (m), zero beyond the rim.

        Notes
        -----
        Source: Timoshenko & Woinowsky-Krieger, Theory of Plates and Shells (1959), clamped round plate (recalled).
        """
        inside = np.maximum(1.0 - (np.asarray(radii_m, dtype=float) / self.radius_m) ** 2, 0.0)
        return np.asarray(3.0 * volume_m3 / (math.pi * self.radius_m**2) * inside**2)


@dataclass(frozen=True)
class Duct:
    """The duct between the cells.

    Attributes
    ----------
    radius_m, length_m : float
        Radius and length (m), > 0.
    viscosity_pa_s : float
        Dynamic viscosity (Pa s), > 0.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    radius_m: float
    length_m: float
    viscosity_pa_s: float = ALLOY_VISCOSITY_PA_S

    def __post_init__(self) -> None:
        for name in ("radius_m", "length_m", "viscosity_pa_s"):
            check_range(getattr(self, name), 0.0, name=name, open_low=True)

    def resistance_pa_s_m3(self) -> float:
        """Return the laminar flow resistance (Pa s/m^3): 8 mu L / (pi r^4).

        Notes
        -----
        Source: Hagen-Poiseuille; any fluid-mechanics text.
        """
        return 8.0 * self.viscosity_pa_s * self.length_m / (math.pi * self.radius_m**4)


def settled_volume(force_n: ArrayLike, press: CellWall, coil: CellWall, *, head_pa: float = 0.0) -> Array:
    """Return the volume that a steady force displaces from press cell to coil cell.

    Solves force/area + head = p_press(V) + p_coil(V); V/F = C_p C_c / ((C_p + C_c) A) at small force. With C_p ~ a^6
    and A ~ a^2 it peaks where the press cell's compliance is twice the coil cell's: a wider press cell beyond that only
    spreads the load over more area.

    Parameters
    ----------
    force_n : array_like
        Normal force on the press cell (N).
    press, coil : CellWall
        The two roofs.
    head_pa : float
        Gravity head from press cell to coil cell (Pa).

    Returns
    -------
    numpy.ndarray, shape of force_n
        Displaced volume (m^3).

    Notes
    -----
    Source: own derivation from the plate formulas of Timoshenko & Woinowsky-Krieger (recalled); real root of the cubic.
    """
    drive = np.asarray(force_n, dtype=float) / (math.pi * press.radius_m**2) + head_pa
    linear = 1.0 / press.compliance_m3_pa() + 1.0 / coil.compliance_m3_pa()
    cubic = press.stiffening_pa_m9() + coil.stiffening_pa_m9()
    # k3 V^3 + k1 V = p has one real root, in closed form through the hyperbolic sine
    scale = math.sqrt(4.0 * linear / (3.0 * cubic))
    return np.asarray(scale * np.sinh(np.arcsinh(3.0 * drive / (linear * scale)) / 3.0))


def gravity_head(
    height_m: ArrayLike, acceleration_m_s2: ArrayLike, density_kg_m3: float = ALLOY_DENSITY_KG_M3
) -> Array:
    """Return the head rho a h of a column of metal.

    Parameters
    ----------
    height_m : array_like
        Extent of the column along the acceleration (m).
    acceleration_m_s2 : array_like
        Component of gravity or base acceleration (m/s^2).
    density_kg_m3 : float
        Density (kg/m^3).

    Returns
    -------
    numpy.ndarray, broadcast shape
        Head (Pa).

    Notes
    -----
    Source: hydrostatics.
    """
    return np.asarray(density_kg_m3 * np.asarray(height_m, dtype=float) * np.asarray(acceleration_m_s2, dtype=float))
