"""A design as it may come out of the mould: every corner of its tolerances."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product

from soft_tactile_node.design.schema import Design
from soft_tactile_node.registry import PADS


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
    load, allowed, study = design.load, design.tolerances, PADS[design.pad.variant].load_study()
    step_n = load.normal_n / (load.points - 1)
    near_rest = load.model_copy(update={"normal_n": 4.0 * step_n, "points": 5})
    ends = ((-allowed.gap_m, allowed.gap_m), (-allowed.thickness_m, allowed.thickness_m))
    for gap_m, thickness_m in product(*(dict.fromkeys(pair) for pair in ends)):
        if gap_m or thickness_m:
            pad = study.cast(design.pad, gap_m, thickness_m)
            yield design.model_copy(update={"pad": pad, "load": near_rest, "surroundings": ()})
