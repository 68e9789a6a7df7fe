"""Units of a log, by their usual names, into those of a recording."""

from __future__ import annotations

import re
from functools import cache

import pint

from soft_tactile_node.samples import Array

LONGEST = 40
"""A unit is a short word; anything longer is something else (characters)."""

EXAMPLES = {
    "s": "s, ms, us",
    "Pa": "Pa, kPa, bar, mbar, psi",
    "H": "H, uH, nH",
    "Hz": "Hz, kHz, MHz",
    "ohm": "ohm, mohm",
    "degC": "degC, K, degF",
    "N": "N, mN, gf, kgf, lbf",
    "m": "m, mm, um",
    "rad": "rad, deg",
    "m/s^2": "m/s^2, g_0",
}
"""Units of a recording, and what a log may have instead."""

# Names with small powers only: the parser of the library computes whatever numbers it finds, however large.
_WORD = r"(?:[^\W\d]\w*|°[CF]|%)(?:(?:\^|\*\*)-?\d)?"
_UNIT = re.compile(rf"{_WORD}(?:\s*[*/]\s*{_WORD})*")


@cache
def _registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry(cache_folder=None)


def check_unit(unit: str, target: str) -> str:
    """Return a unit after checking that it measures the same quantity as the target.

    Parameters
    ----------
    unit : str
        Unit of the log, such as `kPa`, `uH` or `gf`.
    target : str
        Unit of the recording, a key of EXAMPLES.

    Returns
    -------
    str
        The unit.

    Raises
    ------
    ValueError
        Not a unit, or one of another quantity.
    """
    if len(unit) > LONGEST or not _UNIT.fullmatch(unit):
        raise ValueError(f"must be a unit like {EXAMPLES[target]}")
    registry = _registry()
    try:
        fits = registry.parse_units(unit).is_compatible_with(registry.parse_units(target))
    except Exception:  # the parser of units raises whatever its tokeniser raises
        raise ValueError(f"must be a unit like {EXAMPLES[target]}") from None
    # to the library a percentage is an angle as well
    if not fits or (target == "rad" and unit == "%"):
        hint = (
            ' (a scale that shows grams measures "gf")' if target == "N" and unit in ("g", "kg", "gram", "lb") else ""
        )
        raise ValueError(f"must be a unit like {EXAMPLES[target]}{hint}")
    return unit


def convert(values: Array, unit: str, target: str) -> Array:
    """Return `values` in `unit` as numbers in `target` units, a key of EXAMPLES; ValueError as of `check_unit`."""
    check_unit(unit, target)
    quantity = _registry().Quantity(values, unit).to(target)
    return quantity.magnitude
