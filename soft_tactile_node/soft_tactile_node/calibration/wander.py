"""How far the departure from the free-bend model wanders while nothing touches: the yardstick of every later test.

Held-out residuals of the free-bend fit run through the same bank of memories as online. The covariance of what each
memory fails to foresee is split into a part at rest and a part in proportion to the squared pressure rate.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

WANDER_S = np.array([0.1, 0.4, 1.6, 6.4])
"""Memories of the drift bank (s)."""


@compiled
def run_bank(time_s: Array, residual: Array, wander_s: Array, quick_s: float) -> Array:
    """Return the departure of the smoothed residual from each memory of the bank.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    residual : numpy.ndarray, shape (n, c)
        change - free_bending of each channel (1), no NaN.
    wander_s : numpy.ndarray, shape (w,)
        Memories (s).
    quick_s : float
        Smoothing before the comparison (s).

    Returns
    -------
    numpy.ndarray, shape (n, w, c)
        Departure before the memory has learnt the row itself (1).
    """
    n, channels = residual.shape
    out = np.zeros((n, wander_s.shape[0], channels))
    quick = residual[0].copy()
    bank = np.zeros((wander_s.shape[0], channels))
    for w in range(wander_s.shape[0]):
        bank[w] = residual[0]
    for i in range(1, n):
        dt_s = time_s[i] - time_s[i - 1]
        smoothing = 1.0 - np.exp(-dt_s / quick_s)
        for k in range(channels):
            quick[k] += smoothing * (residual[i, k] - quick[k])
        for w in range(wander_s.shape[0]):
            gain = 1.0 - np.exp(-dt_s / wander_s[w])
            for k in range(channels):
                out[i, w, k] = quick[k] - bank[w, k]
                bank[w, k] += gain * (residual[i, k] - bank[w, k])
    return out


@compiled
def mean_activity(time_s: Array, rate: Array, wander_s: Array) -> Array:
    """Return the squared pressure rate averaged over each memory of the bank.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    rate : numpy.ndarray, shape (n,)
        Rate of the relative pressure (1/s).
    wander_s : numpy.ndarray, shape (w,)
        Memories (s).

    Returns
    -------
    numpy.ndarray, shape (n, w)
        Mean squared rate (1/s^2).
    """
    out = np.zeros((time_s.shape[0], wander_s.shape[0]))
    for i in range(1, time_s.shape[0]):
        dt_s = time_s[i] - time_s[i - 1]
        for w in range(wander_s.shape[0]):
            gain = 1.0 - np.exp(-dt_s / wander_s[w])
            out[i, w] = out[i - 1, w] + gain * (rate[i] * rate[i] - out[i - 1, w])
    return out


def split_wander(departure: Array, activity: Array) -> tuple[Array, Array]:
    """Split the covariance of a departure into a constant part and one per activity, both positive semidefinite.

    Parameters
    ----------
    departure : numpy.ndarray, shape (n, c)
        Departure from one memory while free (1).
    activity : numpy.ndarray, shape (n,)
        Mean squared rate of the relative pressure (1/s^2).

    Returns
    -------
    rest, active : numpy.ndarray, shape (c, c)
        Covariance at rest (1) and per activity (s^2).
    """
    quiet = activity <= np.quantile(activity, 0.35)
    rest = departure[quiet].T @ departure[quiet] / quiet.sum()
    busy = activity > np.quantile(activity, 0.6)
    # weighted by 1/activity: every busy sample then speaks for the same ratio
    excess = (departure[busy] / activity[busy, None]).T @ departure[busy] / busy.sum()
    excess -= rest * float((1.0 / activity[busy]).mean())
    return clip_positive(rest), clip_positive(excess)


def clip_positive(matrix: Array) -> Array:
    """Return the nearest symmetric matrix without negative eigenvalues.

    Parameters
    ----------
    matrix : numpy.ndarray, shape (c, c)
        Nearly a covariance (any unit).

    Returns
    -------
    numpy.ndarray, shape (c, c)
        Positive semidefinite (same unit).
    """
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)


def white_noise(change: Array) -> Array:
    """Return the covariance of the scan-to-scan noise from second differences, which no slow signal passes.

    Parameters
    ----------
    change : numpy.ndarray, shape (n, c)
        Relative change (1); rows with NaN are left out.

    Returns
    -------
    numpy.ndarray, shape (c, c)
        Covariance of one scan (1).
    """
    second = change[2:] - 2.0 * change[1:-1] + change[:-2]
    second = second[np.isfinite(second).all(axis=1)]
    limit = 4.0 * np.median(np.abs(second), axis=0) / 0.6745 + 1e-300
    calm = second[(np.abs(second) <= limit).all(axis=1)]
    return np.asarray(calm.T @ calm / len(calm) / 6.0)
