"""A touch under way: the force is followed against the drift from before until it is no longer told from zero.

Source: a random-walk Kalman filter of the force with the held drift considered, not estimated (consider covariance,
Schmidt 1966, from memory).
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.decision_state import (
    ENTERED,
    FREE,
    HELD_SIZE,
    MODE,
    PEAK,
    PROBABILITY,
    RELAX,
    SINCE,
    STRONG,
    TOUCH_FORCE,
)
from soft_tactile_node.estimation.pad import direction_at, elastic_response, relax, unloaded_response
from soft_tactile_node.estimation.separation import fill_missing, follow_force

RELAX_S = 1.5
"""Time over which a released pad counts as still relaxing (s)."""


@compiled
def follow_touch(model, limits, memo, now_s, dt_s, departure, used, load, activity, bend_slope, load_variance):  # type: ignore[no-untyped-def]
    """Follow the force by one scan and give the touch up when it is no longer told from zero."""
    age_offset(model, memo, now_s, dt_s, activity)
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
    if lasts(memo, limits.release_s, now_s, dt_s, force < floor or weak):
        # what the channels show now, less the pad's recovery, is drift
        recover(model, memo, 0.0, departure, load, memo.quick)
        begin_anew(memo, now_s, memo.quick)


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
def _ageing(model, age_s, activity, i, j):  # type: ignore[no-untyped-def]
    """Return how fast the variance of a frozen offset grows at its age (1/s): the wander of the next longer memory."""
    last = model.wander_s.shape[0] - 1
    w = 0
    while w < last and age_s > model.wander_s[w]:
        w += 1
    return (model.wander_rest[w, i, j] + activity[w] * model.wander_active[w, i, j]) / model.wander_s[w]


@compiled
def age_offset(model, memo, now_s, dt_s, activity):  # type: ignore[no-untyped-def]
    """Let the held drift become more uncertain."""
    channels = memo.offset.shape[0]
    for i in range(channels):
        for j in range(channels):
            memo.offset_covariance[i, j] += dt_s * _ageing(model, now_s - memo.mode[ENTERED], activity, i, j)


@compiled
def recover(model, memo, dt_s, departure, load, residual):  # type: ignore[no-untyped-def]
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
def lasts(memo, least_s, now_s, dt_s, evidence):  # type: ignore[no-untyped-def]
    """Return whether the evidence for a change of mode has lasted."""
    if not evidence:
        memo.mode[SINCE] = np.nan
        return False
    if np.isnan(memo.mode[SINCE]):
        memo.mode[SINCE] = now_s - dt_s
    return now_s - memo.mode[SINCE] >= least_s


@compiled
def begin_anew(memo, now_s, drift):  # type: ignore[no-untyped-def]
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
