"""Published approximations for spirals and solenoids, and the exact integrals that judge them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TypeVar

import numpy as np
from scipy.special import ellipe, ellipkm1

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import MU0_H_M

Row = TypeVar("Row")

# shape: (K1, K2) of modified Wheeler; c1..c4 of the current sheet; beta and exponents of d_out, w, d_avg, n, s
# (micrometres)
MOHAN_WHEELER = {"square": (2.34, 2.75), "hexagon": (2.33, 3.82), "octagon": (2.25, 3.55)}
"""K1 and K2 by shape (1). Source: Mohan et al., IEEE JSSC 34(10) (1999) 1419-1424, table I (seen in copies)."""

MOHAN_SHEET = {
    "square": (1.27, 2.07, 0.18, 0.13),
    "hexagon": (1.09, 2.23, 0.00, 0.17),
    "octagon": (1.07, 2.29, 0.00, 0.19),
    "circle": (1.00, 2.46, 0.00, 0.20),
}
"""c1 to c4 by shape (1). Source: Mohan et al. (1999), table II (square and hexagon c1 to c3 seen, rest recalled)."""

MOHAN_MONOMIAL = {
    "square": (1.62e-3, -1.21, -0.147, 2.40, 1.78, -0.030),
    "hexagon": (1.28e-3, -1.24, -0.174, 2.47, 1.77, -0.049),
    "octagon": (1.33e-3, -1.21, -0.163, 2.43, 1.75, -0.049),
}
"""beta and exponents of d_out, w, d_avg, n, s by shape. Source: Mohan et al. (1999), table III (recalled)."""

SIDES = {"square": 4, "hexagon": 6, "octagon": 8}


def spiral_inner_diameter(outer_m: float, turns: int, width_m: float, spacing_m: float) -> float:
    """Return the inner diameter of a spiral: d_out - 2 n w - 2 (n - 1) s.

    Parameters
    ----------
    outer_m : float
        Outer diameter (m).
    turns : int
        Turns (1).
    width_m, spacing_m : float
        Conductor width and spacing (m).

    Returns
    -------
    float
        Inner diameter (m), > 0.

    Raises
    ------
    RangeError
        The turns do not fit.
    """
    inner = outer_m - 2.0 * turns * width_m - 2.0 * (turns - 1) * spacing_m
    if inner <= 0.0:
        raise RangeError(
            f"turns must fit the outer diameter {outer_m:g} m; got {turns} turns of {width_m + spacing_m:g} m"
        )
    return inner


def modified_wheeler(shape: str, turns: float, outer_m: float, inner_m: float) -> float:
    """Return the modified Wheeler inductance K1 mu0 n^2 d_avg/(1 + K2 rho) of a polygonal spiral.

    Parameters
    ----------
    shape : str
        `square`, `hexagon` or `octagon`. There is no row for a circle.
    turns : float
        Turns (1).
    outer_m, inner_m : float
        Outer and inner diameter (m).

    Returns
    -------
    float
        Inductance (H), 2 to 3 %.

    Raises
    ------
    RangeError
        The shape has no coefficients.

    Notes
    -----
    Source: Mohan, del Mar Hershenson, Boyd, Lee, IEEE JSSC 34(10) (1999) 1419-1424, table I.
    """
    k1, k2 = _row(MOHAN_WHEELER, shape)
    rho, mean = (outer_m - inner_m) / (outer_m + inner_m), 0.5 * (outer_m + inner_m)
    return k1 * MU0_H_M * turns**2 * mean / (1.0 + k2 * rho)


def current_sheet(shape: str, turns: float, outer_m: float, inner_m: float) -> float:
    """Return the current-sheet inductance mu0 n^2 d_avg c1/2 [ln(c2/rho) + c3 rho + c4 rho^2].

    Parameters
    ----------
    shape : str
        `square`, `hexagon`, `octagon` or `circle`.
    turns : float
        Turns (1).
    outer_m, inner_m : float
        Outer and inner diameter (m).

    Returns
    -------
    float
        Inductance (H), 2 to 3 %.

    Notes
    -----
    Source: Mohan, del Mar Hershenson, Boyd, Lee, IEEE JSSC 34(10) (1999) 1419-1424, table II.
    """
    c1, c2, c3, c4 = _row(MOHAN_SHEET, shape)
    rho, mean = (outer_m - inner_m) / (outer_m + inner_m), 0.5 * (outer_m + inner_m)
    return 0.5 * MU0_H_M * turns**2 * mean * c1 * (math.log(c2 / rho) + c3 * rho + c4 * rho**2)


def monomial(shape: str, turns: float, outer_m: float, width_m: float, spacing_m: float) -> float:
    """Return the monomial fit beta d_out^a1 w^a2 d_avg^a3 n^a4 s^a5 (nH, micrometres).

    Parameters
    ----------
    shape : str
        `square`, `hexagon` or `octagon`.
    turns : float
        Turns (1).
    outer_m, width_m, spacing_m : float
        Outer diameter, conductor width and spacing (m).

    Returns
    -------
    float
        Inductance (H), 3 % for coils of integrated-circuit size.

    Notes
    -----
    Source: Mohan, del Mar Hershenson, Boyd, Lee, IEEE JSSC 34(10) (1999) 1419-1424, table III (recalled).
    """
    beta, a1, a2, a3, a4, a5 = _row(MOHAN_MONOMIAL, shape)
    mean = outer_m - turns * width_m - (turns - 1) * spacing_m
    product = (outer_m * 1e6) ** a1 * (width_m * 1e6) ** a2 * (mean * 1e6) ** a3 * turns**a4 * (spacing_m * 1e6) ** a5
    return float(beta * product * 1.0e-9)


def polygon_rings_inductance(shape: str, turns: int, outer_m: float, width_m: float, spacing_m: float) -> float:
    """Return the inductance of a polygonal spiral as concentric polygons: all self and mutual terms of their sides.

    Diameters of a polygon are between opposite sides. Sides are straight filaments; a side's own inductance uses the
    mean distance 0.22313 w of a thin strip, and 2 l [ln(2 l / g) - 1] form for the segment.

    Parameters
    ----------
    shape : str
        `square`, `hexagon` or `octagon`.
    turns : int
        Turns (1).
    outer_m, width_m, spacing_m : float
        Outer diameter, conductor width and spacing (m).

    Returns
    -------
    float
        Inductance (H).

    Notes
    -----
    Source: Neumann's integral over straight segments; F. W. Grover, Inductance Calculations (1946), ch. 5 (recalled).
    """
    sides = _row(SIDES, shape)
    pitch = width_m + spacing_m
    apothems = 0.5 * outer_m - 0.5 * width_m - pitch * np.arange(turns)
    check_range(float(apothems.min()), 0.0, name="inner apothem", open_low=True)
    distance = math.exp(-1.5) * width_m
    angle = 2.0 * math.pi * np.arange(sides) / sides
    half = apothems * math.tan(math.pi / sides)
    total = 0.0
    for i, (apothem, reach) in enumerate(zip(apothems, half, strict=True)):
        for j in range(turns):
            # by symmetry one side of polygon i against every side of polygon j
            for k in range(sides):
                if i == j and k == 0:
                    total += sides * _segment_self(2.0 * reach, distance)
                    continue
                total += sides * _segment_mutual(apothem, reach, apothems[j], half[j], float(angle[k]))
    return float(total)


def _segment_self(length: float, distance: float) -> float:
    """Return the partial self-inductance (H) of a straight strip by its mean distance."""
    ratio = length / distance
    return 2.0e-7 * length * (math.asinh(ratio) - math.hypot(1.0, 1.0 / ratio) + 1.0 / ratio)


def _segment_mutual(apothem: float, reach: float, other: float, other_reach: float, angle: float) -> float:
    """Return the partial mutual inductance (H) of two polygon sides: one integral closed, the other by Gauss points."""
    cosine, sine = math.cos(angle), math.sin(angle)
    if abs(cosine) < 1.0e-12:
        return 0.0
    node, weight = np.polynomial.legendre.leggauss(48)
    # graded towards both ends, where neighbouring sides meet
    u = np.sin(0.5 * math.pi * node)
    jacobian = 0.5 * math.pi * np.cos(0.5 * math.pi * node)
    s = reach * u
    # point of the first side in the frame of the second: along and across it
    along = s * cosine - apothem * sine
    across = s * sine + apothem * cosine - other
    gap = np.abs(across)
    with np.errstate(divide="ignore"):
        inner = np.arcsinh((other_reach - along) / gap) + np.arcsinh((other_reach + along) / gap)
    return float(1.0e-7 * cosine * np.sum(weight * jacobian * reach * inner))


def wheeler_solenoid(radius_m: float, length_m: float, turns: float) -> float:
    """Return Wheeler's solenoid: L[uH] = r^2 N^2/(9 r + 10 l), inches.

    Parameters
    ----------
    radius_m, length_m : float
        Radius and length (m).
    turns : float
        Turns (1).

    Returns
    -------
    float
        Inductance (H), 1 % for l > 0.8 r.

    Notes
    -----
    Source: H. A. Wheeler, Proc. IRE 16(10) (1928) 1398-1400 (recalled).
    """
    r, length = radius_m / 0.0254, length_m / 0.0254
    return 1.0e-6 * r**2 * turns**2 / (9.0 * r + 10.0 * length)


def wheeler_multilayer(mean_radius_m: float, length_m: float, depth_m: float, turns: float) -> float:
    """Return Wheeler's multilayer coil: L[uH] = 0.8 a^2 N^2/(6 a + 9 b + 10 c), inches.

    Parameters
    ----------
    mean_radius_m, length_m, depth_m : float
        Mean radius a, axial length b, radial depth c (m).
    turns : float
        Turns (1).

    Returns
    -------
    float
        Inductance (H), 1 % while the three terms of the denominator are alike.

    Notes
    -----
    Source: H. A. Wheeler, Proc. IRE 16(10) (1928) 1398-1400 (recalled).
    """
    a, b, c = mean_radius_m / 0.0254, length_m / 0.0254, depth_m / 0.0254
    return 0.8e-6 * a**2 * turns**2 / (6.0 * a + 9.0 * b + 10.0 * c)


def solenoid_sheet(radius_m: float, length_m: float, turns: float) -> float:
    """Return the exact inductance of a cylindrical current sheet.

    L = mu0 N^2 8 a^3/(3 l^2) [(2 k^2 - 1)/k^3 E + (1 - k^2)/k^3 K - 1], k^2 = 4 a^2/(4 a^2 + l^2).

    Parameters
    ----------
    radius_m, length_m : float
        Radius and length (m).
    turns : float
        Turns (1).

    Returns
    -------
    float
        Inductance (H).

    Notes
    -----
    Source: L. Lorenz; H. Nagaoka (1909); Rosa & Grover, NBS Bull. 8 (1912) (recalled).
    """
    square = 4.0 * radius_m**2 / (4.0 * radius_m**2 + length_m**2)
    k = math.sqrt(square)
    rest = length_m**2 / (4.0 * radius_m**2 + length_m**2)
    bracket = (2.0 * square - 1.0) / k**3 * ellipe(square) + rest / k**3 * ellipkm1(rest) - 1.0
    return float(MU0_H_M * turns**2 * 8.0 * radius_m**3 / (3.0 * length_m**2) * bracket)


def nagaoka_coefficient(diameter_over_length: float) -> float:
    """Return the inductance of a solenoid over that of an endless one.

    Parameters
    ----------
    diameter_over_length : float
        Diameter over length (1).

    Returns
    -------
    float
        Coefficient (1).

    Notes
    -----
    Source: H. Nagaoka (1909) (recalled).
    """
    radius = 0.5 * diameter_over_length
    return solenoid_sheet(radius, 1.0, 1.0) / (MU0_H_M * math.pi * radius**2)


def _row(table: Mapping[str, Row], shape: str) -> Row:
    if shape not in table:
        raise RangeError(f"shape must be one of {', '.join(table)}; got {shape}")
    return table[shape]
