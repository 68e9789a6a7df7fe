"""Contact inference: from departures to hypotheses, and from hypotheses to one reported state.

One call a scan. While nothing is claimed the drift bank learns and every memory of it is tested for a touch; once a
touch is claimed the contact filter of `separation` runs until the force is no longer told from zero. A departure that
only a negative force would explain is a finger held beside the pad: it is followed against the drift from before, so
that to be let go is no touch.

Source: generalised likelihood ratio over onset times, Basseville & Nikiforov, Detection of Abrupt Changes (1993),
ch. 2 and 4; the bank of memories replaces the search over onsets (own arrangement).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.pad import direction_at, elastic_response, relax, unloaded_response
from soft_tactile_node.estimation.separation import SeparationModel, fill_missing, follow_force
from soft_tactile_node.estimation.touch_test import (
    QUICK_S,
    SCORE_DEVIATION,
    SCORE_FORCE,
    SCORES,
    departure_covariance,
    score_departure,
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


LEAST_HELD_LOAD = 0.05
"""A vented finger cannot be held back: least relative pressure of a hold elsewhere (1)."""

RECOVERY_AGES = 3.0
"""Time since a release over the longest memory that is trusted then (1)."""


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
    memory : numpy.ndarray, shape (a, 1 + k)
        Relaxation of the pad; see `estimation.pad.relax` (N).
    shear : numpy.ndarray, shape (2,)
        Shear that explains the contact signal at a fixed place (N); NaN = not observed. Its changes are what slip is
        told by: the place of contact, which the pad map must allow for, does not change within milliseconds.
    force, force_covariance : numpy.ndarray, shape (a,), (a, a)
        Force filter of a touch (N), (N^2).
    spread : numpy.ndarray, shape (a, a)
        Covariance of the force, everything considered (N^2).
    offset, offset_covariance : numpy.ndarray, shape (c,), (c, c)
        Drift held during a touch and its covariance (1).
    offset_variance : numpy.ndarray, shape (c,)
        Extra variance of channels that came back from a fault (1).
    """

    mode: Array
    quick: Array
    drift: Array
    quiet_since: Array
    memory: Array
    shear: Array
    force: Array
    force_covariance: Array
    spread: Array
    offset: Array
    offset_covariance: Array
    offset_variance: Array


