"""The bakery items of the demonstration scenario, and the bench probe. All numbers are invented."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.errors import RangeError


class ObjectParameters(NamedTuple):
    """Something to grip (SI units)."""

    mass_kg: float
    half_width_m: float  # half the size between the pads
    half_height_m: float
    curvature_1_m: float  # of the flank in the vertical plane, 0 for an upright wall
    stiffness_n_m: float  # of one side under a pad
    cubic_m: float  # indentation at which the stiffness has grown noticeably
    relax_share: float  # share of the response that relaxes
    relax_s: float
    friction_static: float
    friction_kinetic: float
    stop_friction: float  # against a fixed stop
    lid_distance_m: float  # from the pad centre to the edge of a steel lid along x; large = no lid


OBJECT_NAMES = ("bun", "roll", "jar", "none")

_NOMINAL = {
    "bun": ObjectParameters(0.022, 0.030, 0.022, 22.0, 450.0, 9.0e-3, 0.35, 0.8, 1.00, 0.90, 0.15, 1.0),
    "roll": ObjectParameters(0.060, 0.0295, 0.024, 14.0, 2400.0, 5.0e-3, 0.20, 1.5, 0.70, 0.60, 0.15, 1.0),
    "jar": ObjectParameters(0.130, 0.0315, 0.040, 0.0, 4.0e5, 1.0, 0.0, 1.0, 0.46, 0.36, 0.10, 0.034),
    "none": ObjectParameters(1.0, -1.0, 0.020, 0.0, 1.0e3, 1.0, 0.0, 1.0, 0.5, 0.4, 0.1, 1.0),
}

PROBE = ObjectParameters(1.0, 0.02, 0.02, 0.0, 2.0e6, 1.0, 0.0, 1.0, 1.0, 0.9, 0.1, 1.0)
"""The bench stage's probe: rigid, of a grippy plastic."""


def draw_object(name: str, rng: np.random.Generator) -> ObjectParameters:
    """Return one item of a kind; no two buns are alike.

    Parameters
    ----------
    name : str
        "bun" (choux bun), "roll" (rye roll), "jar" (jam jar with a steel lid) or "none".
    rng : numpy.random.Generator
        Source of the item's spread.

    Returns
    -------
    ObjectParameters
        Sizes within some 2 %, stiffness within 15 %, mass and friction within 8 %.

    Raises
    ------
    RangeError
        The name is not one of those.
    """
    if name not in _NOMINAL:
        raise RangeError(f"object must be one of {', '.join(OBJECT_NAMES)}; got {name!r}")
    item = _NOMINAL[name]
    spread = np.exp(np.array([0.08, 0.015, 0.15, 0.06]) * np.clip(rng.standard_normal(4), -2.0, 2.0))
    return item._replace(
        mass_kg=float(item.mass_kg * spread[0]),
        half_width_m=float(item.half_width_m * spread[1]),
        stiffness_n_m=float(item.stiffness_n_m * spread[2]),
        friction_static=float(item.friction_static * spread[3]),
        friction_kinetic=float(item.friction_kinetic * spread[3]),
    )


@compiled
def object_elastic(item: ObjectParameters, indent_m: float) -> tuple[float, float]:
    """Return the elastic force (N) and stiffness (N/m) of the item's side at an indentation."""
    x = max(indent_m, 0.0)
    grown = (x / item.cubic_m) * (x / item.cubic_m)
    return item.stiffness_n_m * x * (1.0 + grown), item.stiffness_n_m * (1.0 + 3.0 * grown)


@compiled
def object_indent(item: ObjectParameters, force_n: float) -> float:
    """Return the indentation (m) at which the item's side gives an elastic force (N)."""
    if force_n <= 0.0:
        return 0.0
    x = force_n / item.stiffness_n_m
    for _ in range(20):
        force, slope = object_elastic(item, x)
        step = (force - force_n) / slope
        x -= step
        if abs(step) < 1.0e-12:
            break
    return x
