"""Sentences that all variants of a pad share, and how lengths and forces are written."""

from __future__ import annotations

import math

from soft_tactile_node.design.conditions import Load
from soft_tactile_node.design.figures import DesignFigures
from soft_tactile_node.design.schema import Coil

LOWEST_PARALLEL_OHM = 1.0e3
"""Parallel resistance below which an ordinary tank driver does not keep the tank swinging (ohm). Common practice, no
source."""

LOWEST_QUALITY = 1.5
"""Quality factor below which the tank is hardly a resonator (1). Common practice, no source."""

FINEST_TRACE_M = 0.1e-3
"""Trace and space that an ordinary board maker holds (m). Common practice, no source."""


def millimetres(length_m: float) -> str:
    """Return `length_m` (m) in millimetres or micrometres as text."""
    return f"{length_m * 1e6:.3g} µm" if abs(length_m) < 0.1e-3 else f"{length_m * 1e3:.3g} mm"


def common_remarks(figures: DesignFigures, coil: Coil, load: Load) -> tuple[list[str], bool]:
    """Return remarks on range, tank and board, and whether the design responds over its full scale and swings."""
    remarks = []
    usable = True
    if figures.monotonic_range_n < load.normal_n * (1.0 - 1e-9):
        usable = False
        remarks.append(
            f"Stops responding at {figures.monotonic_range_n:.2g} N of {load.normal_n:.2g} N: beyond that the signal "
            "turns back or moves by less than a twentieth of its best slope."
        )
    quality = figures.noise.quality
    parallel = quality**2 * figures.resistance_ohm
    if not math.isfinite(figures.noise.inductance_h) or quality < LOWEST_QUALITY or parallel < LOWEST_PARALLEL_OHM:
        usable = False
        remarks.append(
            f"The tank hardly swings: quality factor {quality:.2g}, {parallel * 1e-3:.2g} kohm in parallel. Wider "
            "traces, a thicker wall or another frequency lose less."
        )
    pitch = (coil.outer_radius_m - coil.inner_radius_m) / figures.turns
    width = coil.trace_width_m or 0.5 * pitch
    if min(width, pitch - width) < FINEST_TRACE_M:
        remarks.append(
            f"{figures.turns} turns need traces and spaces of {millimetres(min(width, pitch - width))}: finer than the "
            f"{millimetres(FINEST_TRACE_M)} of an ordinary board."
        )
    return remarks, usable
