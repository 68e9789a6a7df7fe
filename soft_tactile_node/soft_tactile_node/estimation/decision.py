"""Contact inference: from departures to hypotheses, and from hypotheses to one reported state.

One call a scan. While nothing is claimed the drift bank learns and every memory of it is tested for a touch; once a
touch is claimed the contact filter of `separation` runs until the force is no longer told from zero. What holds the
finger back without touching the pad departs along the finger's own bending curve and is told apart by that direction.

Source: generalised likelihood ratio over onset times, Basseville & Nikiforov, Detection of Abrupt Changes (1993),
ch. 2 and 4; the bank of memories replaces the search over onsets (own arrangement).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.linear import factor, whiten
from soft_tactile_node.estimation.pad import advance_pad, count_memory, pad_terms
from soft_tactile_node.estimation.separation import (
    APPARENT_PRIOR,
    MISSING,
    SHEAR_FLOOR_N,
    SeparationModel,
    predict_contact,
    score_direction,
    touch_direction,
    update_contact,
    wander_covariance,
)
from soft_tactile_node.samples import Array

FREE = 1
TOUCHED = 2
HELD = 3

RELAX_S = 3.0
"""Time over which a released pad counts as still relaxing (s)."""

QUICK_S = 0.004
"""Smoothing of the departure before it is tested (s)."""


class Thresholds(NamedTuple):
    """When to claim and when to give up a claim.

    Attributes
    ----------
    touch_n : float
        Smallest force that is claimed as a touch (N).
    release_n : float
        Force below which a touch is given up (N).
    release_z : float
        Deviations below which a force is no longer told from zero (1).
    release_share : float
        Share of a contact's peak below which it is given up (1).
    claim_s, release_s : float
        How long the evidence must last (s).
    weak_n, weak_s : float
        A force below the first (N) for longer than the second (s) is taken for drift.
    """

    touch_n: float
    release_n: float
    release_z: float
    release_share: float
    claim_s: float
    release_s: float
    weak_n: float
    weak_s: float


class DecisionState(NamedTuple):
    """Everything the inference remembers; arrays are changed in place.

    Attributes
    ----------
    mode : numpy.ndarray, shape (MODE_SIZE,)
        See the index constants below.
    quick : numpy.ndarray, shape (c,)
        Smoothed departure (1).
    drift : numpy.ndarray, shape (w, c)
        Drift as each memory of the bank sees it (1).
    quiet_since : numpy.ndarray, shape (w,)
        Last time each memory saw no sign of a touch (s).
    pad_memory : numpy.ndarray, shape (1 + lags + 2 * shear_lags,)
        Memory of the pad (N).
    state, covariance : numpy.ndarray, shape (s,), (s, s)
        Contact filter.
    offset_variance : numpy.ndarray, shape (c,)
        Extra variance of channels that came back from a fault (1).
    """

    mode: Array
    quick: Array
    drift: Array
    quiet_since: Array
    pad_memory: Array
    state: Array
    covariance: Array
    offset_variance: Array


MODE = 0
SINCE = 1  # evidence for a change of mode since (s); NaN = none
ENTERED = 2  # time the mode was entered (s)
ONSET = 3  # estimated begin of the touch (s)
PEAK = 4  # highest force of this contact (N)
ENERGY = 5  # largest squared force whose model error is already in the covariance (N^2)
RELAX = 6  # load the pad is still relaxing from (N)
PROBABILITY = 7
MEMORY = 8  # memory of the bank that claimed
HELD_SIZE = 9  # departure along the bending curve (1 = full free bend)
TOUCH_FORCE = 10  # best guess of the force while free (N)
TOUCH_DEVIATION = 11
STRONG = 12  # last time the force was more than weak (s)
MODE_SIZE = 13


def new_decision_state(model: SeparationModel) -> DecisionState:
    """Return the state of a finger that is free and has no drift.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.

    Returns
    -------
    DecisionState
        Zeros of the right shapes.
    """
    extended = model.pad_weights.shape[1]
    channels = model.channels
    memories = count_memory(model.lag_s.size, model.shear_s.size)
    size = 3 + memories + extended
    mode = np.zeros(MODE_SIZE)
    mode[MODE] = FREE
    mode[SINCE] = np.nan
    mode[ONSET] = np.nan
    return DecisionState(
        mode=mode,
        quick=np.zeros(channels),
        drift=np.zeros((model.wander_s.size, channels)),
        quiet_since=np.zeros(model.wander_s.size),
        pad_memory=np.zeros(memories),
        state=np.zeros(size),
        covariance=np.zeros((size, size)),
        offset_variance=np.zeros(channels),
    )


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
def decide(
    model: SeparationModel,
    limits: Thresholds,
    memo: DecisionState,
    now_s: float,
    dt_s: float,
    departure: Array,
    used: Array,
    load: float,
    activity: Array,
    bend_slope: Array,
    load_variance: float,
) -> None:
    """Take one scan into account: update drift or contact filter and the reported mode, in place.

    Parameters
    ----------
    model : SeparationModel
        The calibrated model.
    limits : Thresholds
        When to claim and when to give up.
    memo : DecisionState
        Changed in place.
    now_s, dt_s : float
        Time of the scan and since the last one (s).
    departure : numpy.ndarray, shape (c,)
        change - free_bending (1).
    used : numpy.ndarray, shape (c,)
        1 = channel may be used.
    load : float
        Relative pressure (1).
    activity : numpy.ndarray, shape (w,)
        Mean squared pressure rate over each memory of the bank (1/s^2).
    bend_slope : numpy.ndarray, shape (c,)
        Change of each channel per relative pressure (1).
    load_variance : float
        Variance of the relative pressure (1).
    """
    if memo.mode[MODE] == TOUCHED:
        _follow_touch(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance)
    else:
        _watch_free(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance)


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
def test_memories(
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
        test_memories(model, quick, drift, 0.0, used, nothing, load[i], activity[i], bend_slope[i], 0.0, scores)
        for w in range(memories):
            out[i, w] = scores[w, SCORE_TOUCH]
            drift[w] += (1.0 - np.exp(-dt_s / model.wander_s[w])) * (residual[i] - drift[w])
    return out


@compiled
def _watch_free(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Test every memory of the bank for a touch or a hold elsewhere, then let the bank learn."""
    channels = departure.shape[0]
    memories = model.wander_s.shape[0]
    residual = np.zeros(channels)
    nothing = np.zeros(3)
    advance_pad(memo.pad_memory, nothing, dt_s, model.quick_s, model.lag_s, model.shear_s)
    memo.mode[RELAX] *= np.exp(-dt_s / RELAX_S)
    _subtract_relaxation(model, memo, departure, load, residual)
    smoothing = 1.0 - np.exp(-dt_s / QUICK_S)
    for i in range(channels):
        if used[i] > 0.5:
            memo.quick[i] += smoothing * (residual[i] - memo.quick[i])
            memo.offset_variance[i] *= np.exp(-dt_s / 0.5)
    scores = np.zeros((memories, SCORES))
    test_memories(
        model, memo.quick, memo.drift, memo.mode[RELAX], used, memo.offset_variance, load, activity, bend_slope,
        load_variance, scores,
    )  # fmt: skip
    best = 0
    best_excess = -np.inf
    held_excess = 0.0
    memo.mode[HELD_SIZE] = 0.0
    for w in range(memories):
        touch = scores[w, SCORE_TOUCH]
        held = scores[w, SCORE_HELD]
        if touch < 1.0:
            memo.quiet_since[w] = now_s
        if touch - model.touch_z[w] > best_excess and touch >= held:
            best = w
            best_excess = touch - model.touch_z[w]
        if held - model.touch_z[w] > held_excess and held > touch:
            held_excess = held - model.touch_z[w]
            memo.mode[HELD_SIZE] = scores[w, SCORE_AMOUNT]
        # learn, more slowly the more it looks like a touch
        doubt = max(touch, 0.0) / model.touch_z[w]
        trust = 1.0 / (1.0 + (2.0 * doubt) ** 4)
        gain = (1.0 - np.exp(-dt_s / model.wander_s[w])) * trust
        for i in range(channels):
            if used[i] > 0.5:
                memo.drift[w, i] += gain * (residual[i] - memo.drift[w, i])
    memo.mode[MODE] = HELD if held_excess > 0.0 else FREE
    force = scores[best, SCORE_FORCE]
    z = scores[best, SCORE_TOUCH] if best_excess > -np.inf else 0.0
    limit = model.touch_z[best]
    memo.mode[PROBABILITY] = 1.0 / (1.0 + np.exp(-max(-30.0, 0.5 * (z * abs(z) - limit * limit))))
    memo.mode[TOUCH_FORCE] = max(force, 0.0)
    memo.mode[TOUCH_DEVIATION] = scores[best, SCORE_DEVIATION]
    if best_excess > 0.0 and force >= limits.touch_n:
        if np.isnan(memo.mode[SINCE]):
            memo.mode[SINCE] = now_s - dt_s
        if now_s - memo.mode[SINCE] >= limits.claim_s:
            _begin_touch(model, memo, now_s, best, force, activity, used, bend_slope, load_variance)
    else:
        memo.mode[SINCE] = np.nan


