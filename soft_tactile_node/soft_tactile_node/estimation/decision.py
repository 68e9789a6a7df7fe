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
from soft_tactile_node.estimation.pad import advance_pad, count_memory, pad_terms
from soft_tactile_node.estimation.separation import (
    APPARENT_PRIOR,
    SHEAR_FLOOR_N,
    SeparationModel,
    predict_contact,
    update_contact,
)
from soft_tactile_node.estimation.touch_test import (
    QUICK_S,
    SCORE_AMOUNT,
    SCORE_DEVIATION,
    SCORE_FORCE,
    SCORE_HELD,
    SCORE_TOUCH,
    SCORES,
    departure_covariance,
    score_memories,
)
from soft_tactile_node.samples import Array

FREE = 1
TOUCHED = 2
HELD = 3

RELAX_SHARE = 0.15
"""Share of that load which a new touch must stand out from (1)."""

RELAX_S = 1.5
"""Time over which a released pad counts as still relaxing (s)."""


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
    score_memories(
        model, memo.quick, memo.drift, memo.mode[RELAX], used, memo.offset_variance, load, activity, bend_slope,
        load_variance, scores,
    )  # fmt: skip
    best = 0
    best_excess = -np.inf
    held_excess = 0.0
    memo.mode[HELD_SIZE] = 0.0
    # a pad just released still shows a share of the load it relaxes from; a touch must stand out from that
    bar_n = limits.touch_n + RELAX_SHARE * memo.mode[RELAX]
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
        # learn, more slowly the more it looks like a touch that could be claimed
        doubt = max(touch, 0.0) / model.touch_z[w] if scores[w, SCORE_FORCE] >= bar_n else 0.0
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
    if best_excess > 0.0 and force >= bar_n:
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
    pad_terms(nothing, memo.pad_memory, load, model.lag_s.shape[0], model.shear_s.shape[0], model.axes, terms, slopes)
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
            growth[i, j] += dt_s * (
                _ageing(model, now_s - memo.mode[ENTERED], activity, i, j)
                + load_variance * bend_slope[i] * bend_slope[j]
            )
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
