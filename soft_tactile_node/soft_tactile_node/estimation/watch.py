"""Does the calibration fit this finger: while nothing touches, the channels must move as the free bend says.

What moves quickly of each channel (less its own slow mean) is compared with what moves quickly of the free bend.
Exchanged channels, a pressure in another unit or the calibration of another finger leave most of it unexplained from
the first motion on. It is a second opinion beside the estimator: nothing is learnt from it.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

MEAN_S = 0.25
"""Memory of the slow mean (s)."""

SETTLED_S = 0.1
"""Rows count this long after a contact or a fault (s); short, for a finger that does not fit claims many."""

MEMORY_S = 10.0
"""Memory of both energies, in time of motion (s)."""

MOVING = 0.004
"""The finger moves where the channels stray this far from their mean, as a share of the largest bending (1)."""

NOISES = 6.0
"""And by this many standard deviations of a scan (1)."""

LEAST_S = 0.2
"""An opinion needs motion worth this long just above that (s)."""

UNEXPLAINED = 0.5
"""More than this share of the motion unexplained means that the calibration does not fit (1)."""

HARMLESS_FLAGS = 2 | 8192
"""Flags of a row that counts all the same: TARE_OLD and MOTION."""

LAST_S, SINCE_S, MOVED, LEFT, FIRST = 0, 1, 2, 3, 4

DOUBT = (
    "the pressure explains less than half of how the channels move: exchanged channels, a pressure in another unit, or "
    "the calibration of another finger"
)
"""What the flag means, for a person."""


def least_motion(span: Array, noise: Array) -> float:
    """Return what counts as motion.

    Parameters
    ----------
    span, noise : numpy.ndarray, shape (c,)
        Largest bending and noise of a scan of each channel (1).

    Returns
    -------
    float
        Length of the channels' change (1).
    """
    return float(max(MOVING * np.linalg.norm(span), NOISES * np.linalg.norm(noise)))


def new_watch(channels: int) -> Array:
    """Return the memory of a finger at rest for `channels` (1), each number in the unit `watch_rows` gives it."""
    memory = np.full(FIRST + 2 * channels, np.nan)
    memory[SINCE_S:FIRST] = SETTLED_S, 0.0, 0.0
    return memory


@compiled
def watch_rows(
    memory: Array, least: float, time_s: Array, free: Array, change: Array, in_contact: Array, flags: Array, out: Array
) -> None:
    """Write 1 for each row at which the calibration does not seem to fit, in place; least as of `least_motion`."""
    c = change.shape[1]
    for i in range(time_s.shape[0]):
        first = not np.isfinite(memory[LAST_S])
        dt = 0.0 if first else max(0.0, min(time_s[i] - memory[LAST_S], 0.1))
        memory[LAST_S] = time_s[i]
        counts = in_contact[i] == 0 and (flags[i] & ~HARMLESS_FLAGS) == 0
        for k in range(c):
            counts = counts and np.isfinite(change[i, k])
        memory[SINCE_S] = memory[SINCE_S] + dt if counts else 0.0
        settled = memory[SINCE_S] > SETTLED_S and not first
        gain = 1.0 - np.exp(-dt / MEAN_S)
        moved = left = 0.0
        for k in range(c):
            a, b = FIRST + k, FIRST + c + k
            if settled:
                memory[a] += gain * (change[i, k] - memory[a])
                memory[b] += gain * (free[i, k] - memory[b])
                high = change[i, k] - memory[a]
                moved += high * high
                left += (high - (free[i, k] - memory[b])) ** 2
            else:
                memory[a] = change[i, k]
                memory[b] = free[i, k]
        if settled and moved > least * least:
            keep = np.exp(-dt / MEMORY_S)
            memory[MOVED] = keep * memory[MOVED] + dt * moved
            memory[LEFT] = keep * memory[LEFT] + dt * left
        enough = memory[MOVED] > LEAST_S * least * least
        out[i] = 1 if enough and memory[LEFT] > UNEXPLAINED * memory[MOVED] else 0
