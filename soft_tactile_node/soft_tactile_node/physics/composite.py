"""Effective permeability of a particle composite: Maxwell Garnett, Bruggeman and the Hashin-Shtrikman bounds."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.errors import RangeError

Array = NDArray[np.float64]


def maxwell_garnett(fraction: ArrayLike, inclusion: ArrayLike, host: float = 1.0) -> Array:
    """Return the effective relative permeability of spheres in a host.

    mu_e = mu_m [1 + 3 f (mu_i - mu_m)/(mu_i + 2 mu_m - f (mu_i - mu_m))]; (1 + 2 f)/(1 - f) for mu_i -> infinity.

    Parameters
    ----------
    fraction : array_like
        Volume fraction of the spheres (1), 0 to 1.
    inclusion : array_like
        Relative permeability of the spheres (1), > 0; infinite is allowed.
    host : float
        Relative permeability of the host (1), > 0.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Effective relative permeability (1).

    Raises
    ------
    RangeError
        A fraction lies outside 0 to 1.

    Notes
    -----
    Source: J. C. Maxwell Garnett (1904); A. Sihvola, Electromagnetic Mixing Formulas and Applications (1999)
    (recalled). Good to a fraction of about 0.3 of well dispersed spheres; beyond it the spheres touch and the truth is
    higher.
    """
    f = _fraction(fraction)
    mu_i = np.asarray(inclusion, dtype=float)
    with np.errstate(invalid="ignore"):
        contrast = np.where(np.isinf(mu_i), 1.0, (mu_i - host) / (mu_i + 2.0 * host))
    return np.asarray(host * (1.0 + 2.0 * f * contrast) / (1.0 - f * contrast))


def hashin_shtrikman_bounds(fraction: ArrayLike, inclusion: ArrayLike, host: float = 1.0) -> tuple[Array, Array]:
    """Return the lowest and highest effective permeability an even, direction-free mixture can have.

    Parameters
    ----------
    fraction : array_like
        Volume fraction of the phase of permeability `inclusion` (1).
    inclusion : array_like
        Its relative permeability (1), finite.
    host : float
        Relative permeability of the other phase (1).

    Returns
    -------
    tuple of numpy.ndarray, shape of the inputs
        Lower and upper bound (1).

    Notes
    -----
    Source: Z. Hashin, S. Shtrikman, J. Appl. Phys. 33 (1962) 3125 (recalled); the bounds are Maxwell Garnett with
    either phase as host.
    """
    f = _fraction(fraction)
    mu_i = np.asarray(inclusion, dtype=float)
    one = maxwell_garnett(f, mu_i, host)
    contrast = (host - mu_i) / (host + 2.0 * mu_i)
    other = mu_i * (1.0 + 2.0 * (1.0 - f) * contrast) / (1.0 - (1.0 - f) * contrast)
    return np.minimum(one, other), np.maximum(one, other)


def bruggeman(fraction: ArrayLike, inclusion: ArrayLike, host: float = 1.0) -> Array:
    """Return the symmetric effective-medium permeability: both phases as spheres in the mixture itself.

    Solves f (mu_i - mu)/(mu_i + 2 mu) + (1 - f)(mu_m - mu)/(mu_m + 2 mu) = 0.

    Parameters
    ----------
    fraction, inclusion : array_like
        Volume fraction (1) and relative permeability (1) of the spheres.
    host : float
        Relative permeability of the host (1).

    Returns
    -------
    numpy.ndarray, broadcast shape
        Effective relative permeability (1).

    Notes
    -----
    Source: D. A. G. Bruggeman (1935); Sihvola (1999) (recalled).
    """
    f = _fraction(fraction)
    mu_i = np.asarray(inclusion, dtype=float)
    b = (3.0 * f - 1.0) * mu_i + (2.0 - 3.0 * f) * host
    return np.asarray((b + np.sqrt(b**2 + 8.0 * mu_i * host)) / 4.0)


def fraction_from_mass(mass_ratio: float, particle_density_kg_m3: float, host_density_kg_m3: float) -> float:
    """Return the volume fraction from the mass of powder per mass of silicone.

    Parameters
    ----------
    mass_ratio : float
        Powder over silicone, by mass (1), >= 0.
    particle_density_kg_m3, host_density_kg_m3 : float
        Densities (kg/m^3).

    Returns
    -------
    float
        Volume fraction (1).

    Notes
    -----
    Source: definition.
    """
    powder = mass_ratio / particle_density_kg_m3
    return powder / (powder + 1.0 / host_density_kg_m3)


def stiffening_by_filler(fraction: float) -> float:
    """Return the modulus of a filled rubber over that of the rubber: 1 + 2.5 f + 14.1 f^2.

    Parameters
    ----------
    fraction : float
        Volume fraction of the filler (1).

    Returns
    -------
    float
        Ratio of moduli (1).

    Notes
    -----
    Source: E. Guth, J. Appl. Phys. 16 (1945) 20-25 (recalled).
    """
    return 1.0 + 2.5 * fraction + 14.1 * fraction**2


def _fraction(fraction: ArrayLike) -> Array:
    f = np.asarray(fraction, dtype=float)
    if not np.all((f >= 0.0) & (f <= 1.0)):
        raise RangeError(f"fraction must be >= 0 and <= 1; got {float(f.ravel()[0]):g}")
    return f


def saturation_field(particle_saturation_t: float, fraction: float) -> float:
    """Return the flux density at which the composite saturates: that of its particles times their share.

    Parameters
    ----------
    particle_saturation_t : float
        Saturation of the particles (T); 2.15 T for iron.
    fraction : float
        Volume fraction (1).

    Returns
    -------
    float
        Saturation flux density of the composite (T).

    Notes
    -----
    Source: volume average of the magnetisation; common practice, no single source.
    """
    return particle_saturation_t * min(max(fraction, 0.0), 1.0) if math.isfinite(particle_saturation_t) else math.inf
