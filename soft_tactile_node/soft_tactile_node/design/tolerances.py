"""A design as it may come out of the mould: every corner of its tolerances."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from soft_tactile_node.design.schema import Design, IronDiscPad

LARGEST_SHARE = 0.5
"""A tolerance takes off at most this share of a size (1)."""


def corners(design: Design) -> Iterator[Design]:
    """Yield the design with its gap and its thickness at either end of their tolerances.

    Only what bending looks like is asked of them: the load goes no further than the slope at rest needs, and there is
    no metal near. What bending looks like rises or falls steadily over so narrow a band, through zero too, so its
    largest size is at a corner.

    Parameters
    ----------
    design : Design
        The design as drawn.

    Yields
    ------
    Design
        A design as cast; none where the tolerances are zero.
    """
    load, allowed = design.load, design.tolerances
    step_n = load.normal_n / (load.points - 1)
    near_rest = load.model_copy(update={"normal_n": 4.0 * step_n, "points": 5})
    ends = ((-allowed.gap_m, allowed.gap_m), (-allowed.thickness_m, allowed.thickness_m))
    for gap_m, thickness_m in product(*(dict.fromkeys(pair) for pair in ends)):
        if gap_m or thickness_m:
            pad = _cast(design, gap_m, thickness_m)
            yield design.model_copy(update={"pad": pad, "load": near_rest, "surroundings": ()})


def _cast(design: Design, gap_m: float, thickness_m: float) -> object:
    """Return the pad with its gap and thickness off by so much (m)."""
    pad = design.pad
    if isinstance(pad, IronDiscPad):
        cushion = pad.cushion.model_copy(update={"gap_m": _off(pad.cushion.gap_m, gap_m)})
        disc = pad.disc.model_copy(update={"thickness_m": _off(pad.disc.thickness_m, thickness_m)})
        return pad.model_copy(update={"cushion": cushion, "disc": disc})
    cell = pad.coil_cell.model_copy(update={"wall_m": _off(pad.coil_cell.wall_m, gap_m)})
    press = pad.press_cell.model_copy(update={"roof_m": _off(pad.press_cell.roof_m, thickness_m)})
    return pad.model_copy(update={"coil_cell": cell, "press_cell": press})


def _off(size_m: float, by_m: float) -> float:
    return max(size_m + by_m, LARGEST_SHARE * size_m)
