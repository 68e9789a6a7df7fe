"""Elastomer mechanics: bonded blocks, Hertz contact, flat punch, neo-Hookean rubber, standard linear solid."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.compiled import compiled

Array = NDArray[np.float64]


@compiled
def relax_formula(
    overstress_pa: float, stretch_rate_1_s: float, modulus_pa: float, relaxation_s: float, step_s: float
) -> float:
    """Return the stress of a Maxwell branch after one step at constant strain rate (exact update).

    ds/dt = E1 de/dt - s/tau.

    Notes
    -----
    Source: standard linear solid; J. D. Ferry, Viscoelastic Properties of Polymers (1980) (recalled).
    """
    decay = math.exp(-step_s / relaxation_s)
    return overstress_pa * decay + modulus_pa * relaxation_s * stretch_rate_1_s * (1.0 - decay)


@compiled
def neo_hookean_stress_formula(shear_modulus_pa: float, stretch: float) -> float:
    """Return the nominal stress (Pa) of neo-Hookean rubber in uniaxial stretch: mu (l - l^-2).

    Notes
    -----
    Source: L. R. G. Treloar, The Physics of Rubber Elasticity (1975), ch. 5 (recalled).
    """
    return shear_modulus_pa * (stretch - 1.0 / (stretch * stretch))


@compiled
def block_force_formula(
    modulus_pa: float, area_m2: float, thickness_m: float, shape_factor: float, compression_m: float
) -> float:
    """Return the normal force (N) of a bonded block pressed by compression_m (m, < thickness): stiffening neo-Hookean.

    F = A E (1 + 2 S(l)^2)/3 (l^-2 - l), l = 1 - compression/thickness, S growing as S0 / l^1.5 (the bonded area stays,
    the free side grows): the bonded-block stiffness E (1 + 2 S^2) A/t at small strain. Negative compression pulls.

    Notes
    -----
    Source: A. N. Gent, P. B. Lindley, Proc. IMechE 173 (1959) 111-122 (recalled) for the small-strain stiffness; the
    large-strain form is the neo-Hookean one of Treloar with the shape factor of the deformed block (own combination).
    """
    stretch = max(1.0 - compression_m / thickness_m, 0.05)
    shape = shape_factor / stretch**1.5
    stress = modulus_pa * (1.0 + 2.0 * shape * shape) / 3.0 * (1.0 / (stretch * stretch) - stretch)
    return float(area_m2 * stress)


def shape_factor_disc(diameter_m: float, thickness_m: float) -> float:
    """Return the shape factor D/(4 t) of a bonded disc: loaded area over free area.

    Parameters
    ----------
    diameter_m, thickness_m : float
        Diameter and thickness (m), > 0.

    Returns
    -------
    float
        Shape factor (1).

    Notes
    -----
    Source: A. N. Gent, P. B. Lindley, Proc. IMechE 173 (1959) 111-122 (recalled).
    """
    return diameter_m / (4.0 * thickness_m)


def shape_factor_rectangle(length_m: float, width_m: float, thickness_m: float) -> float:
    """Return the shape factor a b/(2 t (a + b)) of a bonded rectangular block.

    Parameters
    ----------
    length_m, width_m, thickness_m : float
        Sides and thickness (m), > 0.

    Returns
    -------
    float
        Shape factor (1).

    Notes
    -----
    Source: A. N. Gent, P. B. Lindley, Proc. IMechE 173 (1959) 111-122 (recalled).
    """
    return length_m * width_m / (2.0 * thickness_m * (length_m + width_m))


def bonded_modulus(modulus_pa: float, shape_factor: ArrayLike, bulk_modulus_pa: float = math.inf) -> Array:
    """Return the apparent compression modulus of a bonded block: E (1 + 2 S^2), in series with the bulk modulus.

    Parameters
    ----------
    modulus_pa : float
        Young's modulus (Pa).
    shape_factor : array_like
        Shape factor (1).
    bulk_modulus_pa : float
        Bulk modulus (Pa); infinite = incompressible.

    Returns
    -------
    numpy.ndarray, shape of shape_factor
        Apparent modulus (Pa).

    Notes
    -----
    Source: A. N. Gent, P. B. Lindley, Proc. IMechE 173 (1959) 111-122 (recalled); the form E(1 + 2 S^2) and the bulk
    correction are quoted in Strojniski vestnik 60 (2014) 506.
    """
    apparent = modulus_pa * (1.0 + 2.0 * np.asarray(shape_factor, dtype=float) ** 2)
    return np.asarray(1.0 / (1.0 / apparent + 1.0 / bulk_modulus_pa))


def hertz_sphere(force_n: ArrayLike, radius_m: float, contact_modulus_pa: float) -> tuple[Array, Array, Array]:
    """Return contact radius (m), approach (m) and peak pressure (Pa) of a sphere on a flat body.

    a = (3 F R/(4 E*))^(1/3), d = a^2/R, p0 = 3 F/(2 pi a^2).

    Parameters
    ----------
    force_n : array_like
        Normal force (N), > 0.
    radius_m : float
        Effective radius (m), 1/R = sum of 1/R_i.
    contact_modulus_pa : float
        E* (Pa), 1/E* = sum of (1 - nu_i^2)/E_i.

    Returns
    -------
    tuple of numpy.ndarray, shape of force_n
        Contact radius (m), approach (m), peak pressure (Pa).

    Notes
    -----
    Source: K. L. Johnson, Contact Mechanics (1985), eq. 4.22 to 4.24 (recalled); weak once a/R > 0.3.
    """
    force = np.asarray(force_n, dtype=float)
    contact = np.cbrt(0.75 * force * radius_m / contact_modulus_pa)
    return contact, contact**2 / radius_m, 1.5 * force / (math.pi * contact**2)


def hertz_force(approach_m: ArrayLike, radius_m: float, contact_modulus_pa: float) -> Array:
    """Return the force of a sphere pressed into a flat body: 4/3 E* sqrt(R) d^1.5, zero for d <= 0.

    Parameters
    ----------
    approach_m : array_like
        Approach (m).
    radius_m, contact_modulus_pa : float
        Effective radius (m) and E* (Pa).

    Returns
    -------
    numpy.ndarray, shape of approach_m
        Force (N).

    Notes
    -----
    Source: K. L. Johnson, Contact Mechanics (1985), eq. 4.23 (recalled).
    """
    approach = np.maximum(np.asarray(approach_m, dtype=float), 0.0)
    return np.asarray(4.0 / 3.0 * contact_modulus_pa * math.sqrt(radius_m) * approach**1.5)


def contact_modulus(*bodies: tuple[float, float]) -> float:
    """Return E* of two (or more) bodies: 1/E* = sum of (1 - nu^2)/E.

    Parameters
    ----------
    *bodies : tuple of float
        (Young's modulus (Pa), Poisson ratio (1)) of each body; leave a rigid body out.

    Returns
    -------
    float
        E* (Pa).

    Notes
    -----
    Source: K. L. Johnson, Contact Mechanics (1985), ch. 4 (recalled).
    """
    return 1.0 / sum((1.0 - nu**2) / modulus for modulus, nu in bodies)


def flat_punch_force(approach_m: ArrayLike, radius_m: float, contact_modulus_pa: float) -> Array:
    """Return the force of a rigid flat round punch: 2 a E* d.

    Parameters
    ----------
    approach_m : array_like
        Approach (m).
    radius_m, contact_modulus_pa : float
        Punch radius (m) and E* (Pa).

    Returns
    -------
    numpy.ndarray, shape of approach_m
        Force (N).

    Notes
    -----
    Source: K. L. Johnson, Contact Mechanics (1985), eq. 3.36 (recalled).
    """
    return 2.0 * radius_m * contact_modulus_pa * np.asarray(approach_m, dtype=float)


def neo_hookean_nominal(shear_modulus_pa: float, stretch: ArrayLike, mode: str = "uniaxial") -> Array:
    """Return the nominal stress of incompressible neo-Hookean rubber.

    mu (l - l^-2) uniaxial, mu (l - l^-5) equibiaxial, mu (l - l^-3) pure shear; Cauchy stress is nominal times stretch.

    Parameters
    ----------
    shear_modulus_pa : float
        Shear modulus mu (Pa), a third of Young's modulus.
    stretch : array_like
        Stretch l (1), > 0.
    mode : str
        `uniaxial`, `equibiaxial` or `pure_shear`.

    Returns
    -------
    numpy.ndarray, shape of stretch
        Nominal stress (Pa).

    Notes
    -----
    Source: L. R. G. Treloar, The Physics of Rubber Elasticity (1975), ch. 5 (recalled).
    """
    power = {"uniaxial": -2.0, "equibiaxial": -5.0, "pure_shear": -3.0}[mode]
    value = np.asarray(stretch, dtype=float)
    return np.asarray(shear_modulus_pa * (value - value**power))


def balloon_pressure(shear_modulus_pa: float, thickness_m: float, radius_m: float, stretch: ArrayLike) -> Array:
    """Return the pressure of a thin neo-Hookean balloon: 2 mu (t0/r0)(1/l - 1/l^7), greatest at l = 7^(1/6).

    Parameters
    ----------
    shear_modulus_pa, thickness_m, radius_m : float
        Shear modulus (Pa), rest thickness and radius (m).
    stretch : array_like
        Radius over rest radius (1).

    Returns
    -------
    numpy.ndarray, shape of stretch
        Pressure (Pa).

    Notes
    -----
    Source: L. R. G. Treloar, The Physics of Rubber Elasticity (1975) (recalled).
    """
    value = np.asarray(stretch, dtype=float)
    return np.asarray(2.0 * shear_modulus_pa * thickness_m / radius_m * (1.0 / value - value**-7.0))


def sls_relaxation(long_term_pa: float, branch_pa: float, relaxation_s: float, time_s: ArrayLike) -> Array:
    """Return the relaxation modulus E_inf + E_1 exp(-t/tau) of a standard linear solid.

    Parameters
    ----------
    long_term_pa, branch_pa, relaxation_s : float
        Moduli (Pa) and relaxation time (s).
    time_s : array_like
        Time since the step of strain (s), >= 0.

    Returns
    -------
    numpy.ndarray, shape of time_s
        Modulus (Pa).

    Notes
    -----
    Source: J. D. Ferry, Viscoelastic Properties of Polymers (1980) (recalled).
    """
    return np.asarray(long_term_pa + branch_pa * np.exp(-np.asarray(time_s, dtype=float) / relaxation_s))


def sls_creep(long_term_pa: float, branch_pa: float, relaxation_s: float, time_s: ArrayLike) -> Array:
    """Return the creep compliance of a standard linear solid, retardation time tau (E_inf + E_1)/E_inf.

    Parameters
    ----------
    long_term_pa, branch_pa, relaxation_s : float
        Moduli (Pa) and relaxation time (s).
    time_s : array_like
        Time since the step of stress (s), >= 0.

    Returns
    -------
    numpy.ndarray, shape of time_s
        Compliance (1/Pa).

    Notes
    -----
    Source: J. D. Ferry, Viscoelastic Properties of Polymers (1980) (recalled).
    """
    instant = 1.0 / (long_term_pa + branch_pa)
    retardation = relaxation_s * (long_term_pa + branch_pa) / long_term_pa
    settled = 1.0 / long_term_pa
    return np.asarray(settled - (settled - instant) * np.exp(-np.asarray(time_s, dtype=float) / retardation))


def sls_dynamic(
    long_term_pa: float, branch_pa: float, relaxation_s: float, angular_frequency_rad_s: ArrayLike
) -> tuple[Array, Array]:
    """Return storage and loss modulus of a standard linear solid.

    Parameters
    ----------
    long_term_pa, branch_pa, relaxation_s : float
        Moduli (Pa) and relaxation time (s).
    angular_frequency_rad_s : array_like
        Angular frequency (rad/s).

    Returns
    -------
    tuple of numpy.ndarray, shape of the frequency
        Storage and loss modulus (Pa).

    Notes
    -----
    Source: J. D. Ferry, Viscoelastic Properties of Polymers (1980) (recalled).
    """
    x = np.asarray(angular_frequency_rad_s, dtype=float) * relaxation_s
    return np.asarray(long_term_pa + branch_pa * x**2 / (1.0 + x**2)), np.asarray(branch_pa * x / (1.0 + x**2))
