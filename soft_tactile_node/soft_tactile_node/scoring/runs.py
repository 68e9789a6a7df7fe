"""Runs of rows, gaps between them, and stretches of time: the arithmetic under the detection figures."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.samples import Array

Rows = NDArray[np.int64]

TIME_TOLERANCE_S = 1e-9
"""Times closer than this are the same time; keeps 0.3 - 0.25 from being less than 0.05 (s)."""


def find_runs(mask: ArrayLike) -> tuple[Rows, Rows]:
    """Return the first row of each run of True in `mask`, shape (n,), and the row after its last one."""
    edges = np.diff(np.asarray(mask, dtype=np.int8), prepend=0, append=0)
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def close_gaps(starts: Rows, stops: Rows, edges_s: Array, limit_s: float) -> tuple[Rows, Rows]:
    """Join runs whose gap is shorter than a limit.

    Parameters
    ----------
    starts, stops : numpy.ndarray of int, shape (k,)
        Runs as of `find_runs`.
    edges_s : numpy.ndarray, shape (n + 1,)
        Time at which each row begins, and the end of the last row (s).
    limit_s : float
        Gaps shorter than this are closed (s).

    Returns
    -------
    starts, stops : numpy.ndarray of int
        The joined runs.
    """
    if len(starts) == 0:
        return starts, stops
    open_gap = edges_s[starts[1:]] - edges_s[stops[:-1]] >= limit_s - TIME_TOLERANCE_S
    return starts[np.append(True, open_gap)], stops[np.append(open_gap, True)]


def invert_stretches(stretches: Array, begin_s: float, end_s: float) -> Array:
    """Return the time from `begin_s` to `end_s` (s), shape (m, 2), that none of the sorted `stretches` covers."""
    free = []
    cursor = begin_s
    for first, last in stretches:
        if first > cursor:
            free.append((cursor, min(first, end_s)))
        cursor = max(cursor, last)
    if cursor < end_s:
        free.append((cursor, end_s))
    return np.array(free, dtype=np.float64).reshape(-1, 2)


def intersect_stretches(one: Array, other: Array) -> Array:
    """Return the time (s), shape (m, 2), that `one` and `other`, sorted, of shape (k, 2), have in common."""
    common: list[tuple[float, float]] = []
    i = j = 0
    while i < len(one) and j < len(other):
        begin, end = max(one[i, 0], other[j, 0]), min(one[i, 1], other[j, 1])
        if begin < end:
            common.append((begin, end))
        if one[i, 1] <= other[j, 1]:
            i += 1
        else:
            j += 1
    return np.array(common, dtype=np.float64).reshape(-1, 2)


def is_inside(time_s: Array, stretches: Array) -> NDArray[np.bool_]:
    """Tell which times lie within one of some stretches, begins included, ends not.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Times (s).
    stretches : numpy.ndarray, shape (k, 2)
        Begin and end of each stretch (s), sorted by begin; without overlap, or all equally long.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        True where the time is inside.
    """
    if len(stretches) == 0:
        return np.zeros(len(time_s), dtype=np.bool_)
    begins = stretches[:, 0] - TIME_TOLERANCE_S
    ends = stretches[:, 1] - TIME_TOLERANCE_S
    index = np.searchsorted(begins, time_s, side="right") - 1
    return np.asarray((index >= 0) & (time_s < ends[np.maximum(index, 0)]), dtype=np.bool_)
