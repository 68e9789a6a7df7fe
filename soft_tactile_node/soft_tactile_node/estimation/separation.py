"""Separation: what the estimator knows of noise, drift and pad, and the filter that follows the force of a touch.

Three hypotheses compete at every scan: the finger is free, the pad is touched, or the finger is held elsewhere.

While free, the departure of each channel from the free-bend model is drift. It is tracked by a bank of low-pass
filters with different memories, so that a touch is judged against a drift estimate from before it began: a quick touch
against the shortest memory, a slow one against a longer one. How far the departure wanders within each memory while
nothing touches (at rest, while the pressure moves, after the pad was loaded) is measured on held-out blocks of the
calibration and is the yardstick of every test.

Once touched, the drift is held. What is left is the contact signal; the pad model makes a force of it, which a Kalman
filter follows as a random walk. The variance of the held drift (it grows with the age of the touch), of the pressure
and of the pad model itself is considered, not estimated: it is added to the filter's own and never averaged away.

Source: Kalman filter, Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation (2001),
ch. 5; considered states, Schmidt, Advances in Control Systems 3 (1966) 293-340 (from memory); the arrangement is ours.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.linear import factor, whiten
from soft_tactile_node.estimation.pad import PadMap
from soft_tactile_node.samples import Array


class SeparationModel(NamedTuple):
    """What the filter knows from calibration; all arrays float64, in relative inductance change (1) and N.

    Attributes
    ----------
    pad : PadMap
        Channels to force; a axes.
    directions : numpy.ndarray, shape (3, a, c)
        What a light force adds to each channel; see `direction_at` (1/N).
    pattern : numpy.ndarray, shape (c, c)
        Second moments of the contact signal per squared normal force (1/N^2).
    noise : numpy.ndarray, shape (c, c)
        White covariance of one scan (1).
    noise_gain : numpy.ndarray, shape (a,)
        Noise of the force over what the map alone makes of the channels' noise (1).
    wander_s : numpy.ndarray, shape (w,)
        Memories of the drift bank (s), rising.
    wander_rest, wander_active, wander_loaded : numpy.ndarray, shape (w, c, c)
        Covariance of the departure from each memory at rest (1), per squared pressure rate (s^2), and per squared
        relaxing load (1/N^2).
    error_floor, error_relative : numpy.ndarray, shape (a,)
        The pad model's error: constant (N) and per normal force (1), standard deviations.
    shear_ratio : float
        Apparent shear per normal force, root mean square (1).
    force_rate_n : float
        Random walk of the force (N per square root of a second).
    touch_z : numpy.ndarray, shape (w,)
        Thresholds of the touch test of each memory, in standard deviations (1).
    """

    pad: PadMap
    directions: Array
    pattern: Array
    noise: Array
    noise_gain: Array
    wander_s: Array
    wander_rest: Array
    wander_active: Array
    wander_loaded: Array
    error_floor: Array
    error_relative: Array
    shear_ratio: float
    force_rate_n: float
    touch_z: Array


@compiled
def wander_covariance(model: SeparationModel, memory: int, activity: float, load_n: float, out: Array) -> None:
    """Write the covariance of the departure from one memory of the drift bank, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    memory : int
        Index into the bank.
    activity : float
        Mean squared rate of the relative pressure over that memory (1/s^2).
    load_n : float
        Load the pad is still relaxing from (N).
    out : numpy.ndarray, shape (c, c)
        Overwritten with the covariance (1).
    """
    c = out.shape[0]
    for i in range(c):
        for j in range(c):
            out[i, j] = (
                model.wander_rest[memory, i, j]
                + activity * model.wander_active[memory, i, j]
                + load_n * load_n * model.wander_loaded[memory, i, j]
            )


@compiled
def fill_missing(pattern: Array, used: Array, gather: Array, doubt: Array) -> bool:
    """Write how missing channels follow from the others in a contact, in place.

    Conditional mean and covariance of a Gaussian with the pattern's second moments.

    Parameters
    ----------
    pattern : numpy.ndarray, shape (c, c)
        See `SeparationModel` (1/N^2).
    used : numpy.ndarray, shape (c,)
        1 = channel may be used.
    gather : numpy.ndarray, shape (c, c)
        Overwritten: all channels = gather @ used channels (1).
    doubt : numpy.ndarray, shape (c, c)
        Overwritten: covariance of what is filled in, per squared normal force (1/N^2).

    Returns
    -------
    bool
        False if no channel may be used.
    """
    c = used.shape[0]
    gather[:, :] = 0.0
    doubt[:, :] = 0.0
    good = 0
    for i in range(c):
        if used[i] > 0.5:
            gather[i, i] = 1.0
            good += 1
    if good == c or good == 0:
        return good > 0
    seen = np.zeros((good, good))
    index = np.zeros(good, dtype=np.int64)
    k = 0
    for i in range(c):
        if used[i] > 0.5:
            index[k] = i
            k += 1
    floor = 0.0
    for i in range(c):
        floor += 1e-4 * pattern[i, i] / c
    for i in range(good):
        for j in range(good):
            seen[i, j] = pattern[index[i], index[j]] + (floor if i == j else 0.0)
    inverse = np.linalg.inv(seen)
    for i in range(c):
        if used[i] < 0.5:
            for k in range(good):
                for j in range(good):
                    gather[i, index[k]] += pattern[i, index[j]] * inverse[j, k]
    for i in range(c):
        for j in range(c):
            if used[i] < 0.5 and used[j] < 0.5:
                doubt[i, j] = pattern[i, j]
                for k in range(good):
                    doubt[i, j] -= gather[i, index[k]] * pattern[index[k], j]
    return True


@compiled
def follow_force(state: Array, covariance: Array, measured: Array, noise: Array, growth: float) -> bool:
    """Advance the force by one scan as a random walk and correct it with a measured force, in place.

    Parameters
    ----------
    state, covariance : numpy.ndarray, shape (a,), (a, a)
        Force (N) and its covariance (N^2).
    measured : numpy.ndarray, shape (a,)
        Force as the pad model gives it (N).
    noise : numpy.ndarray, shape (a, a)
        Covariance of the measurement's noise (N^2), positive definite.
    growth : float
        Variance each force gains in this step (N^2).

    Returns
    -------
    bool
        False if the noise is not positive definite; nothing is then corrected.
    """
    a = state.shape[0]
    for i in range(a):
        covariance[i, i] += growth
    lower = np.zeros((a, a))
    if not factor(covariance + noise, lower):
        return False
    white = np.zeros(a)
    whiten(lower, measured - state, white)
    # rows of `half` are L^-1 P: gain times factor, one column a force
    half = np.zeros((a, a))
    column = np.zeros(a)
    for k in range(a):
        for i in range(a):
            column[i] = covariance[i, k]
        whiten(lower, column, column)
        for i in range(a):
            half[i, k] = column[i]
    for i in range(a):
        for k in range(a):
            state[i] += half[k, i] * white[k]
    covariance -= half.T @ half
    return True
