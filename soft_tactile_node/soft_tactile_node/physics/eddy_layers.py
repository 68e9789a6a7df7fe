"""A flat coil over conducting or permeable layers at any frequency: change of inductance and of loss resistance.

Convention exp(+j w t): a good conductor lowers the inductance (dL < 0) and adds loss (dR > 0). The coil lies above the
layers; by symmetry the same numbers hold for layers above the coil. All formulas follow C. V. Dodd, W. E. Deeds,
"Analytical solutions to eddy-current probe-coil problems", J. Appl. Phys. 39(6) (1968) 2829-2838 (recalled; checked
by limits and an independent quadrature).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import j0, j1, struve

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.samples import Array

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class SheetCoil:
    """A winding of rectangular section with even current density.

    Attributes
    ----------
    inner_radius_m, outer_radius_m : float
        Radii of the winding (m); 0 < inner < outer.
    bottom_m, top_m : float
        Distance of its nearer and farther face from the surface of the layers (m); 0 < bottom < top.
    turns : float
        Turns (1), > 0.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    inner_radius_m: float
    outer_radius_m: float
    bottom_m: float
    top_m: float
    turns: float

    def __post_init__(self) -> None:
        check_range(self.inner_radius_m, 0.0, name="inner_radius_m", open_low=True)
        check_range(self.bottom_m, 0.0, name="bottom_m", open_low=True)
        check_range(self.turns, 0.0, name="turns", open_low=True)
        for low, high in (("inner_radius_m", "outer_radius_m"), ("bottom_m", "top_m")):
            if not getattr(self, high) > getattr(self, low):
                raise RangeError(f"{high} must be > {low} = {getattr(self, low):g}; got {getattr(self, high):g}")


@dataclass(frozen=True)
class Layer:
    """One flat layer of the stack, endless sideways.

    Attributes
    ----------
    conductivity_s_m : float
        Conductivity (S/m), >= 0.
    thickness_m : float
        Thickness (m); infinite = half-space.
    relative_permeability : float
        Relative permeability (1), > 0.
    """

    conductivity_s_m: float
    thickness_m: float = math.inf
    relative_permeability: float = 1.0

    def __post_init__(self) -> None:
        check_range(self.conductivity_s_m, 0.0, name="conductivity_s_m")
        check_range(self.relative_permeability, 0.0, name="relative_permeability", open_low=True)
        if not self.thickness_m > 0.0:
            raise RangeError(f"thickness_m must be > 0; got {self.thickness_m:g}")


