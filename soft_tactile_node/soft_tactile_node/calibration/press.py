"""What a press recording tells before any fit: force, rests, and the contact place behind the apparent shear."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.estimation.pad import pad_design
from soft_tactile_node.samples import Array

UNLOADED_N = 0.02
"""Force below which the pad counts as unloaded, on top of the force cell's own noise (N)."""


@dataclass(frozen=True)
class Memory:
    """Time constants of a pad model and the axes it has.

    Attributes
    ----------
    quick_s, lag_s, shear_s : numpy.ndarray
        See `estimation.pad.advance_pad` (s).
    axes : int
        1 or 3.
    """

    quick_s: Array
    lag_s: Array
    shear_s: Array
    axes: int

    def design(self, time_s: Array, force_n: Array, load: Array) -> Array:
        """Return `pad_design` of `time_s` (s), `force_n` (N) and `load` (1) with this memory; see `estimation.pad`."""
        return pad_design(
            time_s, np.ascontiguousarray(force_n), load, self.quick_s, self.lag_s, self.shear_s, self.axes
        )


def smooth_force(recording: Prepared) -> Array:
    """Return the reference force averaged over 10 ms, gaps bridged.

    Parameters
    ----------
    recording : Prepared
        A press recording.

    Returns
    -------
    numpy.ndarray, shape (n, 3)
        Force (N).
    """
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


def find_place(
    recordings: Sequence[Prepared],
    weights: Array,
    apparent: Sequence[Array],
    loads: Sequence[Array],
    departures: Sequence[Array],
    memory: Memory,
) -> list[Array]:
    """Return the apparent shear that the force reference does not know of, from the pattern it leaves in the channels.

    Parameters
    ----------
    recordings : sequence of Prepared
        Press recordings.
    weights : numpy.ndarray, shape (m, c)
        Pad weights (1/N).
    apparent : sequence of numpy.ndarray, shape (n, 3)
        Apparent shear as known so far, and normal force (N).
    loads : sequence of numpy.ndarray, shape (n,)
        Relative pressure (1).
    departures : sequence of numpy.ndarray, shape (n, c)
        What the pad model is to explain (1).
    memory : Memory
        Time constants.

    Returns
    -------
    list of numpy.ndarray, shape (n, 2)
        Apparent shear x and y less the reference (N).
    """
    shifts = []
    for recording, force, load, departure in zip(recordings, apparent, loads, departures, strict=True):
        assert recording.force_n is not None
        reference = smooth_force(recording)
        residual = np.nan_to_num(departure - memory.design(recording.time_s, force, load) @ weights)
        pattern = np.zeros((len(residual), residual.shape[1], 3))
        for axis in range(3):
            # the pattern of a small extra force, memory included, is the slope of the whole model
            nudge = np.zeros(3)
            nudge[axis] = 0.05
            pattern[:, :, axis] = (
                (memory.design(recording.time_s, force + nudge, load) - memory.design(recording.time_s, force, load))
                @ weights / 0.05
            )  # fmt: skip
        gram = pattern.transpose(0, 2, 1) @ pattern
        gram += 1e-3 * np.trace(gram, axis1=1, axis2=2)[:, None, None] * np.eye(3) / 3.0 + 1e-18 * np.eye(3)
        extra = np.linalg.solve(gram, (pattern.transpose(0, 2, 1) @ residual[:, :, None]))[:, :2, 0]
        width = max(1, round(0.05 / float(np.median(np.diff(recording.time_s)))))
        total = force[:, :2] - reference[:, :2] + uniform_filter1d(extra, width, axis=0, mode="nearest")
        limit = np.maximum(reference[:, 2:3], 0.0)  # no place on the pad tilts it by more than the load itself
        shifts.append(np.clip(total, -2.0 * limit, 2.0 * limit))
    return shifts


def place_spread(shift_n: Array, force_z_n: Array) -> Array:
    """Return how much apparent shear off-centre contact makes per normal force.

    Parameters
    ----------
    shift_n : numpy.ndarray, shape (n, 2)
        See `find_place` (N).
    force_z_n : numpy.ndarray, shape (n,)
        Normal force (N).

    Returns
    -------
    numpy.ndarray, shape (2,)
        Root mean square over samples above 0.5 N (1).
    """
    heavy = force_z_n > 0.5
    if not heavy.any():
        return np.zeros(2)
    return np.asarray(np.sqrt(np.mean((shift_n[heavy] / force_z_n[heavy, None]) ** 2, axis=0)))
