"""Separation filter: splits the change of each channel into bending, drift and contact, and judges what causes it.

Three hypotheses compete at every scan: the finger is free, the pad is touched, or the finger is held elsewhere.

While free, the departure of each channel from the free-bend model is drift. It is tracked by a bank of low-pass
filters with different memories, so that a touch is judged against a drift estimate from before it began: a quick touch
against the shortest memory, a slow one against a longer one. How far the departure wanders within each memory while
nothing touches (at rest, while the pressure moves, after the pad was loaded) is measured on held-out blocks of the
calibration and is the yardstick of every test.

Once touched, an extended Kalman filter estimates force and pad memory, with the drift frozen into an offset state
whose variance is what the yardstick says plus what the pad model itself gets wrong per newton. Error that lasts is
thus a state, never averaged away as if it were noise.

Source: extended Kalman filter, Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation
(2001), ch. 10; generalised least squares for the hypothesis tests; the arrangement is our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.linear import factor, whiten
from soft_tactile_node.estimation.pad import pad_terms, stiffen
from soft_tactile_node.samples import Array

MISSING = 1.0e6
"""Variance (1) of a channel that is not used: it then carries no weight."""


class SeparationModel(NamedTuple):
    """What the filter knows from calibration; all arrays float64, in relative inductance change (1) and N.

    Attributes
    ----------
    axes : int
        1 for normal force only, 3 with shear.
    pad_weights : numpy.ndarray, shape (m, c)
        Weights of the pad terms (1/N).
    fill_s, empty_s : numpy.ndarray, shape (lags,)
        Time constants of the pad memory (s).
    shear_s : numpy.ndarray, shape (shear_lags,)
        Time constants of the shear memory (s).
    noise : numpy.ndarray, shape (c, c)
        White covariance of one scan (1).
    wander_s : numpy.ndarray, shape (w,)
        Memories of the drift bank (s), rising.
    wander_rest, wander_active, wander_loaded : numpy.ndarray, shape (w, c, c)
        Covariance of the departure from each memory at rest (1), per squared pressure rate (s^2), and per squared
        relaxing load (1/N^2).
    error_floor, error_relative : numpy.ndarray, shape (c, c)
        Covariance of the pad model's error: constant (1) and per squared force (1/N^2).
    force_rate_n : float
        Random walk of the force (N per square root of a second).
    touch_z : numpy.ndarray, shape (w,)
        Thresholds of the touch test of each memory, in standard deviations (1).
    """

    axes: int
    pad_weights: Array
    fill_s: Array
    empty_s: Array
    shear_s: Array
    noise: Array
    wander_s: Array
    wander_rest: Array
    wander_active: Array
    wander_loaded: Array
    error_floor: Array
    error_relative: Array
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
def score_direction(lower: Array, white: Array, direction: Array, work: Array) -> tuple[float, float]:
    """Return the amplitude of a known direction in a whitened departure and its standard deviation.

    Generalised least squares for one unknown.

    Parameters
    ----------
    lower : numpy.ndarray, shape (c, c)
        Cholesky factor of the departure's covariance.
    white : numpy.ndarray, shape (c,)
        The whitened departure.
    direction : numpy.ndarray, shape (c,)
        Signal per unit amplitude (1 per unit).
    work : numpy.ndarray, shape (c,)
        Scratch.

    Returns
    -------
    amplitude, deviation : float
        Estimate and its standard deviation, in the direction's unit; deviation is infinite if nothing is seen.
    """
    whiten(lower, direction, work)
    energy = 0.0
    cross = 0.0
    for i in range(white.shape[0]):
        energy += work[i] * work[i]
        cross += work[i] * white[i]
    if not energy > 0.0:
        return 0.0, np.inf
    return cross / energy, 1.0 / np.sqrt(energy)


@compiled
def predict_contact(
    model: SeparationModel,
    state: Array,
    covariance: Array,
    dt_s: float,
    drift_growth: Array,
    jacobian: Array,
    work: Array,
) -> None:
    """Advance the contact state (force, pad memory, offset) by one scan, in place.

    The force is a random walk, each pad memory follows its load, the offset is a random walk.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    state : numpy.ndarray, shape (s,)
        Force (3, N), pad memory (N), offset of each channel (1).
    covariance : numpy.ndarray, shape (s, s)
        Covariance of the state.
    dt_s : float
        Time step (s).
    drift_growth : numpy.ndarray, shape (c, c)
        Variance the offset gains in this step (1).
    jacobian, work : numpy.ndarray, shape (s, s)
        Scratch.
    """
    lags = model.fill_s.shape[0]
    shear_lags = model.shear_s.shape[0]
    size = state.shape[0]
    first_offset = 3 + lags + 2 * shear_lags
    for i in range(size):
        for j in range(size):
            jacobian[i, j] = 1.0 if i == j else 0.0
    load = stiffen(state[2], 1.5)
    slope = 1.0 / (1.0 + abs(state[2]) / 1.5)
    for j in range(lags):
        tau = model.fill_s[j] if load > state[3 + j] else model.empty_s[j]
        gain = 1.0 - np.exp(-dt_s / tau)
        state[3 + j] += gain * (load - state[3 + j])
        jacobian[3 + j, 3 + j] = 1.0 - gain
        jacobian[3 + j, 2] = gain * slope
    for j in range(shear_lags):
        gain = 1.0 - np.exp(-dt_s / model.shear_s[j])
        for axis in range(2):
            k = 3 + lags + 2 * j + axis
            state[k] += gain * (state[axis] - state[k])
            jacobian[k, k] = 1.0 - gain
            jacobian[k, axis] = gain
    # covariance = J P J', exploiting that J is the identity but for the memory rows
    for i in range(size):
        for j in range(size):
            work[i, j] = covariance[i, j]
    for i in range(3, first_offset):
        driver = 2 if i < 3 + lags else (i - 3 - lags) % 2
        for j in range(size):
            work[i, j] = jacobian[i, i] * covariance[i, j] + jacobian[i, driver] * covariance[driver, j]
    for i in range(size):
        for j in range(size):
            covariance[i, j] = work[i, j]
    for j in range(3, first_offset):
        driver = 2 if j < 3 + lags else (j - 3 - lags) % 2
        for i in range(size):
            covariance[i, j] = work[i, j] * jacobian[j, j] + work[i, driver] * jacobian[j, driver]
    walk = model.force_rate_n * model.force_rate_n * dt_s
    for axis in range(3):
        if axis == 2 or model.axes == 3:
            covariance[axis, axis] += walk
    for i in range(drift_growth.shape[0]):
        for j in range(drift_growth.shape[0]):
            covariance[first_offset + i, first_offset + j] += drift_growth[i, j]


@compiled
def update_contact(
    model: SeparationModel,
    state: Array,
    covariance: Array,
    departure: Array,
    used: Array,
    load: float,
    terms: Array,
    slopes: Array,
    sensitivity: Array,
    gain: Array,
) -> float:
    """Correct the contact state with one scan, one channel after the other, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    state, covariance : numpy.ndarray, shape (s,), (s, s)
        See `predict_contact`.
    departure : numpy.ndarray, shape (c,)
        change - free_bending of each channel (1).
    used : numpy.ndarray, shape (c,)
        1 for channels to use, 0 for missing or rejected ones.
    load : float
        Relative pressure (1).
    terms, slopes, sensitivity, gain : numpy.ndarray
        Scratch of shape (m,), (m, s - c), (s,), (s,).

    Returns
    -------
    float
        Mean normalised innovation squared of the used channels (1); NaN if none was used.
    """
    lags = model.fill_s.shape[0]
    shear_lags = model.shear_s.shape[0]
    channels = departure.shape[0]
    size = state.shape[0]
    first_offset = size - channels
    pad_terms(state[:3], state[3:first_offset], load, lags, shear_lags, model.axes, terms, slopes)
    prior = state.copy()
    total = 0.0
    count = 0
    for channel in range(channels):
        if used[channel] < 0.5:
            continue
        # linearised once per scan at the predicted state; sequential scalar updates are exact for that linear model
        expected = 0.0
        for m in range(terms.shape[0]):
            expected += model.pad_weights[m, channel] * terms[m]
        for k in range(size):
            sensitivity[k] = 0.0
        for m in range(terms.shape[0]):
            weight = model.pad_weights[m, channel]
            for k in range(first_offset):
                sensitivity[k] += weight * slopes[m, k]
        if model.axes == 1:
            sensitivity[0] = 0.0
            sensitivity[1] = 0.0
        sensitivity[first_offset + channel] = 1.0
        expected += prior[first_offset + channel]
        for k in range(size):
            expected += sensitivity[k] * (state[k] - prior[k])
        innovation = departure[channel] - expected
        variance = model.noise[channel, channel]
        for i in range(size):
            row = 0.0
            for j in range(size):
                row += covariance[i, j] * sensitivity[j]
            gain[i] = row
        for i in range(size):
            variance += sensitivity[i] * gain[i]
        total += innovation * innovation / variance
        count += 1
        for i in range(size):
            state[i] += gain[i] * innovation / variance
        for i in range(size):
            for j in range(size):
                covariance[i, j] -= gain[i] * gain[j] / variance
    return total / count if count > 0 else np.nan


@compiled
def touch_direction(model: SeparationModel, load: float, axis: int, terms: Array, slopes: Array, zeros: Array, out: Array) -> None:
    """Write what one newton of a beginning touch adds to each channel, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    load : float
        Relative pressure (1).
    axis : int
        0, 1 or 2 for x, y, z.
    terms, slopes : numpy.ndarray
        Scratch of shape (m,) and (m, 3 + pad memories).
    zeros : numpy.ndarray, shape (3 + pad memories,)
        Zeros: no force, no memory.
    out : numpy.ndarray, shape (c,)
        Overwritten (1/N).
    """
    lags = model.fill_s.shape[0]
    shear_lags = model.shear_s.shape[0]
    pad_terms(zeros[:3], zeros[3:], load, lags, shear_lags, model.axes, terms, slopes)
    # the quick part of the memory follows within the test's own time, so it counts into the direction
    for channel in range(out.shape[0]):
        total = 0.0
        for m in range(terms.shape[0]):
            slope = slopes[m, axis]
            if axis == 2:
                for j in range(lags):
                    if model.fill_s[j] <= 0.06:
                        slope += slopes[m, 3 + j] * 0.5
            total += model.pad_weights[m, channel] * slope
        out[channel] = total
