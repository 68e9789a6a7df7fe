"""What limits of a soft finger can be: a number far outside was most likely given in another unit."""

from __future__ import annotations

import math
from typing import NamedTuple

from soft_tactile_node.errors import RangeError


class Quantity(NamedTuple):
    """Plausible range of a limit in its unit, and other units it is often given in, with their size in that unit."""

    low: float
    high: float
    unit: str
    others: tuple[tuple[str, float], ...]


PRESSURE = Quantity(3e3, 1e6, "Pa", (("kPa", 1e3), ("bar", 1e5)))
"""A calibration needs a span of 3 kPa; ten times the atmosphere is beyond any soft finger (own choice)."""

NORMAL_FORCE = Quantity(0.3, 100.0, "N", (("mN", 1e-3),))
"""Presses must reach 0.3 N to be seen; pads take some newtons (own choice)."""

SHEAR_FORCE = Quantity(0.01, 100.0, "N", (("mN", 1e-3),))


def unit_hint(value: float, quantity: Quantity) -> str:
    """Return what was probably meant by a number outside the plausible range.

    Parameters
    ----------
    value : float
        As given, in the unit of the quantity.
    quantity : Quantity
        What it is.

    Returns
    -------
    str
        To be put behind a message; empty = nobody knows.
    """
    for name, size in quantity.others:
        if quantity.low <= value * size <= quantity.high and not quantity.low <= value <= quantity.high:
            return f": for {value:g} {name} give {value * size:.12g}"
    return ""


def check_plausible(value: float, quantity: Quantity, *, name: str) -> None:
    """Refuse a limit that no soft finger can have.

    Parameters
    ----------
    value : float
        As given, in the unit of the quantity.
    quantity : Quantity
        What it is.
    name : str
        For the message.

    Raises
    ------
    RangeError
        Outside the plausible range, or no number; says the unit and what was probably meant.
    """
    low, high, unit, _ = quantity
    if not low <= value <= high:
        hint = unit_hint(value, quantity)
        raise RangeError(f"{name} must be {low:.12g} to {high:.12g} {unit}; got {value:.12g} {unit}{hint}")


def choose_pressure(asked_pa: float, most_pa: float) -> float:
    """Return the highest pressure of a calibration, or refuse.

    Parameters
    ----------
    asked_pa : float
        What a goal asks for (gauge Pa); NaN = the most.
    most_pa : float
        What the finger stands (gauge Pa); NaN = nobody has said.

    Returns
    -------
    float
        Pressure (gauge Pa).

    Raises
    ------
    RangeError
        Too low, too high, or the most is not known.
    """
    if math.isnan(most_pa):
        raise RangeError("parameter 'max_pressure' must say what the finger stands, and does not: nothing moves")
    pressure_pa = most_pa if math.isnan(asked_pa) else asked_pa
    if not PRESSURE.low <= pressure_pa <= most_pa:
        raise RangeError(
            f"max_pressure must be {PRESSURE.low / 1e3:g} kPa to {most_pa / 1e3:g} kPa (parameter 'max_pressure'); "
            f"got {pressure_pa:g} Pa{unit_hint(pressure_pa, PRESSURE)}"
        )
    return pressure_pa
