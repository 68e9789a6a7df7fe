"""Figures of what changes slowly or without a touch: creep, recovery, temperature, bending.

Apparent normal force is what fixed weights of the channels tell, before the estimator takes memory and bending out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from soft_tactile_node.calibration.base_fit import BaseFit, fill_gaps
from soft_tactile_node.calibration.map_fit import Pressed
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.record import Figure, make_figure
from soft_tactile_node.calibration.uncertainty import combine, expand, fit_line, jackknife
from soft_tactile_node.samples import Array

LEAST_HOLD_S = 10.0
"""A press shorter than this tells nothing of creep (s)."""

FIRST_S = 0.5
"""Creep is read from this long after the force has settled (s)."""

CREEP_POINTS = 9
"""Points, evenly spaced in the logarithm of time, that the creep line goes through (1)."""

AFTER_S = (0.4, 0.6)
"""When after a release the response that is left is read (s)."""

SAME_PRESSURE = 0.03
"""Pressure, over the highest, that may change from before a press to after it (1)."""

LEAST_SHARE = 0.2
"""Presses to a smaller share of the largest force tell little of recovery (1)."""

BLOCKS = 12
"""Blocks that the scatter of the bending is taken from (1)."""


def slow_figures(free: Sequence[Prepared], items: Sequence[Pressed], base: BaseFit, gain: Array) -> dict[str, Figure]:
    """Return creep, recovery, temperature coefficient and bending cross-sensitivity.

    Parameters
    ----------
    free : sequence of Prepared
        The free-bend recordings.
    items : sequence of Pressed
        All recordings as the map was fitted to them.
    base : BaseFit
        The free-bend model.
    gain : numpy.ndarray, shape (c,)
        Channel weights that give normal force (N).

    Returns
    -------
    dict of str to Figure
        By name; a figure the recordings cannot give is left out.
    """
    pressed = [p for p in items if p.touched.any()]
    apparent = [fill_gaps(p.item.change - base.bending(p.item)) @ gain for p in pressed]
    return (
        _creep(pressed, apparent) | _recovery(pressed, apparent, base.scale_pa) | _temperature(free, base, gain)
    ) | _bending(free, gain)


def creep_per_decade(time_s: Array, response: Array) -> tuple[float, float, int]:
    """Return how much a response under constant force grows while time grows tenfold.

    A straight line through means of the response over the logarithm of time.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Time since the force has settled (s), rising to at least `LEAST_HOLD_S`.
    response : numpy.ndarray, shape (n,)
        The response, any unit.

    Returns
    -------
    share : float
        Growth per decade over the response at 1 s (1).
    uncertainty : float
        Its standard uncertainty, from the scatter about the line (1).
    degrees : int
        Degrees of freedom of that (1).
    """
    edges = np.geomspace(FIRST_S, time_s[-1], CREEP_POINTS + 1)
    inside = [(time_s >= low) & (time_s < high) for low, high in pairwise(edges)]
    filled = [rows for rows in inside if rows.any()]
    decades = np.log10([time_s[rows].mean() for rows in filled])
    line = fit_line(decades, np.array([response[rows].mean() for rows in filled]))
    return line.slope / line.intercept, abs(line.slope_uncertainty / line.intercept), line.degrees_of_freedom


def _contacts(p: Pressed) -> Iterator[tuple[int, int]]:
    """Yield first row and row after the last of each contact that ends within the recording."""
    steps = np.diff(p.touched.astype(int))
    starts, ends = np.flatnonzero(steps > 0) + 1, np.flatnonzero(steps < 0) + 1
    for start in map(int, starts):
        later = ends[ends > start]
        if later.size:
            yield start, int(later[0])


def _hold(p: Pressed, start: int, end: int) -> slice:
    """Return the rows of a contact on which the force stays where it is for most of the contact."""
    force = p.force_n[start:end, 2]
    level = float(np.median(force))
    rows = np.flatnonzero(np.abs(force - level) < 0.03 * level + 0.02)
    pieces = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    longest = max(pieces, key=len)
    return slice(start + int(longest[0]), start + int(longest[-1]) + 1) if len(longest) else slice(start, start + 1)


def _creep(pressed: Sequence[Pressed], apparent: Sequence[Array]) -> dict[str, Figure]:
    """Return the creep of the longest hold."""
    holds = [
        (float(p.item.time_s[rows][-1] - p.item.time_s[rows][0]), p, a, rows)
        for p, a in zip(pressed, apparent, strict=True)
        for start, end in _contacts(p)
        if (rows := _hold(p, start, end)).stop > rows.start
    ]
    if not holds:
        return {}
    length_s, p, a, rows = max(holds, key=lambda hold: hold[0])
    if length_s < LEAST_HOLD_S:
        return {}
    force = p.force_n[rows, 2]
    time_s = p.item.time_s[rows] - p.item.time_s[rows][0]
    share, spread, degrees = creep_per_decade(time_s, a[rows] - (force - force.mean()))
    return {
        "creep": make_figure(
            100.0 * share,
            expand(100.0 * spread, degrees),
            "%/decade",
            f"growth of the response while time grows tenfold, in a press held for {length_s:.0f} s",
        )
    }


def _recovery(pressed: Sequence[Pressed], apparent: Sequence[Array], scale_pa: float) -> dict[str, Figure]:
    """Return what is left of the response shortly after a release, as the mean over presses."""
    most = max((float(p.force_n[:, 2].max()) for p in pressed), default=0.0)
    left: list[float] = []
    for p, a in zip(pressed, apparent, strict=True):
        time_s = p.item.time_s
        for start, end in _contacts(p):
            before = (time_s > time_s[start] - 0.3) & (time_s < time_s[start] - 0.05)
            after = (time_s > time_s[end] + AFTER_S[0]) & (time_s < time_s[end] + AFTER_S[1])
            quiet = before.any() and after.any() and not p.touched[before | after].any()
            if not quiet or p.force_n[start:end, 2].max() < LEAST_SHARE * most:
                continue
            moved = p.item.pressure_pa[after].mean() - p.item.pressure_pa[before].mean()
            if abs(moved) <= SAME_PRESSURE * scale_pa:
                zero = a[before].mean()
                left.append(100.0 * float(a[after].mean() - zero) / float(a[start:end].max() - zero))
    if len(left) < 2:
        return {}
    spread = expand(float(np.std(left, ddof=1)) / math.sqrt(len(left)), len(left) - 1)
    words = f"response left half a second after a release, over its peak; mean of {len(left)} presses"
    return {"recovery": make_figure(float(np.mean(left)), spread, "%", words)}


def _temperature(free: Sequence[Prepared], base: BaseFit, gain: Array) -> dict[str, Figure]:
    """Return what a kelvin looks like; nothing where the recordings hold hardly any change of temperature."""
    if max(float(np.ptp(p.temperature_change)) for p in free) < 1.0:
        return {}
    return {
        "temperature_coefficient": make_figure(
            float(base.slope @ gain),
            combine(base.slope_deviation, gain),
            "N/K",
            "normal force that a kelvin of temperature looks like, bent or not",
        )
    }


def _bending(free: Sequence[Prepared], gain: Array) -> dict[str, Figure]:
    """Return what a kilopascal looks like without a touch."""

    def slope(signal: Array, pressure: Array) -> float:
        return float(np.polyfit(1e-3 * pressure, signal, 1)[0])

    signal = np.concatenate([fill_gaps(p.change) for p in free]) @ gain
    pressure = np.concatenate([p.pressure_pa for p in free])
    return {
        "bending_cross_sensitivity": make_figure(
            *jackknife(slope, (signal, pressure), BLOCKS),
            "N/kPa",
            "normal force that a kilopascal of free bending looks like, by least squares",
        )
    }
