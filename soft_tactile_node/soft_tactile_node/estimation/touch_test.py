"""The touch test: the force that would explain the departure from a drift estimate, and how far it is told from zero.

A positive force is a touch. A negative one no pad load explains: the finger is bent less than its pressure would bend
it, because something holds it beside the pad.

Source: generalised likelihood ratio over onset times, Basseville & Nikiforov, Detection of Abrupt Changes (1993),
ch. 2 and 4; the bank of memories replaces the search over onsets (own arrangement).
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.pad import elastic_response
from soft_tactile_node.estimation.separation import SeparationModel, fill_missing, wander_covariance
from soft_tactile_node.samples import Array

QUICK_S = 0.004
"""Smoothing of the departure before it is tested (s)."""

SCORE_FORCE = 0
SCORE_DEVIATION = 1
SCORES = 2


@compiled
def departure_covariance(
    model: SeparationModel,
    memory: int,
    activity: float,
    relax_n: float,
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
    for i in range(bend_slope.shape[0]):
        for j in range(bend_slope.shape[0]):
            out[i, j] += load_variance * bend_slope[i] * bend_slope[j]
        out[i, i] += offset_variance[i]


@compiled
def light_gain(model: SeparationModel, load: float, gather: Array, out: Array) -> None:
    """Write the normal force per contact signal of each used channel, for light touches, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    load : float
        Relative pressure (1).
    gather : numpy.ndarray, shape (c, c)
        See `fill_missing`.
    out : numpy.ndarray, shape (c,)
        Overwritten (N); zero for channels that are not used.
    """
    channels = out.shape[0]
    axes = model.error_floor.shape[0]
    count = model.pad.weights.shape[0]
    jacobian = np.zeros((axes, channels))
    elastic_response(
        model.pad, np.zeros(channels), load, np.zeros(count), np.zeros((count, channels)), np.zeros(axes), jacobian
    )
    for k in range(channels):
        out[k] = 0.0
        for i in range(channels):
            out[k] += jacobian[axes - 1, i] * gather[i, k]


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
    """Test the departure from every memory of the bank, in place.

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
        Channels in use; see `departure_covariance`.
    load : float
        Relative pressure (1).
    activity : numpy.ndarray, shape (w,)
        Mean squared pressure rate over each memory (1/s^2).
    load_variance : float
        Variance of the relative pressure (1).
    scores : numpy.ndarray, shape (w, SCORES)
        Overwritten: the force and its standard deviation, infinite if no channel may be used (N).
    """
    channels = quick.shape[0]
    covariance = np.zeros((channels, channels))
    for w in range(drift.shape[0]):
        departure_covariance(model, w, activity[w], relax_n, offset_variance, bend_slope, load_variance, covariance)
        score_departure(model, quick, drift[w], covariance, used, load, scores[w])


@compiled
def score_departure(
    model: SeparationModel, quick: Array, offset: Array, covariance: Array, used: Array, load: float, score: Array
) -> None:
    """Test the departure from one drift estimate, in place.

    Parameters
    ----------
    model, quick, used, load
        See `score_memories`.
    offset : numpy.ndarray, shape (c,)
        The drift estimate (1).
    covariance : numpy.ndarray, shape (c, c)
        Covariance of the departure from it while nothing touches (1).
    score : numpy.ndarray, shape (SCORES,)
        Overwritten; see `score_memories`.
    """
    channels = quick.shape[0]
    gather, doubt = np.zeros((channels, channels)), np.zeros((channels, channels))
    gain = np.zeros(channels)
    score[SCORE_FORCE] = 0.0
    score[SCORE_DEVIATION] = np.inf
    if not fill_missing(model.pattern, used, gather, doubt):
        return
    light_gain(model, load, gather, gain)
    variance = 0.0
    for i in range(channels):
        if used[i] > 0.5:
            score[SCORE_FORCE] += gain[i] * (quick[i] - offset[i])
        for j in range(channels):
            variance += gain[i] * covariance[i, j] * gain[j]
    score[SCORE_DEVIATION] = np.sqrt(max(variance, 1e-12))


@compiled
def free_scores(
    model: SeparationModel, time_s: Array, residual: Array, load: Array, activity: Array, bend_slope: Array
) -> Array:
    """Return the force over its deviation of every memory over a recording without contact, for setting thresholds.

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
            out[i, w] = scores[w, SCORE_FORCE] / scores[w, SCORE_DEVIATION]
            drift[w] += (1.0 - np.exp(-dt_s / model.wander_s[w])) * (residual[i] - drift[w])
    return out
