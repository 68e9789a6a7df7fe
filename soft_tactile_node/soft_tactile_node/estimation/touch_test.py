"""The touch test: how much the departure from each memory of the drift bank looks like a touch, or a hold elsewhere.

Source: generalised likelihood ratio over onset times, Basseville & Nikiforov, Detection of Abrupt Changes (1993),
ch. 2 and 4; Bayes factor of two Gaussian hypotheses; the bank of memories replaces the search over onsets (own
arrangement).
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.linear import factor, whiten
from soft_tactile_node.estimation.pad import direction_at, elastic_response
from soft_tactile_node.estimation.separation import SeparationModel, fill_missing, wander_covariance
from soft_tactile_node.samples import Array

QUICK_S = 0.004
"""Smoothing of the departure before it is tested (s)."""

LEAST_SPREAD = 0.05
"""Share of the mean variance that every direction keeps (1): small eigenvalues of a measured covariance are not to be
trusted in a test."""

SHAPE_ERROR = 0.1
"""Error of a hypothesis' direction, relative to the departure (1)."""

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
        Channels in use; see `departure_covariance`.
    load : float
        Relative pressure (1).
    activity : numpy.ndarray, shape (w,)
        Mean squared pressure rate over each memory (1/s^2).
    load_variance : float
        Variance of the relative pressure (1).
    scores : numpy.ndarray, shape (w, SCORES)
        Overwritten: deviations from zero of a touch and of a hold elsewhere (1), the touch's force and its standard
        deviation (N), the hold's size (1). Of touch and hold the less likely one scores zero.
    """
    channels = quick.shape[0]
    gather, doubt = np.zeros((channels, channels)), np.zeros((channels, channels))
    gain = np.zeros(channels)
    if not fill_missing(model.pattern, used, gather, doubt):
        scores[:, :] = 0.0
        scores[:, SCORE_DEVIATION] = np.inf
        return
    light_gain(model, load, gather, gain)
    covariance = np.zeros((channels, channels))
    departure = np.zeros(channels)
    for w in range(drift.shape[0]):
        departure_covariance(model, w, activity[w], relax_n, offset_variance, bend_slope, load_variance, covariance)
        force = 0.0
        variance = 0.0
        for i in range(channels):
            departure[i] = quick[i] - drift[w, i] if used[i] > 0.5 else 0.0
            force += gain[i] * departure[i]
            for j in range(channels):
                variance += gain[i] * covariance[i, j] * gain[j]
        deviation = np.sqrt(max(variance, 1e-12))
        scores[w, SCORE_TOUCH] = force / deviation
        scores[w, SCORE_HELD] = 0.0
        scores[w, SCORE_FORCE] = force
        scores[w, SCORE_DEVIATION] = deviation
        scores[w, SCORE_AMOUNT] = 0.0
        if force > deviation and channels > 1:
            _weigh_hold(model, w, departure, covariance, used, load, bend_slope, scores)


@compiled
def _weigh_hold(
    model: SeparationModel,
    w: int,
    departure: Array,
    covariance: Array,
    used: Array,
    load: float,
    bend_slope: Array,
    scores: Array,
) -> None:
    """Compare touch and hold elsewhere as causes of a departure; zero the score of the less likely one."""
    channels = departure.shape[0]
    axes = model.error_floor.shape[0]
    spread = 0.0
    energy = 0.0
    count = 0
    for i in range(channels):
        if used[i] > 0.5:
            spread += covariance[i, i]
            energy += departure[i] ** 2
            count += 1
    if count < 2:
        return
    for i in range(channels):
        covariance[i, i] += (LEAST_SPREAD * spread + SHAPE_ERROR**2 * energy) / count
        if used[i] < 0.5:
            covariance[i, i] += 1.0e6
    lower = np.zeros((channels, channels))
    if not factor(covariance, lower):
        return
    amount, deviation = _amplitude(lower, departure, bend_slope, used)
    direction = np.zeros((axes, channels))
    direction_at(model.directions, load, direction)
    held = covariance.copy()
    touched = covariance
    for i in range(channels):
        for j in range(channels):
            held[i, j] += amount * amount * bend_slope[i] * bend_slope[j]
            for axis in range(axes):
                size = scores[w, SCORE_FORCE] * (1.0 if axis == axes - 1 else model.shear_ratio)
                touched[i, j] += size * size * direction[axis, i] * direction[axis, j]
    if amount < 0.0 and _misfit(held, departure) < _misfit(touched, departure):
        scores[w, SCORE_TOUCH] = 0.0
        scores[w, SCORE_HELD] = -amount / deviation
        scores[w, SCORE_AMOUNT] = -amount


@compiled
def _amplitude(lower: Array, departure: Array, direction: Array, used: Array) -> tuple[float, float]:
    """Return amplitude of a direction in a departure by generalised least squares, and its standard deviation."""
    channels = departure.shape[0]
    white = np.zeros(channels)
    along = np.zeros(channels)
    whiten(lower, departure, white)
    for i in range(channels):
        along[i] = direction[i] if used[i] > 0.5 else 0.0
    whiten(lower, along, along)
    energy = 0.0
    cross = 0.0
    for i in range(channels):
        energy += along[i] * along[i]
        cross += along[i] * white[i]
    if not energy > 0.0:
        return 0.0, np.inf
    return cross / energy, 1.0 / np.sqrt(energy)


@compiled
def _misfit(covariance: Array, departure: Array) -> float:
    """Return minus twice the log-likelihood of a departure, constants left out; infinite for a broken covariance."""
    channels = departure.shape[0]
    lower = np.zeros((channels, channels))
    if not factor(covariance, lower):
        return np.inf
    white = np.zeros(channels)
    whiten(lower, departure, white)
    total = 0.0
    for i in range(channels):
        total += white[i] * white[i] + 2.0 * np.log(lower[i, i])
    return total


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
