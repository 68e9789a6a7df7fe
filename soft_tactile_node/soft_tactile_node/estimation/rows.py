"""The inner loop: rows of readings in, rows of estimates out. One implementation for one scan and for a recording."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.bending import advance_bending
from soft_tactile_node.estimation.decision import decide
from soft_tactile_node.estimation.decision_state import MODE, ONSET, PROBABILITY, TOUCHED
from soft_tactile_node.estimation.health import FAULT, GOOD, LOAD, check_channels, check_pressure
from soft_tactile_node.estimation.layout import (
    CONTACT_ID,
    CONTACT_PROBABILITY,
    CONTACTS,
    EVENT_CONTACT,
    EVENT_ONSET,
    EVENT_RELEASE,
    EVENT_SLIP,
    EVENTS,
    FLAG_PRESSURE_MISSING,
    FLAG_REJECTED,
    FLAG_TIME_JUMP,
    FLAGS,
    FORCE,
    FRICTION_USE,
    IN_CONTACT,
    NOW,
    PRESSURE,
    SLIP_PROBABILITY,
    STARTED,
    TEMPERATURE,
    RowModel,
    RowState,
)
from soft_tactile_node.estimation.outputs import write_bend, write_force, write_health, write_parts
from soft_tactile_node.estimation.slip import watch_slip
from soft_tactile_node.samples import Array

LONG_GAP_S = 1.0
"""A gap after which the history is no longer trusted (s)."""


@compiled
def process_rows(
    model: RowModel, memo: RowState, time_s: Array, load: Array, change: Array, temperature_change: Array, out: Array
) -> None:
    """Run the estimator over rows of readings, in place.

    Parameters
    ----------
    model, memo : RowModel, RowState
        Constants and state.
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    load : numpy.ndarray, shape (n,)
        Relative pressure readings (1); NaN = no new reading.
    change : numpy.ndarray, shape (n, c)
        Relative inductance change since the tare (1); NaN = missing.
    temperature_change : numpy.ndarray, shape (n,)
        Temperature since the tare (K); NaN = not measured.
    out : numpy.ndarray, shape (n, FIXED + 4 c)
        Overwritten with one estimate a row.
    """
    for i in range(time_s.shape[0]):
        process_row(model, memo, time_s[i], load[i], change[i], temperature_change[i], out[i])


@compiled
def process_row(
    model: RowModel, memo: RowState, time_s: float, load: float, change: Array, temperature_change: float, out: Array
) -> None:
    """Run the estimator over one scan, in place.

    Parameters
    ----------
    model, memo, time_s, load, change, temperature_change, out
        One row of `process_rows`.
    """
    clock = memo.clock
    flags = 0
    events = 0
    if clock[STARTED] < 0.5:
        clock[STARTED] = 1.0
        clock[NOW] = time_s
    dt_s = time_s - clock[NOW]
    if not 0.0 <= dt_s <= LONG_GAP_S:
        flags |= FLAG_TIME_JUMP
    if not dt_s >= 0.0 or not np.isfinite(time_s):
        if np.isfinite(time_s) and dt_s < -LONG_GAP_S:
            clock[NOW] = time_s  # the clock was set back: go on from there
        dt_s = 0.0
        change = change * np.nan
    else:
        clock[NOW] = time_s
    if np.isfinite(temperature_change):
        clock[TEMPERATURE] = temperature_change
    # pressure, then free bending
    load_variance = check_pressure(model.health, memo.health, dt_s, load, _asked_load(model, memo))
    used_load = memo.health.pressure[LOAD]
    if memo.health.pressure[FAULT] > 0.5:
        flags |= FLAG_PRESSURE_MISSING
    advance_bending(memo.memory, memo.terms, used_load, dt_s, model.lag_s, model.play_radius, clock[TEMPERATURE])
    touched_before = memo.decision.mode[MODE] == TOUCHED
    relief = model.compliance * max(memo.decision.force[-1], 0.0) if touched_before else 0.0
    advance_bending(
        memo.actual_memory, memo.actual_terms, used_load - relief, dt_s, model.lag_s, model.play_radius,
        clock[TEMPERATURE],
    )  # fmt: skip
    rate = (used_load - memo.memory[0]) / model.lag_s[0]
    for w in range(memo.activity.shape[0]):
        gain = 1.0 - np.exp(-dt_s / model.separation.wander_s[w])
        memo.activity[w] += gain * (rate * rate - memo.activity[w])
    channels = change.shape[0]
    free = np.zeros(channels)
    bending = np.zeros(channels)
    moved = np.zeros(channels)
    for k in range(channels):
        for m in range(memo.terms.shape[0]):
            free[k] += model.bending_weights[m, k] * memo.terms[m]
            bending[k] += model.bending_weights[m, k] * memo.actual_terms[m]
        moved[k] = bending[k] - memo.expected[k]
        memo.expected[k] = bending[k]
    before = memo.used.copy()
    if check_channels(model.health, memo.health, clock[NOW], dt_s, change, moved, memo.used):
        flags |= FLAG_REJECTED
    _forget_returned_channels(memo, before)
    # separation and contact
    slope = np.zeros(channels)
    _interpolate(model.slope_load, model.slope, memo.actual_memory[0], slope)
    departure = np.where(np.isfinite(change), change - bending, 0.0)
    was_touched = touched_before
    if dt_s > 0.0:
        decide(
            model.separation, model.thresholds, memo.decision, clock[NOW], dt_s, departure, memo.used,
            memo.actual_memory[0], memo.activity, slope, load_variance,
        )  # fmt: skip
    touched = memo.decision.mode[MODE] == TOUCHED
    out[EVENT_ONSET] = np.nan
    if touched and not was_touched:
        clock[CONTACTS] += 1.0
        events |= EVENT_CONTACT
        out[EVENT_ONSET] = memo.decision.mode[ONSET]
    if was_touched and not touched:
        events |= EVENT_RELEASE
    write_force(model, memo, touched, out)
    flags, events = write_health(model, memo, used_load, touched, flags, events, out)
    shear = memo.decision.shear
    if watch_slip(memo.slip, clock[NOW], dt_s, touched, shear[0], shear[1], out[FORCE + 2]):
        events |= EVENT_SLIP
    out[SLIP_PROBABILITY] = memo.slip.scalar[0]
    out[FRICTION_USE] = memo.slip.scalar[1]
    write_bend(model, memo, load_variance, out)
    write_parts(memo, touched, change, free, bending, slope, out)
    out[CONTACT_PROBABILITY] = memo.decision.mode[PROBABILITY]
    out[IN_CONTACT] = 1.0 if touched else 0.0
    out[CONTACT_ID] = clock[CONTACTS]
    out[PRESSURE] = used_load
    out[FLAGS] = flags
    out[EVENTS] = events


@compiled
def _interpolate(grid: Array, table: Array, x: float, out: Array) -> None:
    """Write the row of a table at `x`, linear between grid points and held beyond the ends."""
    last = grid.shape[0] - 1
    x = min(max(x, grid[0]), grid[last])
    i = 0
    while i < last - 1 and x > grid[i + 1]:
        i += 1
    share = (x - grid[i]) / (grid[i + 1] - grid[i])
    for k in range(out.shape[0]):
        out[k] = table[i, k] + share * (table[i + 1, k] - table[i, k])


@compiled
def _asked_load(model: RowModel, memo: RowState) -> float:
    """Return the relative pressure at which free bending would explain the channels; NaN if they cannot tell."""
    slope = np.zeros(memo.used.shape[0])
    _interpolate(model.slope_load, model.slope, memo.actual_memory[0], slope)
    energy = 0.0
    cross = 0.0
    for k in range(slope.shape[0]):
        if memo.used[k] > 0.5:
            energy += slope[k] * slope[k]
            cross += slope[k] * (memo.health.last[k] - memo.expected[k])
    if not energy > 0.0:
        return np.nan
    return float(memo.memory[0] + cross / energy)


@compiled
def _forget_returned_channels(memo: RowState, before: Array) -> None:
    """Give channels that came back from a fault an unknown offset, so that they weigh little until re-learnt."""
    decision = memo.decision
    for k in range(before.shape[0]):
        if memo.used[k] > 0.5 and before[k] < 0.5 and decision.offset_variance[k] == 0.0:
            continue
        if memo.health.fault[k] != GOOD:
            decision.offset_variance[k] = 1e-3
            decision.offset_covariance[k, k] = max(decision.offset_covariance[k, k], 1e-3)