def skin_depth(resistivity_ohm_m: ArrayLike, frequency_hz: ArrayLike) -> Array:
    """Return the skin depth sqrt(rho / (pi f mu)) of a metal that is not magnetic.

    Parameters
    ----------
    resistivity_ohm_m, frequency_hz : array_like
        Resistivity (ohm m) and frequency (Hz), both > 0.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Skin depth (m).

    Notes
    -----
    Source: any electromagnetics text; Jackson, Classical Electrodynamics, 5.18 (recalled).
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    return np.asarray(np.sqrt(np.asarray(resistivity_ohm_m, dtype=float) / (math.pi * frequency * MU0_H_M)))


def reflection(alpha: Array, layers: tuple[Layer, ...], angular_frequency_rad_s: float) -> ComplexArray:
    """Return the reflection of a stack of layers for spatial frequency alpha; vacuum lies on both sides.

    Half-space R = (alpha mu_r - beta)/(alpha mu_r + beta), beta = sqrt(alpha^2 + j w mu0 mu_r sigma); several layers by
    recursion from the farthest.

    Parameters
    ----------
    alpha : numpy.ndarray, shape (n,)
        Spatial frequency (1/m), > 0.
    layers : tuple of Layer
        Nearest first; none = vacuum.
    angular_frequency_rad_s : float
        Angular frequency (rad/s), >= 0.

    Returns
    -------
    numpy.ndarray of complex, shape (n,)
        Reflection (1): -1 for a perfect conductor, (mu_r - 1)/(mu_r + 1) for a static permeable half-space.

    Notes
    -----
    Source: Dodd & Deeds, J. Appl. Phys. 39(6) (1968) 2829-2838 (recalled).
    """
    below_admittance = alpha.astype(complex)  # beta / mu_r of what lies below
    for layer in reversed(layers):
        squared = (
            alpha**2 + 1j * angular_frequency_rad_s * MU0_H_M * layer.relative_permeability * layer.conductivity_s_m
        )
        beta = np.sqrt(squared)
        admittance = beta / layer.relative_permeability
        if math.isinf(layer.thickness_m):
            below_admittance = admittance
            continue
        decay = np.exp(-2.0 * beta * layer.thickness_m)
        step = (admittance - below_admittance) / (admittance + below_admittance) * decay
        below_admittance = admittance * (1.0 - step) / (1.0 + step)
    return np.asarray((alpha - below_admittance) / (alpha + below_admittance))


def impedance_change(coil: SheetCoil, layers: tuple[Layer, ...] | Layer, frequency_hz: float) -> tuple[float, float]:
    """Return the change of inductance and of series resistance of a flat coil over layers.

    dZ = j w K int J^2/alpha^6 (exp(-alpha l1) - exp(-alpha l2))^2 R(alpha) d alpha,
    K = pi mu0 N^2 / ((l2 - l1)^2 (r2 - r1)^2), J = int_{alpha r1}^{alpha r2} x J1(x) dx.

    Parameters
    ----------
    coil : SheetCoil
        The coil; its distances are from the surface of the first layer.
    layers : Layer or tuple of Layer
        Nearest first.
    frequency_hz : float
        Frequency (Hz), > 0.

    Returns
    -------
    tuple of float
        dL (H) and dR (ohm).

    Raises
    ------
    RangeError
        The frequency is not positive.

    Notes
    -----
    Source: Dodd & Deeds, J. Appl. Phys. 39(6) (1968) 2829-2838 (recalled).
    """
    stack = (layers,) if isinstance(layers, Layer) else tuple(layers)
    omega = 2.0 * math.pi * check_range(frequency_hz, 0.0, name="frequency_hz", open_low=True)
    value = coil_integral(coil, lambda alpha: reflection(alpha, stack, omega))
    impedance = 1j * omega * value
    return float(value.real), float(impedance.real)


def coil_integral(coil: SheetCoil, response: Callable[[Array], ComplexArray]) -> complex:
    """Return K int J^2/alpha^6 (exp(-alpha l1) - exp(-alpha l2))^2 R(alpha) d alpha for any reflection R.

    Parameters
    ----------
    coil : SheetCoil
        The coil.
    response : callable
        Reflection as a function of alpha (1/m).

    Returns
    -------
    complex
        Complex change of inductance (H).

    Notes
    -----
    Source: Dodd & Deeds, J. Appl. Phys. 39(6) (1968) 2829-2838 (recalled). Gauss-Legendre panels of about one
    oscillation, up to where exp(-2 alpha l1) has fallen below 1e-17.
    """
    cut = 20.0 / coil.bottom_m
    alpha, weights = _panels(coil.inner_radius_m, coil.outer_radius_m, cut)
    profile = _radial_integral(coil.inner_radius_m, coil.outer_radius_m, cut)
    height = coil.top_m - coil.bottom_m
    decay = np.exp(-alpha * coil.bottom_m) * (-np.expm1(-alpha * height))
    integrand = (profile * decay / alpha**3) ** 2 * response(alpha)
    return complex(np.sum(weights * integrand) * _scale(coil))


def air_inductance(coil: SheetCoil) -> float:
    """Return the inductance of the coil alone: L0 = K int J^2/alpha^5 [2 h + (2 exp(-alpha h) - 2)/alpha] d alpha.

    Parameters
    ----------
    coil : SheetCoil
        The coil.

    Returns
    -------
    float
        Inductance (H), to about 1e-7 relative.

    Notes
    -----
    Source: Dodd & Deeds, J. Appl. Phys. 39(6) (1968) 2829-2838 (recalled). Beyond alpha r2 = 4000 J^2 is replaced
    by its mean alpha (r1 + r2)/pi.
    """
    height = coil.top_m - coil.bottom_m
    cut = 4000.0 / coil.outer_radius_m
    alpha, weights = _panels(coil.inner_radius_m, coil.outer_radius_m, cut)
    profile = _radial_integral(coil.inner_radius_m, coil.outer_radius_m, cut)
    body = float(np.sum(weights * profile**2 / alpha**5 * _height_bracket(alpha, height)))
    node, weight = np.polynomial.legendre.leggauss(200)
    log_range = math.log(1.0e4 * max(1.0, 1.0 / (cut * height)))
    beyond = cut * np.exp(0.5 * log_range * (node + 1.0))
    mean_square = (coil.inner_radius_m + coil.outer_radius_m) / math.pi * beyond
    tail = 0.5 * log_range * float(np.sum(weight * mean_square / beyond**4 * _height_bracket(beyond, height)))
    return _scale(coil) * (body + tail)


def _height_bracket(alpha: Array, height: float) -> Array:
    """Return 2 h + (2 exp(-alpha h) - 2)/alpha (m) without cancellation at small alpha h."""
    x = alpha * height
    return np.asarray(np.where(x < 1.0e-3, x - x**2 / 3.0, 2.0 + 2.0 * np.expm1(-x) / np.maximum(x, 1.0e-30)) * height)


def _scale(coil: SheetCoil) -> float:
    area = (coil.top_m - coil.bottom_m) * (coil.outer_radius_m - coil.inner_radius_m)
    return math.pi * MU0_H_M * coil.turns**2 / area**2


@lru_cache(maxsize=64)
def _panels(inner_m: float, outer_m: float, cut: float) -> tuple[Array, Array]:
    """Return Gauss-Legendre nodes and weights in alpha: fine panels near zero, one per half oscillation beyond."""
    period = math.pi / (inner_m + outer_m)
    start = np.concatenate([[0.0], period * np.geomspace(1.0e-3, 1.0, 7)])
    count = max(1, math.ceil((cut - period) / period))
    edges = np.concatenate([start, np.linspace(period, max(cut, 2.0 * period), count + 1)[1:]])
    nodes, weights = np.polynomial.legendre.leggauss(8)
    half = 0.5 * np.diff(edges)[:, None]
    middle = 0.5 * (edges[1:] + edges[:-1])[:, None]
    return (middle + half * nodes).ravel(), (half * weights).ravel()


@lru_cache(maxsize=64)
def _radial_integral(inner_m: float, outer_m: float, cut: float) -> Array:
    alpha, _ = _panels(inner_m, outer_m, cut)
    return bessel_moment(alpha * outer_m) - bessel_moment(alpha * inner_m)


def bessel_moment(x: Array) -> Array:
    """Return int_0^x t J1(t) dt = (pi x / 2) [J1(x) H0(x) - J0(x) H1(x)], H the Struve function.

    Parameters
    ----------
    x : numpy.ndarray, any shape
        Upper limit (1), >= 0.

    Returns
    -------
    numpy.ndarray, shape of x
        The integral (1).

    Notes
    -----
    Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 11.1.7 with parts (recalled).
    """
    series = x**3 / 6.0 * (1.0 - 3.0 * x**2 / 40.0 + x**4 / 448.0)
    closed = 0.5 * math.pi * x * (j1(x) * struve(0, x) - j0(x) * struve(1, x))
    return np.asarray(np.where(x < 0.05, series, closed))
