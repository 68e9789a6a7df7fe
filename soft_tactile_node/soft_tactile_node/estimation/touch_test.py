"""The touch test: how much the departure from each memory of the drift bank looks like a touch, or a hold elsewhere.

Source: generalised likelihood ratio over onset times, Basseville & Nikiforov, Detection of Abrupt Changes (1993),
ch. 2 and 4; the bank of memories replaces the search over onsets (own arrangement).
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.linear import factor, whiten
from soft_tactile_node.estimation.separation import (
    MISSING,
    SeparationModel,
    score_direction,
    touch_direction,
    wander_covariance,
)
from soft_tactile_node.samples import Array

QUICK_S = 0.004
"""Smoothing of the departure before it is tested (s)."""

SHEAR_AT_TOUCH_N = 0.05
"""Apparent shear that a beginning touch may bring along (N)."""

LEAST_SPREAD = 0.05
"""Share of the mean variance that every direction keeps (1): small eigenvalues of a measured covariance are not to be
trusted in a test."""

SCORE_TOUCH = 0
SCORE_HELD = 1
SCORE_FORCE = 2
SCORE_DEVIATION = 3
SCORE_AMOUNT = 4
SCORES = 5


@compiled
def departure_covariance(
    model: SeparationModel,
    memory: int,
    activity: float,
    relax_n: float,
    used: Array,
    offset_variance: Array,
    bend_slope: Array,
    load_variance: float,
    out: Array,
) -> None:
    """Write the covariance of the departure while free, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    memory : int
        Memory of the drift bank.
    activity, relax_n : float
        See `wander_covariance`.
    used : numpy.ndarray, shape (c,)
        1 = channel carries weight.
    offset_variance : numpy.ndarray, shape (c,)
        Extra variance of each channel (1).
    bend_slope : numpy.ndarray, shape (c,)
        Change of each channel per relative pressure (1).
    load_variance : float
        Variance of the relative pressure (1).
    out : numpy.ndarray, shape (c, c)
        Overwritten (1).
    """
    wander_covariance(model, memory, activity, relax_n, out)
    for i in range(used.shape[0]):
        for j in range(used.shape[0]):
            out[i, j] += load_variance * bend_slope[i] * bend_slope[j]
        out[i, i] += offset_variance[i] + (0.0 if used[i] > 0.5 else MISSING)


@compiled
def score_memories(
    model: SeparationModel,
    quick: Array,
    drift: Array,
    relax_n: float,
    used: Array,
    offset_variance: Array,
    load: float,
    activity: Array,
    bend_slope: Array,
    load_variance: float,
    scores: Array,
) -> None:
    """Test the departure from every memory of the bank for a touch and for a hold elsewhere, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    quick : numpy.ndarray, shape (c,)
        Smoothed departure (1).
    drift : numpy.ndarray, shape (w, c)
        What each memory expects (1).
    relax_n : float
        Load the pad is still relaxing from (N).
    used, offset_variance, bend_slope : numpy.ndarray, shape (c,)
        See `departure_covariance`.
    load : float
        Relative pressure (1).
    activity : numpy.ndarray, shape (w,)
        Mean squared pressure rate over each memory (1/s^2).
    load_variance : float
        Variance of the relative pressure (1).
    scores : numpy.ndarray, shape (w, SCORES)
        Overwritten: deviations from zero of a touch and of a hold elsewhere (1), the touch's force and its standard
        deviation (N), the hold's size (1).
    """
    channels = quick.shape[0]
    memories = drift.shape[0]
    terms = np.zeros(model.pad_weights.shape[0])
    slopes = np.zeros((terms.shape[0], 3 + model.lag_s.shape[0] + 2 * model.shear_s.shape[0]))
    nothing = np.zeros(slopes.shape[1])
    direction = np.zeros(channels)
    shear_x = np.zeros(channels)
    shear_y = np.zeros(channels)
    covariance = np.zeros((channels, channels))
    lower = np.zeros((channels, channels))
    white = np.zeros(channels)
    work = np.zeros(channels)
    touch_direction(model, load, 2, terms, slopes, nothing, direction)
    if model.axes == 3:
        touch_direction(model, load, 0, terms, slopes, nothing, shear_x)
        touch_direction(model, load, 1, terms, slopes, nothing, shear_y)
    for w in range(memories):
        departure_covariance(
            model, w, activity[w], relax_n, used, offset_variance, bend_slope, load_variance, covariance
        )
        spread = 0.0
        count = 0
        for i in range(channels):
            if used[i] > 0.5:
                spread += covariance[i, i]
                count += 1
        for i in range(channels):
            for j in range(channels):
                covariance[i, j] += SHEAR_AT_TOUCH_N**2 * (shear_x[i] * shear_x[j] + shear_y[i] * shear_y[j])
            if count > 0:
                covariance[i, i] += LEAST_SPREAD * spread / count
            work[i] = quick[i] - drift[w, i] if used[i] > 0.5 else 0.0
        if count == 0 or not factor(covariance, lower):
            scores[w, :] = 0.0
            scores[w, SCORE_DEVIATION] = np.inf
            continue
        whiten(lower, work, white)
        force, deviation = score_direction(lower, white, direction, work)
        amount, amount_deviation = score_direction(lower, white, bend_slope, work)
        scores[w, SCORE_TOUCH] = force / deviation
        scores[w, SCORE_HELD] = -amount / amount_deviation
        scores[w, SCORE_FORCE] = force
        scores[w, SCORE_DEVIATION] = deviation
        scores[w, SCORE_AMOUNT] = -amount


@compiled
def free_scores(
    model: SeparationModel, time_s: Array, residual: Array, load: Array, activity: Array, bend_slope: Array
) -> Array:
    """Return the touch score of every memory over a recording without contact, for setting thresholds.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    residual : numpy.ndarray, shape (n, c)
        change - free_bending, no NaN (1).
    load : numpy.ndarray, shape (n,)
        Relative pressure (1).
    activity : numpy.ndarray, shape (n, w)
        Mean squared pressure rate over each memory (1/s^2).
    bend_slope : numpy.ndarray, shape (n, c)
        Change of each channel per relative pressure (1).

    Returns
    -------
    numpy.ndarray, shape (n, w)
        Deviations from zero (1).
    """
    channels = residual.shape[1]
    memories = model.wander_s.shape[0]
    out = np.zeros((time_s.shape[0], memories))
    quick = residual[0].copy()
    drift = np.zeros((memories, channels))
    for w in range(memories):
        drift[w] = residual[0]
    used = np.ones(channels)
    nothing = np.zeros(channels)
    scores = np.zeros((memories, SCORES))
    for i in range(1, time_s.shape[0]):
        dt_s = time_s[i] - time_s[i - 1]
        quick += (1.0 - np.exp(-dt_s / QUICK_S)) * (residual[i] - quick)
        score_memories(model, quick, drift, 0.0, used, nothing, load[i], activity[i], bend_slope[i], 0.0, scores)
        for w in range(memories):
            out[i, w] = scores[w, SCORE_TOUCH]
            drift[w] += (1.0 - np.exp(-dt_s / model.wander_s[w])) * (residual[i] - drift[w])
    return out
