"""Separation filter: splits the change of each channel into bending, drift and contact, and judges what causes it.

Three hypotheses compete at every scan: the finger is free, the pad is touched, or the finger is held elsewhere.

While free, the departure of each channel from the free-bend model is drift. It is tracked by a bank of low-pass
filters with different memories, so that a touch is judged against a drift estimate from before it began: a quick touch
against the shortest memory, a slow one against a longer one. How far the departure wanders within each memory while
nothing touches (at rest, while the pressure moves, after the pad was loaded) is measured on held-out blocks of the
calibration and is the yardstick of every test.

Once touched, an extended Kalman filter estimates force and pad memory, with the drift frozen into an offset state
whose variance is what the yardstick says plus what the pad model itself gets wrong per newton. Error that lasts is
thus a considered state, never averaged away as if it were noise.

Source: extended Kalman filter, Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation
(2001), ch. 10; considered states, Schmidt, Advances in Control Systems 3 (1966) 293-340 (from memory); generalised
least squares for the hypothesis tests; the arrangement is our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.linear import factor, whiten
from soft_tactile_node.estimation.pad import GRIP_KNEE_N, lag_gain, pad_terms, quick_tau, stiffen
from soft_tactile_node.samples import Array

MISSING = 1.0e6
"""Variance (1) of a channel that is not used: it then carries no weight."""


SHEAR_S = 0.05
"""Time in which shear may change by as much as friction allows (s)."""

FRICTION_PRIOR = 0.35
"""Standard deviation of true shear per normal force before anything is measured (1): what friction allows."""

APPARENT_PRIOR = 1.0
"""Standard deviation of apparent shear per normal force (1): wide, so that no contact place bends the normal force."""

SHEAR_FLOOR_N = 0.02
"""Standard deviation of shear at a touch without normal force (N)."""


class SeparationModel(NamedTuple):
    """What the filter knows from calibration; all arrays float64, in relative inductance change (1) and N.

    Attributes
    ----------
    axes : int
        1 for normal force only, 3 with shear.
    channels : int
        Number of coils, c. Where shear is observed two more channels follow, C = c + 2: they "measure" each shear force
        as zero, with an offset as large as friction allows, and so keep shear within reason where coils tell little.
    pad_weights : numpy.ndarray, shape (m, C)
        Weights of the pad terms (1/N); for the two shear channels (1).
    quick_s : numpy.ndarray, shape (2,)
        Time constants of the quick lag, filling and emptying (s).
    lag_s : numpy.ndarray, shape (lags,)
        Time constants of the slow pad memory (s).
    shear_s : numpy.ndarray, shape (shear_lags,)
        Time constants of the shear memory (s).
    noise : numpy.ndarray, shape (C, C)
        White covariance of one scan (1).
    wander_s : numpy.ndarray, shape (w,)
        Memories of the drift bank (s), rising.
    wander_rest, wander_active, wander_loaded : numpy.ndarray, shape (w, c, c)
        Covariance of the departure from each memory at rest (1), per squared pressure rate (s^2), and per squared
        relaxing load (1/N^2).
    error_floor, error_relative : numpy.ndarray, shape (C, C)
        Covariance of the pad model's error: constant (1) and per squared force (1/N^2).
    force_rate_n : float
        Random walk of the force (N per square root of a second).
    touch_z : numpy.ndarray, shape (w,)
        Thresholds of the touch test of each memory, in standard deviations (1).
    shear_share : numpy.ndarray, shape (2,)
        Share of apparent shear that is true shear, on average (1); the rest is an off-centre contact place.
    """

    axes: int
    channels: int
    pad_weights: Array
    quick_s: Array
    lag_s: Array
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
    shear_share: Array


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
) -> None:
    """Advance the contact state (force, pad memory, offset) by one scan, in place.

    Normal force and shear are random walks (shear at a pace that friction sets), each memory follows its driver, the
    offset is a random walk.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    state : numpy.ndarray, shape (s,)
        Force x, y, z (N), pad memory (N), offset of each channel (1).
    covariance : numpy.ndarray, shape (s, s)
        Covariance of the state.
    dt_s : float
        Time step (s).
    drift_growth : numpy.ndarray, shape (c, c)
        Variance the offset gains in this step (1).
    """
    lags = model.lag_s.shape[0]
    shear_lags = model.shear_s.shape[0]
    size = state.shape[0]
    first_offset = 4 + lags + 2 * shear_lags
    for i in range(drift_growth.shape[0]):
        for j in range(drift_growth.shape[0]):
            covariance[first_offset + i, first_offset + j] += drift_growth[i, j]
    covariance[2, 2] += model.force_rate_n * model.force_rate_n * dt_s
    if model.axes == 3:
        spread = APPARENT_PRIOR * max(state[2], 0.0) + SHEAR_FLOOR_N
        for axis in range(2):
            covariance[axis, axis] += spread * spread * dt_s / SHEAR_S
    # memory follows, one after the other: each row of the covariance needs its driver's updated row
    for j in range(3, first_offset):
        if j == 3:
            driver = 2
            target = state[2]
            slope = 1.0
            gain = lag_gain(dt_s, quick_tau(target - state[3], model.quick_s))
        elif j < 4 + lags:
            driver = 3
            target = stiffen(state[3], GRIP_KNEE_N)
            slope = 1.0 / (1.0 + abs(state[3]) / GRIP_KNEE_N)
            gain = lag_gain(dt_s, model.lag_s[j - 4])
        else:
            driver = (j - 4 - lags) % 2
            target = state[driver]
            slope = 1.0
            gain = lag_gain(dt_s, model.shear_s[(j - 4 - lags) // 2])
        state[j] += gain * (target - state[j])
        keep = 1.0 - gain
        pull = gain * slope
        for i in range(size):
            covariance[j, i] = keep * covariance[j, i] + pull * covariance[driver, i]
        for i in range(size):
            covariance[i, j] = keep * covariance[i, j] + pull * covariance[i, driver]


@compiled
def update_contact(
    model: SeparationModel,
    state: Array,
    covariance: Array,
    departure: Array,
    used: Array,
    pressure: float,
    terms: Array,
    slopes: Array,
) -> float:
    """Correct the contact state with one scan, all channels together, in place.

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
    pressure : float
        Relative pressure (1).
    terms, slopes : numpy.ndarray
        Scratch of shape (m,), (m, s - c - 1).

    Returns
    -------
    float
        Mean normalised innovation squared per channel (1); NaN if the covariance is broken.
    """
    channels = departure.shape[0]
    size = state.shape[0]
    first_offset = size - channels
    pad_terms(
        state[:2],
        state[3:first_offset],
        pressure,
        model.lag_s.shape[0],
        model.shear_s.shape[0],
        model.axes,
        terms,
        slopes,
    )
    sensitivity = np.zeros((channels, size))
    innovation = np.zeros(channels)
    for channel in range(channels):
        expected = state[first_offset + channel]
        for m in range(terms.shape[0]):
            weight = model.pad_weights[m, channel]
            expected += weight * terms[m]
            if model.axes == 3:
                sensitivity[channel, 0] += weight * slopes[m, 0]
                sensitivity[channel, 1] += weight * slopes[m, 1]
            for k in range(3, first_offset):
                sensitivity[channel, k] += weight * slopes[m, k - 1]
        sensitivity[channel, first_offset + channel] = 1.0
        innovation[channel] = departure[channel] - expected if used[channel] > 0.5 else 0.0
    cross = covariance @ sensitivity.T
    spread = sensitivity @ cross + model.noise
    for channel in range(channels):
        if used[channel] < 0.5:
            spread[channel, channel] += MISSING
    lower = np.zeros((channels, channels))
    if not factor(spread, lower):
        return np.nan
    white = np.zeros(channels)
    whiten(lower, innovation, white)
    # rows of `half` are L^-1 (P H')' : gain times factor, one row a channel
    half = np.zeros((channels, size))
    row = np.zeros(channels)
    for k in range(size):
        for channel in range(channels):
            row[channel] = cross[k, channel]
        whiten(lower, row, row)
        for channel in range(channels):
            half[channel, k] = row[channel]
    total = 0.0
    for channel in range(channels):
        total += white[channel] * white[channel]
        # The offset is considered, not estimated: its variance weighs the channels against each other and stays in the
        # force's variance, but a small bias of the pad model may not leak into it scan by scan.
        for i in range(first_offset):
            state[i] += half[channel, i] * white[channel]
    for i in range(size):
        for j in range(size):
            if i < first_offset or j < first_offset:
                reduction = 0.0
                for channel in range(channels):
                    reduction += half[channel, i] * half[channel, j]
                covariance[i, j] -= reduction
    return float(total / channels)


@compiled
def touch_direction(
    model: SeparationModel, pressure: float, axis: int, terms: Array, slopes: Array, nothing: Array, out: Array
) -> None:
    """Write what one newton of a beginning load or shear adds to each channel, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    pressure : float
        Relative pressure (1).
    axis : int
        0, 1 or 2 for shear x, shear y, load.
    terms, slopes : numpy.ndarray
        Scratch of shape (m,) and (m, 2 + pad memories).
    nothing : numpy.ndarray, shape (2 + pad memories,)
        Zeros: no force, no memory.
    out : numpy.ndarray, shape (c,)
        Overwritten (1/N).
    """
    pad_terms(
        nothing[:2], nothing[2:], pressure, model.lag_s.shape[0], model.shear_s.shape[0], model.axes, terms, slopes
    )
    for channel in range(out.shape[0]):
        total = 0.0
        for m in range(terms.shape[0]):
            total += model.pad_weights[m, channel] * slopes[m, axis]
        out[channel] = total
