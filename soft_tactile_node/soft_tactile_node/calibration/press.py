"""What a press recording tells before any fit: force, and where the pad is unloaded."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.samples import Array

UNLOADED_N = 0.02
"""Force below which the pad counts as unloaded, on top of the force cell's own noise (N)."""


def smooth_force(recording: Prepared) -> Array:
    """Return the reference force of a press `recording`, averaged over 10 ms, gaps bridged, shape (n, 3) (N)."""
    assert recording.force_n is not None
    out = np.empty_like(recording.force_n)
    width = max(1, round(0.01 / float(np.median(np.diff(recording.time_s)))))
    for axis in range(3):
        values = recording.force_n[:, axis]
        good = np.isfinite(values)
        filled = (
            np.interp(recording.time_s, recording.time_s[good], values[good]) if good.any() else np.zeros(values.size)
        )
        out[:, axis] = uniform_filter1d(filled, width, mode="nearest")
    return out


def find_unloaded(time_s: Array, force_n: Array) -> Array:
    """Return where the pad is certainly unloaded, with a margin after each release.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    force_n : numpy.ndarray, shape (n, 3)
        Smoothed reference force (N).

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        True where nothing presses.
    """
    size = np.linalg.norm(force_n, axis=1)
    width = max(1, round(0.1 / float(np.median(np.diff(time_s)))))
    level = uniform_filter1d(size, width, mode="nearest")
    noise = float(np.median(level[level < max(0.1, np.quantile(level, 0.3))]))
    return np.asarray(level < noise + UNLOADED_N)


def find_touched(time_s: Array, force_n: Array) -> Array:
    """Return where the force `force_n` (N), shape (n, 3), at `time_s` (s), stands above its noise, to milliseconds."""
    width = max(1, round(0.02 / float(np.median(np.diff(time_s)))))
    size = np.linalg.norm(uniform_filter1d(force_n, width, axis=0, mode="nearest"), axis=1)
    unloaded = size[find_unloaded(time_s, force_n)]
    if unloaded.size == 0:
        return np.ones(time_s.size, dtype=bool)
    middle = float(np.median(unloaded))
    spread = float(np.median(np.abs(unloaded - middle))) / 0.6745
    return np.asarray(size > middle + max(UNLOADED_N, 6.0 * spread))


def force_doubt(time_s: Array, force_n: Array) -> Array:
    """Return how far the force moves while the pad answers: a row in a quick change says little.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    force_n : numpy.ndarray, shape (n, 3)
        Smoothed reference force (N).

    Returns
    -------
    numpy.ndarray, shape (n,)
        Range of the force within 30 ms either way where it is more than noise, else zero (N).
    """
    width = max(1, round(0.06 / float(np.median(np.diff(time_s)))))
    moved = maximum_filter1d(force_n, width, axis=0) - minimum_filter1d(force_n, width, axis=0)
    size = np.linalg.norm(moved, axis=1)
    return np.asarray(np.where(size > 0.1, size, 0.0))
