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
    """

    touch_n: float
    release_n: float
    release_z: float
    release_share: float
    claim_s: float
    release_s: float


class DecisionState(NamedTuple):
    """Everything the inference remembers; arrays are changed in place.

    Attributes
    ----------
    mode : numpy.ndarray, shape (12,)
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
MODE_SIZE = 12


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


@compiled
def _watch_free(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Test every memory of the bank for a touch or a hold elsewhere, then let the bank learn."""
    channels = departure.shape[0]
    lags = model.lag_s.shape[0]
    shear_lags = model.shear_s.shape[0]
    memories = memo.pad_memory.shape[0]
    terms = np.zeros(model.pad_weights.shape[0])
    slopes = np.zeros((terms.shape[0], 2 + memories))
    zeros = np.zeros(3 + memories)
    residual = np.zeros(channels)
    covariance = np.zeros((channels, channels))
    lower = np.zeros((channels, channels))
    white = np.zeros(channels)
    work = np.zeros(channels)
    direction = np.zeros(channels)
    shear_x = np.zeros(channels)
    shear_y = np.zeros(channels)
    advance_pad(memo.pad_memory, zeros[:3], dt_s, model.quick_s, model.lag_s, model.shear_s)
    memo.mode[RELAX] *= np.exp(-dt_s / RELAX_S)
    pad_terms(zeros[:2], memo.pad_memory, load, lags, shear_lags, model.axes, terms, slopes)
    smoothing = 1.0 - np.exp(-dt_s / QUICK_S)
    for i in range(channels):
        relaxing = 0.0
        for m in range(terms.shape[0]):
            relaxing += model.pad_weights[m, i] * terms[m]
        residual[i] = departure[i] - relaxing
        if used[i] > 0.5:
            memo.quick[i] += smoothing * (residual[i] - memo.quick[i])
            memo.offset_variance[i] *= np.exp(-dt_s / 0.5)
    touch_direction(model, load, 2, terms, slopes, zeros[1:], direction)
    if model.axes == 3:
        touch_direction(model, load, 0, terms, slopes, zeros[1:], shear_x)
        touch_direction(model, load, 1, terms, slopes, zeros[1:], shear_y)
    best_excess = -np.inf
    best_force = 0.0
    best_deviation = np.inf
    best_memory = 0
    held_excess = -np.inf
    held_size = 0.0
    for w in range(model.wander_s.shape[0]):
        departure_covariance(
            model, w, activity[w], memo.mode[RELAX], used, memo.offset_variance, bend_slope, load_variance, covariance
        )
        for i in range(channels):
            for j in range(channels):
                covariance[i, j] += 0.0025 * (shear_x[i] * shear_x[j] + shear_y[i] * shear_y[j])
            work[i] = memo.quick[i] - memo.drift[w, i] if used[i] > 0.5 else 0.0
        if not factor(covariance, lower):
            continue
        whiten(lower, work, white)
        force, deviation = score_direction(lower, white, direction, work)
        z = force / deviation
        amount, amount_deviation = score_direction(lower, white, bend_slope, work)
        held = -amount / amount_deviation
        excess = z - model.touch_z[w]
        if z < 1.0:
            memo.quiet_since[w] = now_s
        if w == 0:
            best_deviation = deviation
        if excess > best_excess and z >= held:
            best_excess = excess
            best_force = force
            best_deviation = deviation
            best_memory = w
        if held - model.touch_z[w] > held_excess and held > z:
            held_excess = held - model.touch_z[w]
            held_size = -amount
        # learn, more slowly the more it looks like a touch or a hold
        doubt = max(z, held) / model.touch_z[w]
        trust = 1.0 / (1.0 + (2.0 * max(doubt, 0.0)) ** 4)
        gain = (1.0 - np.exp(-dt_s / model.wander_s[w])) * trust
        for i in range(channels):
            if used[i] > 0.5:
                memo.drift[w, i] += gain * (residual[i] - memo.drift[w, i])
    memo.mode[MODE] = HELD if held_excess > 0.0 else FREE
    memo.mode[HELD_SIZE] = held_size if held_excess > 0.0 else 0.0
    threshold = model.touch_z[best_memory]
    z = best_excess + threshold
    memo.mode[PROBABILITY] = 1.0 / (1.0 + np.exp(-max(-30.0, 0.5 * (z * abs(z) - threshold * threshold)))) if np.isfinite(z) else 0.0
    memo.mode[TOUCH_FORCE] = max(best_force, 0.0)
    memo.mode[TOUCH_DEVIATION] = best_deviation
    if best_excess > 0.0 and best_force >= limits.touch_n:
        if np.isnan(memo.mode[SINCE]):
            memo.mode[SINCE] = now_s - dt_s
        if now_s - memo.mode[SINCE] >= limits.claim_s:
            _begin_touch(model, memo, now_s, best_memory, best_force, activity, used, bend_slope, load_variance)
    else:
        memo.mode[SINCE] = np.nan


@compiled
def _begin_touch(model, memo, now_s, memory, force, activity, used, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Start the contact filter from the drift that the claiming memory held before the touch."""
    channels = used.shape[0]
    extended = model.pad_weights.shape[1]
    size = memo.state.shape[0]
    first_offset = size - extended
    covariance = np.zeros((channels, channels))
    departure_covariance(
        model, memory, activity[memory], memo.mode[RELAX], used, memo.offset_variance, bend_slope, load_variance, covariance
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
    last = model.wander_s.shape[0] - 1
    energy = memo.state[2] ** 2
    rise = max(0.0, energy - memo.mode[ENERGY])
    memo.mode[ENERGY] += rise
    for i in range(extended):
        for j in range(extended):
            growth[i, j] = rise * model.error_relative[i, j]
    for i in range(channels):
        for j in range(channels):
            growth[i, j] += dt_s * (
                model.wander_rest[last, i, j] / model.wander_s[last]
                + activity[0] * model.wander_active[last, i, j] / model.wander_s[last]
                + load_variance * bend_slope[i] * bend_slope[j]
            )
    predict_contact(model, memo.state, memo.covariance, dt_s, growth, np.zeros(size), np.zeros(size))
    update_contact(model, memo.state, memo.covariance, all_departure, all_used, load, terms, slopes)
    force = memo.state[2]
    deviation = np.sqrt(max(memo.covariance[2, 2], 1e-12))
    memo.mode[PEAK] = max(memo.mode[PEAK], force)
    memo.mode[RELAX] = max(memo.mode[RELAX] * np.exp(-dt_s / RELAX_S), force)
    memo.mode[PROBABILITY] = 1.0 / (1.0 + np.exp(-min(30.0, 0.5 * (force / deviation) ** 2))) if force > 0.0 else 0.5
    floor = max(limits.release_n, limits.release_z * deviation, limits.release_share * memo.mode[PEAK])
    if force < floor:
        if np.isnan(memo.mode[SINCE]):
            memo.mode[SINCE] = now_s - dt_s
        if now_s - memo.mode[SINCE] >= limits.release_s:
            _end_touch(model, memo, now_s, departure, load)
    else:
        memo.mode[SINCE] = np.nan


@compiled
def _end_touch(model, memo, now_s, departure, load):  # type: ignore[no-untyped-def]
    """Give the touch up: what the channels show now, less the pad's relaxation, is drift."""
    channels = departure.shape[0]
    lags = model.lag_s.shape[0]
    shear_lags = model.shear_s.shape[0]
    memories = memo.pad_memory.shape[0]
    terms = np.zeros(model.pad_weights.shape[0])
    slopes = np.zeros((terms.shape[0], 2 + memories))
    for j in range(memories):
        memo.pad_memory[j] = memo.state[3 + j]
    zeros = np.zeros(3)
    pad_terms(zeros, memo.pad_memory, load, lags, shear_lags, model.axes, terms, slopes)
    for i in range(channels):
        relaxing = 0.0
        for m in range(terms.shape[0]):
            relaxing += model.pad_weights[m, i] * terms[m]
        memo.quick[i] = departure[i] - relaxing
        for w in range(memo.drift.shape[0]):
            memo.drift[w, i] = memo.quick[i]
    for w in range(memo.quiet_since.shape[0]):
        memo.quiet_since[w] = now_s
    memo.mode[MODE] = FREE
    memo.mode[SINCE] = np.nan
    memo.mode[ENTERED] = now_s
    memo.mode[PROBABILITY] = 0.0
    memo.mode[TOUCH_FORCE] = 0.0
