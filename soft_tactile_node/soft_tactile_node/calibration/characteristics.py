"""Definitions of static characteristics: hysteresis, non-linearity in three kinds, repeatability, signal to noise.

Source: IEC 61298-2:2008 and ISA-51.1-1979 (wording from memory); repeatability as a standard deviation after ISO 5725.
Everything is in the unit of the output; divide by the span for the usual per cent.
"""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.samples import Array


def hysteresis(rising: Array, falling: Array) -> float:
    """Return the largest gap between `falling` and `rising` mean output at the same inputs, shape (n,), any unit."""
    return float(np.max(np.abs(np.asarray(falling) - np.asarray(rising))))


def terminal_deviation(x: Array, y: Array) -> float:
    """Return the largest deviation of `y` over rising `x`, shape (n,), from the line through first and last point."""
    line = y[0] + (y[-1] - y[0]) * (x - x[0]) / (x[-1] - x[0])
    return float(np.max(np.abs(y - line)))


def zero_based_deviation(x: Array, y: Array) -> float:
    """Return the largest deviation of `y` over rising `x`, shape (n,), from the best line through the first point."""
    return _smallest_deviation(x - x[0], y - y[0], free_offset=False)


def independent_deviation(x: Array, y: Array) -> float:
    """Return the largest deviation of `y` over `x`, shape (n,), from the line that makes it smallest (unit of `y`)."""
    return _smallest_deviation(x, y, free_offset=True)


def repeatability_deviation(repeats: Array) -> float:
    """Return the standard deviation of `repeats`, two or more outputs at one input, shape (n,), any unit."""
    return float(np.std(repeats, ddof=1))


def signal_to_noise_db(signal: float, noise: float) -> float:
    """Return 20 log10(`signal` / `noise`) (dB), both > 0, of one unit and kind (peak, rms)."""
    return 20.0 * math.log10(max(signal, 1e-300) / max(noise, 1e-300))


def _smallest_deviation(x: Array, y: Array, *, free_offset: bool) -> float:
    """Return the smallest largest deviation from a line, as a linear programme over slope, offset and deviation."""
    from scipy.optimize import linprog

    ones = np.ones_like(x, dtype=np.float64)
    above = np.stack([-x, -ones, -ones], axis=1)
    below = np.stack([x, ones, -ones], axis=1)
    offset = (None, None) if free_offset else (0.0, 0.0)
    result = linprog(
        [0.0, 0.0, 1.0],
        A_ub=np.vstack([above, below]),
        b_ub=np.concatenate([-y, y]),
        bounds=[(None, None), offset, (None, None)],
    )
    return float(result.x[2])
