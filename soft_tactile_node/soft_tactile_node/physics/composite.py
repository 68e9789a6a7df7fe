"""Effective permeability of a particle composite: Maxwell Garnett and Bruggeman."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from soft_tactile_node.errors import RangeError
from soft_tactile_node.samples import Array


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
