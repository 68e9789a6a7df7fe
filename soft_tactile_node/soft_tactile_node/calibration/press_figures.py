"""Static characteristics read from presses of any shape: bins of force stand for the points of a bench procedure."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from soft_tactile_node.calibration.characteristics import hysteresis, independent_deviation, repeatability_deviation
from soft_tactile_node.calibration.uncertainty import Uncertainty, expand
from soft_tactile_node.samples import Array

LEAST_ROWS = 50
"""Rows that a bin needs before its mean counts (1)."""

LEAST_PRESSES = 4
"""Presses that repeatability needs (1)."""


def find_hysteresis(apparent_n: Array, force_n: Array, rate: Array) -> float:
    """Return the largest gap between the mean unloading and loading curves over bins of force.

    Parameters
    ----------
    apparent_n : numpy.ndarray, shape (n,)
        Normal force as the channels tell it (N).
    force_n : numpy.ndarray, shape (n,)
        Reference normal force (N).
    rate : numpy.ndarray, shape (n,)
        Rise of the reference per row (N).

    Returns
    -------
    float
        Gap (N); NaN where fewer than three bins hold both branches.
    """
    edges = np.linspace(0.2, np.quantile(force_n, 0.999) * 0.9, 9)
    rising, falling = [], []
    for low, high in pairwise(edges):
        inside = (force_n >= low) & (force_n < high)
        up, down = inside & (rate > 1e-4), inside & (rate < -1e-4)
        if up.sum() >= LEAST_ROWS and down.sum() >= LEAST_ROWS:
            rising.append(float(apparent_n[up].mean() - force_n[up].mean()))
            falling.append(float(apparent_n[down].mean() - force_n[down].mean()))
    return hysteresis(np.array(rising), np.array(falling)) if len(rising) >= 3 else float("nan")


def find_non_linearity(
    apparent_n: Array, force_n: Array, kind: Callable[[Array, Array], float] = independent_deviation
) -> float:
    """Return the non-linearity of the mean response over bins of force.

    Parameters
    ----------
    apparent_n, force_n : numpy.ndarray, shape (n,)
        Normal force as the channels tell it, and the reference (N).
    kind : callable
        Deviation of points from a line, see `characteristics`.

    Returns
    -------
    float
        Deviation (N); NaN where fewer than five bins are filled.
    """
    edges = np.linspace(0.0, np.quantile(force_n, 0.999), 13)
    x, y = [], []
    for low, high in pairwise(edges):
        inside = (force_n >= low) & (force_n < high)
        if inside.sum() >= LEAST_ROWS:
            x.append(float(force_n[inside].mean()))
            y.append(float(apparent_n[inside].mean()))
    return kind(np.array(x), np.array(y)) if len(x) >= 5 else float("nan")


def find_repeatability(error_n: Array, force_n: Array) -> tuple[float, Uncertainty] | None:
    """Return the spread between presses of the error at half load, approached from below.

    Parameters
    ----------
    error_n : numpy.ndarray, shape (n,)
        Error of the model, as normal force (N).
    force_n : numpy.ndarray, shape (n,)
        Reference normal force (N).

    Returns
    -------
    deviation : float
        Standard deviation between presses (N).
    uncertainty : Uncertainty
        Of that deviation (N), with presses less one degrees of freedom; JCGM 100:2008, equation (E.7). None is returned
        where fewer than four presses pass that load.
    """
    level = 0.5 * float(np.quantile(force_n, 0.95))
    above = force_n >= level
    crossings = np.flatnonzero(~above[:-1] & above[1:])
    # each press counts once: it must have been nearly unloaded since the last one
    presses: list[float] = []
    last = 0
    for crossing in map(int, crossings):
        if not presses or force_n[last:crossing].min() < 0.2 * level:
            presses.append(float(error_n[max(crossing - 2, 0) : crossing + 3].mean()))
            last = crossing
    if len(presses) < LEAST_PRESSES:
        return None
    deviation = repeatability_deviation(np.array(presses))
    degrees = len(presses) - 1
    return deviation, expand(deviation / np.sqrt(2.0 * degrees), degrees)
