"""Contact inference: from departures to hypotheses, and from hypotheses to one reported state.

One call a scan. While nothing is claimed the drift bank learns and every memory of it is tested for a touch; once a
touch is claimed `touched` follows the force until it is no longer told from zero. A departure that only a negative
force would explain is a finger held beside the pad: it is followed against the drift from before, so that to be let go
is no touch.

Source: generalised likelihood ratio over onset times, Basseville & Nikiforov, Detection of Abrupt Changes (1993),
ch. 2 and 4; the bank of memories replaces the search over onsets (own arrangement).
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.decision_state import (
    ENTERED,
    HELD,
    HELD_SIZE,
    MEMORY,
    MODE,
    ONSET,
    PEAK,
    PROBABILITY,
    RELAX,
    SINCE,
    TOUCH_DEVIATION,
    TOUCH_FORCE,
    TOUCHED,
    DecisionState,
    Thresholds,
)
from soft_tactile_node.estimation.separation import SeparationModel
from soft_tactile_node.estimation.touch_test import (
    QUICK_S,
    SCORE_DEVIATION,
    SCORE_FORCE,
    SCORES,
    departure_covariance,
    score_departure,
    score_memories,
)
from soft_tactile_node.estimation.touched import RELAX_S, age_offset, begin_anew, follow_touch, lasts, recover
from soft_tactile_node.samples import Array

RELAX_SHARE = 0.15
"""Share of that load which a new touch must stand out from (1)."""

LEAST_HELD_LOAD = 0.05
"""A vented finger cannot be held back: least relative pressure of a hold elsewhere (1)."""

RECOVERY_AGES = 3.0
"""Time since a release over the longest memory that is trusted then (1)."""


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
        follow_touch(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance)
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
    elif lasts(memo, limits.claim_s, now_s, dt_s, best_excess > 0.0 and force >= bar_n):
        _hold_drift(model, memo, best, activity, bend_slope, load_variance)
        _begin_touch(memo, now_s, best, force)


@compiled
def _watch_held(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Follow a finger held elsewhere against the drift from before: to be let go is no touch, to be pressed is one."""
    channels = departure.shape[0]
    residual = np.zeros(channels)
    _smooth_departure(model, memo, dt_s, departure, used, load, residual)
    age_offset(model, memo, now_s, dt_s, activity)
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
    if lasts(memo, limits.claim_s, now_s, dt_s, pressed):
        _begin_touch(memo, now_s, last, force)
    elif load < LEAST_HELD_LOAD:
        begin_anew(memo, now_s, memo.quick)
    elif not pressed and force > -deviation:
        begin_anew(memo, now_s, memo.offset)


@compiled
def _smooth_departure(model, memo, dt_s, departure, used, load, residual):  # type: ignore[no-untyped-def]
    """Write the departure less the pad's recovery, and smooth it."""
    memo.mode[RELAX] *= np.exp(-dt_s / RELAX_S)
    recover(model, memo, dt_s, departure, load, residual)
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