@compiled
def _subtract_relaxation(model, memo, departure, load, residual):  # type: ignore[no-untyped-def]
    """Write the departure less what the unloaded pad still shows of earlier loads."""
    memories = memo.pad_memory.shape[0]
    terms = np.zeros(model.pad_weights.shape[0])
    slopes = np.zeros((terms.shape[0], 2 + memories))
    nothing = np.zeros(2)
    pad_terms(
        nothing, memo.pad_memory, load, model.lag_s.shape[0], model.shear_s.shape[0], model.axes, terms, slopes
    )
    for i in range(departure.shape[0]):
        relaxing = 0.0
        for m in range(terms.shape[0]):
            relaxing += model.pad_weights[m, i] * terms[m]
        residual[i] = departure[i] - relaxing


@compiled
def _begin_touch(model, memo, now_s, memory, force, activity, used, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Start the contact filter from the drift that the claiming memory held before the touch."""
    channels = used.shape[0]
    extended = model.pad_weights.shape[1]
    size = memo.state.shape[0]
    first_offset = size - extended
    covariance = np.zeros((channels, channels))
    departure_covariance(
        model,
        memory,
        activity[memory],
        memo.mode[RELAX],
        used,
        memo.offset_variance,
        bend_slope,
        load_variance,
        covariance,
    )
    memo.state[:] = 0.0
    memo.covariance[:, :] = 0.0
    memo.state[2] = force
    memo.covariance[2, 2] = force * force + 0.01
    memo.covariance[3, 3] = force * force
    if model.axes == 3:
        for axis in range(2):
            memo.covariance[axis, axis] = (APPARENT_PRIOR * force + SHEAR_FLOOR_N) ** 2
    for j in range(memo.pad_memory.shape[0]):
        memo.state[3 + j] = memo.pad_memory[j]
    memo.state[3] = force
    for i in range(extended):
        for j in range(extended):
            memo.covariance[first_offset + i, first_offset + j] = model.error_floor[i, j]
    for i in range(channels):
        memo.state[first_offset + i] = memo.drift[memory, i]
        for j in range(channels):
            memo.covariance[first_offset + i, first_offset + j] += covariance[i, j]
        if used[i] < 0.5:
            memo.covariance[first_offset + i, first_offset + i] = 1.0
    memo.mode[MODE] = TOUCHED
    memo.mode[SINCE] = np.nan
    memo.mode[ENTERED] = now_s
    memo.mode[ONSET] = memo.quiet_since[memory]
    memo.mode[PEAK] = force
    memo.mode[ENERGY] = 0.0
    memo.mode[MEMORY] = memory
    memo.mode[HELD_SIZE] = 0.0


@compiled
def _ageing(model, age_s, activity, i, j):  # type: ignore[no-untyped-def]
    """Return how fast the variance of a frozen offset grows at its age (1/s): the wander of the next longer memory."""
    last = model.wander_s.shape[0] - 1
    w = 0
    while w < last and age_s > model.wander_s[w]:
        w += 1
    return (model.wander_rest[w, i, j] + activity[w] * model.wander_active[w, i, j]) / model.wander_s[w]


@compiled
def _follow_touch(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Run the contact filter by one scan and give the touch up when its force is no longer told from zero."""
    channels = departure.shape[0]
    extended = model.pad_weights.shape[1]
    size = memo.state.shape[0]
    first_offset = size - extended
    terms = np.zeros(model.pad_weights.shape[0])
    slopes = np.zeros((terms.shape[0], first_offset - 1))
    growth = np.zeros((extended, extended))
    all_departure = np.zeros(extended)
    all_used = np.ones(extended)
    for i in range(channels):
        all_departure[i] = departure[i]
        all_used[i] = used[i]
    energy = memo.state[2] ** 2
    rise = max(0.0, energy - memo.mode[ENERGY])
    memo.mode[ENERGY] += rise
    for i in range(extended):
        for j in range(extended):
            growth[i, j] = rise * model.error_relative[i, j]
    for i in range(channels):
        for j in range(channels):
            growth[i, j] += dt_s * (_ageing(model, now_s - memo.mode[ENTERED], activity, i, j)
                + load_variance * bend_slope[i] * bend_slope[j])
    predict_contact(model, memo.state, memo.covariance, dt_s, growth)
    update_contact(model, memo.state, memo.covariance, all_departure, all_used, load, terms, slopes)
    force = memo.state[2]
    deviation = np.sqrt(max(memo.covariance[2, 2], 1e-12))
    memo.mode[PEAK] = max(memo.mode[PEAK], force)
    memo.mode[RELAX] = max(memo.mode[RELAX] * np.exp(-dt_s / RELAX_S), force)
    memo.mode[PROBABILITY] = 1.0 / (1.0 + np.exp(-min(30.0, 0.5 * (force / deviation) ** 2))) if force > 0.0 else 0.5
    floor = max(limits.release_n, limits.release_z * deviation, limits.release_share * memo.mode[PEAK])
    weak = force < limits.weak_n and now_s - max(memo.mode[STRONG], memo.mode[ENTERED]) > limits.weak_s
    if force >= limits.weak_n:
        memo.mode[STRONG] = now_s
    if force < floor or weak:
        if np.isnan(memo.mode[SINCE]):
            memo.mode[SINCE] = now_s - dt_s
        if now_s - memo.mode[SINCE] >= limits.release_s:
            _end_touch(model, memo, now_s, departure, load)
    else:
        memo.mode[SINCE] = np.nan


@compiled
def _end_touch(model, memo, now_s, departure, load):  # type: ignore[no-untyped-def]
    """Give the touch up: what the channels show now, less the pad's relaxation, is drift."""
    for j in range(memo.pad_memory.shape[0]):
        memo.pad_memory[j] = memo.state[3 + j]
    memo.pad_memory[0] = 0.0
    _subtract_relaxation(model, memo, departure, load, memo.quick)
    for w in range(memo.drift.shape[0]):
        memo.drift[w] = memo.quick
        memo.quiet_since[w] = now_s
    memo.mode[MODE] = FREE
    memo.mode[SINCE] = np.nan
    memo.mode[ENTERED] = now_s
    memo.mode[PROBABILITY] = 0.0
    memo.mode[TOUCH_FORCE] = 0.0