MODE = 0
SINCE = 1  # evidence for a change of mode since (s); NaN = none
ENTERED = 2  # time the mode was entered (s)
ONSET = 3  # estimated begin of the touch (s)
PEAK = 4  # highest force of this contact (N)
RELAX = 5  # load the pad is still relaxing from (N)
PROBABILITY = 6
MEMORY = 7  # memory of the bank that claimed
HELD_SIZE = 8  # departure along the bending curve (1 = full free bend)
TOUCH_FORCE = 9  # best guess of the force while free (N)
TOUCH_DEVIATION = 10
STRONG = 11  # last time the force was more than weak (s)
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
    channels = model.noise.shape[0]
    axes = model.error_floor.size
    mode = np.zeros(MODE_SIZE)
    mode[MODE] = FREE
    mode[SINCE] = np.nan
    mode[ONSET] = np.nan
    return DecisionState(
        mode=mode,
        quick=np.zeros(channels),
        drift=np.zeros((model.wander_s.size, channels)),
        quiet_since=np.zeros(model.wander_s.size),
        memory=np.zeros((axes, 1 + model.pad.lag_s.size)),
        shear=np.full(2, np.nan),
        force=np.zeros(axes),
        force_covariance=np.zeros((axes, axes)),
        spread=np.zeros((axes, axes)),
        offset=np.zeros(channels),
        offset_covariance=np.zeros((channels, channels)),
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
    elif memo.mode[MODE] == HELD:
        _watch_held(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance)
    else:
        _watch_free(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance)


@compiled
def _watch_free(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Test every memory of the bank for a touch or a hold elsewhere, then let the bank learn."""
    channels = departure.shape[0]
    memories = model.wander_s.shape[0]
    residual = np.zeros(channels)
    _smooth_departure(model, memo, dt_s, departure, used, load, residual)
    scores = np.zeros((memories, SCORES))
    score_memories(
        model, memo.quick, memo.drift, memo.mode[RELAX], used, memo.offset_variance, load, activity, bend_slope,
        load_variance, scores,
    )  # fmt: skip
    bar_n = _least_touch(limits, memo)
    best = 0
    most = 0
    best_excess = -np.inf
    held_excess = 0.0
    for w in range(memories):
        force = scores[w, SCORE_FORCE]
        z = force / scores[w, SCORE_DEVIATION]
        if z < 1.0:
            memo.quiet_since[w] = now_s
        if z - model.touch_z[w] > best_excess:
            best = w
            best_excess = z - model.touch_z[w]
        if force < -bar_n and -z - model.touch_z[w] > held_excess:
            most = w
            held_excess = -z - model.touch_z[w]
        # learn, more slowly the more it looks like something that could be claimed
        doubt = abs(z) / model.touch_z[w] if abs(force) >= bar_n else 0.0
        trust = 1.0 / (1.0 + (2.0 * doubt) ** 4)
        # after a release every memory starts anew and grows with its age: the finger's own recovery is no touch
        memory_s = min(model.wander_s[w], 0.1 + (now_s - memo.mode[ENTERED]) / RECOVERY_AGES)
        gain = (1.0 - np.exp(-dt_s / memory_s)) * trust
        for i in range(channels):
            if used[i] > 0.5:
                memo.drift[w, i] += gain * (residual[i] - memo.drift[w, i])
    force = scores[best, SCORE_FORCE]
    _guess_touch(model, memo, best, force, scores[best, SCORE_DEVIATION])
    if held_excess > 0.0 and load > LEAST_HELD_LOAD:
        _hold_drift(model, memo, most, activity, bend_slope, load_variance)
        memo.mode[MODE] = HELD
        memo.mode[ENTERED] = now_s
        memo.mode[SINCE] = np.nan
    elif _lasts(memo, limits.claim_s, now_s, dt_s, best_excess > 0.0 and force >= bar_n):
        _hold_drift(model, memo, best, activity, bend_slope, load_variance)
        _begin_touch(memo, now_s, best, force)


@compiled
def _watch_held(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Follow a finger held elsewhere against the drift from before: to be let go is no touch, to be pressed is one."""
    channels = departure.shape[0]
    residual = np.zeros(channels)
    _smooth_departure(model, memo, dt_s, departure, used, load, residual)
    _age_offset(model, memo, now_s, dt_s, activity)
    score = np.zeros(SCORES)
    covariance = memo.offset_covariance + load_variance * np.outer(bend_slope, bend_slope)
    score_departure(model, memo.quick, memo.offset, covariance, used, load, score)
    force = score[SCORE_FORCE]
    deviation = score[SCORE_DEVIATION]
    last = model.wander_s.shape[0] - 1
    energy = 1e-12
    along = 0.0
    for i in range(channels):
        if used[i] > 0.5:
            energy += bend_slope[i] ** 2
            along -= bend_slope[i] * (memo.quick[i] - memo.offset[i])
    memo.mode[HELD_SIZE] = max(along / energy, 0.0)
    _guess_touch(model, memo, last, force, deviation)
    if force < deviation:
        memo.quiet_since[last] = now_s
    pressed = force >= _least_touch(limits, memo) and force > model.touch_z[last] * deviation
    if _lasts(memo, limits.claim_s, now_s, dt_s, pressed):
        _begin_touch(memo, now_s, last, force)
    elif load < LEAST_HELD_LOAD:
        _begin_anew(memo, now_s, memo.quick)
    elif not pressed and force > -deviation:
        _begin_anew(memo, now_s, memo.offset)


@compiled
def _smooth_departure(model, memo, dt_s, departure, used, load, residual):  # type: ignore[no-untyped-def]
    """Write the departure less the pad's recovery, and smooth it."""
    memo.mode[RELAX] *= np.exp(-dt_s / RELAX_S)
    _recover(model, memo, dt_s, departure, load, residual)
    smoothing = 1.0 - np.exp(-dt_s / QUICK_S)
    for i in range(residual.shape[0]):
        if used[i] > 0.5:
            memo.quick[i] += smoothing * (residual[i] - memo.quick[i])
            memo.offset_variance[i] *= np.exp(-dt_s / 0.5)


@compiled
def _least_touch(limits, memo):  # type: ignore[no-untyped-def]
    """Return the force (N) that counts: a pad just released still shows a share of the load it relaxes from."""
    return limits.touch_n + RELAX_SHARE * memo.mode[RELAX]


@compiled
def _guess_touch(model, memo, memory, force, deviation):  # type: ignore[no-untyped-def]
    """Keep what is known of a touch that is not claimed."""
    z = force / deviation
    limit = model.touch_z[memory]
    memo.mode[PROBABILITY] = 1.0 / (1.0 + np.exp(-max(-30.0, 0.5 * (z * abs(z) - limit * limit))))
    memo.mode[TOUCH_FORCE] = max(force, 0.0)
    memo.mode[TOUCH_DEVIATION] = deviation


@compiled
def _lasts(memo, least_s, now_s, dt_s, evidence):  # type: ignore[no-untyped-def]
    """Return whether the evidence for a change of mode has lasted."""
    if not evidence:
        memo.mode[SINCE] = np.nan
        return False
    if np.isnan(memo.mode[SINCE]):
        memo.mode[SINCE] = now_s - dt_s
    return now_s - memo.mode[SINCE] >= least_s


@compiled
def _recover(model, memo, dt_s, departure, load, residual):  # type: ignore[no-untyped-def]
    """Let the unloaded pad relax by one scan and write the departure less what it still shows of earlier loads."""
    axes = model.error_floor.shape[0]
    channels = departure.shape[0]
    response = np.zeros(axes)
    direction = np.zeros((axes, channels))
    unloaded_response(model.pad, memo.memory, response)
    relax(model.pad, memo.memory, response, dt_s, np.zeros(axes))
    direction_at(model.directions, load, direction)
    for i in range(channels):
        residual[i] = departure[i]
        for axis in range(axes):
            residual[i] -= direction[axis, i] * response[axis]


@compiled
def _hold_drift(model, memo, memory, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Hold the drift that a memory knew before."""
    departure_covariance(
        model, memory, activity[memory], memo.mode[RELAX], memo.offset_variance, bend_slope, load_variance,
        memo.offset_covariance,
    )  # fmt: skip
    memo.offset[:] = memo.drift[memory]


@compiled
def _begin_touch(memo, now_s, memory, force):  # type: ignore[no-untyped-def]
    """Start to follow the force."""
    memo.force[:] = 0.0
    memo.force[-1] = force
    memo.force_covariance[:, :] = 0.0
    for axis in range(memo.force.shape[0]):
        memo.force_covariance[axis, axis] = force * force + 0.01
    memo.mode[MODE] = TOUCHED
    memo.mode[SINCE] = np.nan
    memo.mode[ENTERED] = now_s
    memo.mode[ONSET] = memo.quiet_since[memory]
    memo.mode[PEAK] = force
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
def _age_offset(model, memo, now_s, dt_s, activity):  # type: ignore[no-untyped-def]
    """Let the held drift become more uncertain."""
    channels = memo.offset.shape[0]
    for i in range(channels):
        for j in range(channels):
            memo.offset_covariance[i, j] += dt_s * _ageing(model, now_s - memo.mode[ENTERED], activity, i, j)


@compiled
def _follow_touch(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Follow the force by one scan and give the touch up when it is no longer told from zero."""
    _age_offset(model, memo, now_s, dt_s, activity)
    _measure_force(model, memo, dt_s, departure, used, load, bend_slope, load_variance)
    force = memo.force[-1]
    deviation = np.sqrt(max(memo.spread[-1, -1], 1e-12))
    memo.mode[PEAK] = max(memo.mode[PEAK], force)
    memo.mode[RELAX] = max(memo.mode[RELAX] * np.exp(-dt_s / RELAX_S), force)
    memo.mode[PROBABILITY] = 1.0 / (1.0 + np.exp(-min(30.0, 0.5 * (force / deviation) ** 2))) if force > 0.0 else 0.5
    floor = max(limits.release_n, limits.release_z * deviation, limits.release_share * memo.mode[PEAK])
    weak = force < limits.weak_n and now_s - max(memo.mode[STRONG], memo.mode[ENTERED]) > limits.weak_s
    if force >= limits.weak_n:
        memo.mode[STRONG] = now_s
    if _lasts(memo, limits.release_s, now_s, dt_s, force < floor or weak):
        # what the channels show now, less the pad's recovery, is drift
        _recover(model, memo, 0.0, departure, load, memo.quick)
        _begin_anew(memo, now_s, memo.quick)


@compiled
def _measure_force(model, memo, dt_s, departure, used, load, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Make a force of the contact signal and let the filter follow it; missing channels follow from the others."""
    channels = departure.shape[0]
    axes = memo.force.shape[0]
    count = model.pad.weights.shape[0]
    gather, doubt = np.zeros((channels, channels)), np.zeros((channels, channels))
    if not fill_missing(model.pattern, used, gather, doubt):
        memo.spread[:, :] = np.inf
        return
    contact = np.zeros(channels)
    for i in range(channels):
        if used[i] > 0.5:
            contact[i] = departure[i] - memo.offset[i]
    _measure_shear(model, memo, contact, used, load)
    contact = gather @ contact
    response, measured, jacobian = np.zeros(axes), np.zeros(axes), np.zeros((axes, channels))
    elastic_response(model.pad, contact, load, np.zeros(count), np.zeros((count, channels)), response, jacobian)
    relax(model.pad, memo.memory, response, dt_s, measured)
    gain = jacobian @ gather
    noise = gain @ model.noise @ gain.T
    for i in range(axes):
        for j in range(axes):
            noise[i, j] *= model.noise_gain[i] * model.noise_gain[j]
        noise[i, i] += 1e-10
    follow_force(memo.force, memo.force_covariance, measured, noise, model.force_rate_n**2 * dt_s)
    squared = memo.force[-1] ** 2
    offset = memo.offset_covariance + load_variance * np.outer(bend_slope, bend_slope)
    considered = gain @ offset @ gain.T + squared * (jacobian @ doubt @ jacobian.T)
    memo.spread[:, :] = memo.force_covariance + considered
    for i in range(axes):
        memo.spread[i, i] += model.error_floor[i] ** 2 + squared * model.error_relative[i] ** 2


@compiled
def _measure_shear(model, memo, contact, used, load):  # type: ignore[no-untyped-def]
    """Explain the contact signal by a force at a fixed place, in the least-squares sense; keep its shear."""
    channels = contact.shape[0]
    axes = memo.force.shape[0]
    memo.shear[:] = np.nan
    if axes < 3 or np.sum(used) < axes:
        return
    direction = np.zeros((axes, channels))
    direction_at(model.directions, load, direction)
    for i in range(channels):
        if used[i] < 0.5:
            direction[:, i] = 0.0
    gram = direction @ direction.T
    for i in range(axes):
        gram[i, i] *= 1.0 + 1e-9
    memo.shear[:] = np.linalg.solve(gram, direction @ contact)[:2]


@compiled
def _begin_anew(memo, now_s, drift):  # type: ignore[no-untyped-def]
    """Be free again, with every memory of the bank beginning at this drift."""
    for w in range(memo.drift.shape[0]):
        memo.drift[w] = drift
        memo.quiet_since[w] = now_s
    memo.mode[MODE] = FREE
    memo.mode[SINCE] = np.nan
    memo.mode[ENTERED] = now_s
    memo.mode[HELD_SIZE] = 0.0
    memo.mode[PROBABILITY] = 0.0
    memo.mode[TOUCH_FORCE] = 0.0
