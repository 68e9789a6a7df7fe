"""The inner loop: rows of readings in, rows of estimates out. One implementation for one scan and for a recording."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.bending import advance_bending
from soft_tactile_node.estimation.decision import (
    HELD,
    HELD_SIZE,
    MODE,
    ONSET,
    PROBABILITY,
    TOUCH_DEVIATION,
    TOUCH_FORCE,
    TOUCHED,
    DecisionState,
    Thresholds,
    decide,
)
from soft_tactile_node.estimation.health import (
    FAULT,
    GOOD,
    LOAD,
    OPEN,
    SPIKE,
    STUCK,
    HealthLimits,
    HealthState,
    check_channels,
    check_pressure,
)
from soft_tactile_node.estimation.separation import FRICTION_PRIOR, SeparationModel
from soft_tactile_node.estimation.slip import SlipState, watch_slip
from soft_tactile_node.samples import Array

# Columns of an output row.
FORCE = 0  # fx, fy, fz (N)
COVARIANCE = 3  # nine numbers, row-major (N^2)
CONTACT_PROBABILITY = 12
IN_CONTACT = 13
CONTACT_ID = 14
SLIP_PROBABILITY = 15
FRICTION_USE = 16
BEND = 17  # rad
BEND_VARIANCE = 18  # rad^2
BEND_FRACTION = 19
PRESSURE = 20  # relative (1)
FLAGS = 21
STATE = 22
EVENTS = 23  # bit set, see below
EVENT_ONSET = 24  # s
PARTS = 25  # bending, free_bending, contact, drift: c numbers each
FIXED = 25

# Event bits.
EVENT_CONTACT = 1
EVENT_RELEASE = 2
EVENT_SLIP = 4
EVENT_OVERLOAD = 8
EVENT_FAULT = 16
EVENT_RECOVERED = 32

# Flag bits, equal to samples.Flag (a test compares them).
FLAG_CHANNEL_OPEN = 8
FLAG_STUCK = 16
FLAG_SPIKE = 32
FLAG_REJECTED = 64
FLAG_PRESSURE_MISSING = 128
FLAG_OUT_OF_RANGE = 256
FLAG_TIME_JUMP = 512
FLAG_OVERLOAD = 1024
FLAG_HELD_ELSEWHERE = 2048

STATE_FREE = 1
STATE_CONTACT = 2
STATE_HELD = 3
STATE_FAULT = 5

LONG_GAP_S = 1.0
"""A gap after which the history is no longer trusted (s)."""

UNOBSERVED_N = 0.5
"""Standard deviation above which a force counts as not observed (N)."""


class RowModel(NamedTuple):
    """Everything constant: the calibrated models and the user's limits.

    Attributes
    ----------
    lag_s, play_radius : numpy.ndarray
        See `advance_bending`.
    bending_weights : numpy.ndarray, shape (m, c)
        Free-bend weights (1).
    angle_weights : numpy.ndarray, shape (m,)
        Weights of the bend angle (rad); empty = no bend reference.
    angle_variance : float
        Variance of the bend angle while free (rad^2).
    slope_load : numpy.ndarray, shape (g,)
        Relative pressures of the slope table (1), rising.
    slope : numpy.ndarray, shape (g, c)
        Change of each channel per relative pressure along the free-bend curve (1).
    observable : numpy.ndarray, shape (3,)
        1 for axes the whole pad can observe.
    load_low, load_high, temperature_low, temperature_high, force_normal, force_shear, overload : float
        Calibrated ranges: relative pressure (1), temperature change (K), force (N).
    compliance : float
        Relative pressure that a newton on the pad takes from the finger's drive (1/N).
    separation, thresholds, health : see their classes
    """

    lag_s: Array
    play_radius: Array
    bending_weights: Array
    angle_weights: Array
    angle_variance: float
    slope_load: Array
    slope: Array
    observable: Array
    load_low: float
    load_high: float
    temperature_low: float
    temperature_high: float
    force_normal: float
    force_shear: float
    overload: float
    compliance: float
    separation: SeparationModel
    thresholds: Thresholds
    health: HealthLimits


class RowState(NamedTuple):
    """Everything that changes; arrays are changed in place.

    Attributes
    ----------
    clock : numpy.ndarray, shape (8,)
        See the index constants below.
    memory, terms : numpy.ndarray
        Free-bend recursion, driven by the pressure.
    actual_memory, actual_terms : numpy.ndarray
        The same recursion driven by the pressure less what the force on the pad takes off: the actual bend. One
        hysteresis for both makes a finger that closes on an object differ from one that is pushed back, as it does.
    expected : numpy.ndarray, shape (c,)
        Prediction at the actual bend at the last scan (1).
    activity : numpy.ndarray, shape (w,)
        Mean squared pressure rate over each memory (1/s^2).
    used : numpy.ndarray, shape (c,)
        Channels used in the last scan.
    decision, health, slip : see their classes
    """

    clock: Array
    memory: Array
    terms: Array
    actual_memory: Array
    actual_terms: Array
    expected: Array
    activity: Array
    used: Array
    decision: DecisionState
    health: HealthState
    slip: SlipState


NOW = 0  # time of the last accepted scan (s)
STARTED = 1
CONTACTS = 2  # contacts so far
OVERLOADED = 3
TEMPERATURE = 4  # last temperature change (K)
FAULTY = 5  # bit set of faults already reported
JUMP = 6  # rows since a time jump that still carry the flag


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
    relief = model.compliance * max(memo.decision.state[2], 0.0) if touched_before else 0.0
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
    _forget_returned_channels(model, memo, before)
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
    _write_force(model, memo, touched, out)
    flags, events = _write_health(model, memo, used_load, touched, flags, events, out)
    if watch_slip(memo.slip, clock[NOW], dt_s, touched, out[FORCE], out[FORCE + 1], out[FORCE + 2]):
        events |= EVENT_SLIP
    out[SLIP_PROBABILITY] = memo.slip.scalar[0]
    out[FRICTION_USE] = memo.slip.scalar[1]
    _write_bend(model, memo, load_variance, out)
    _write_parts(model, memo, touched, change, free, bending, slope, out)
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
def _forget_returned_channels(model: RowModel, memo: RowState, before: Array) -> None:
    """Give channels that came back from a fault an unknown offset, so that they weigh little until re-learnt."""
    decision = memo.decision
    first_offset = decision.state.shape[0] - model.separation.pad_weights.shape[1]
    for k in range(before.shape[0]):
        if memo.used[k] > 0.5 and before[k] < 0.5 and decision.offset_variance[k] == 0.0:
            continue
        if memo.health.fault[k] != GOOD:
            decision.offset_variance[k] = 1e-3
            i = first_offset + k
            decision.covariance[i, i] = max(decision.covariance[i, i], 1e-3)


@compiled
def _write_force(model: RowModel, memo: RowState, touched: bool, out: Array) -> None:
    """Write force and covariance: the contact filter's while touched, else the mixture of nothing and a touch."""
    decision = memo.decision
    for i in range(9):
        out[COVARIANCE + i] = 0.0
    if touched:
        for i in range(3):
            share_i = model.separation.shear_share[i] if i < 2 else 1.0
            out[FORCE + i] = share_i * decision.state[i]
            for j in range(3):
                share_j = model.separation.shear_share[j] if j < 2 else 1.0
                out[COVARIANCE + 3 * i + j] = share_i * share_j * decision.covariance[i, j]
        for i in range(2):
            # given the apparent shear, true shear still varies with the unknown contact place
            share = model.separation.shear_share[i]
            doubt = FRICTION_PRIOR * decision.state[2]
            out[COVARIANCE + 4 * i] += (1.0 - share) * doubt * doubt
    else:
        p = decision.mode[PROBABILITY]
        force = decision.mode[TOUCH_FORCE]
        deviation = min(decision.mode[TOUCH_DEVIATION], 10.0)
        out[FORCE] = 0.0
        out[FORCE + 1] = 0.0
        out[FORCE + 2] = p * force
        spread = p * (deviation * deviation + force * force) - p * p * force * force
        for i in range(3):
            out[COVARIANCE + 4 * i] = spread + 1e-8
        if deviation > UNOBSERVED_N:
            out[COVARIANCE + 8] = deviation * deviation
    for i in range(3):
        if model.observable[i] < 0.5 or not out[COVARIANCE + 4 * i] < UNOBSERVED_N * UNOBSERVED_N:
            out[FORCE + i] = np.nan
            for j in range(3):
                out[COVARIANCE + 3 * i + j] = 0.0
                out[COVARIANCE + 3 * j + i] = 0.0
            out[COVARIANCE + 4 * i] = -1.0


@compiled
def _write_health(
    model: RowModel, memo: RowState, load: float, touched: bool, flags: int, events: int, out: Array
) -> tuple[int, int]:
    """Write the state; return flags and events with faults, ranges and overload added."""
    clock = memo.clock
    faults = 0
    usable = 0
    for k in range(memo.used.shape[0]):
        fault = memo.health.fault[k]
        if fault == OPEN:
            flags |= FLAG_CHANNEL_OPEN
        elif fault == STUCK:
            flags |= FLAG_STUCK
        elif fault == SPIKE:
            flags |= FLAG_SPIKE
        if fault != GOOD:
            faults |= 1 << k
        else:
            usable += 1
        if memo.health.jump_run[k] > 0.5:
            flags |= FLAG_SPIKE
    if memo.health.pressure[FAULT] > 0.5:
        faults |= 1 << 20
    reported = int(clock[FAULTY])
    if faults & ~reported:
        events |= EVENT_FAULT
    if reported & ~faults:
        events |= EVENT_RECOVERED
    clock[FAULTY] = faults
    temperature = clock[TEMPERATURE]
    force = out[FORCE + 2]
    shear = np.sqrt(out[FORCE] ** 2 + out[FORCE + 1] ** 2)
    beyond = not model.load_low - 0.02 <= load <= 1.03 * model.load_high
    beyond = beyond or not model.temperature_low - 2.0 <= temperature <= model.temperature_high + 2.0
    beyond = beyond or force > 1.05 * model.force_normal or (touched and shear > 1.5 * model.force_shear + 0.2)
    if beyond:
        flags |= FLAG_OUT_OF_RANGE
    if force > model.overload:
        flags |= FLAG_OVERLOAD
        if clock[OVERLOADED] < 0.5:
            events |= EVENT_OVERLOAD
        clock[OVERLOADED] = 1.0
    elif not force > 0.95 * model.overload:
        clock[OVERLOADED] = 0.0
    state = STATE_CONTACT if touched else STATE_FREE
    if memo.decision.mode[MODE] == HELD:
        flags |= FLAG_HELD_ELSEWHERE
        state = STATE_HELD
    out[STATE] = STATE_FAULT if usable == 0 else state
    return flags, events


@compiled
def _write_bend(model: RowModel, memo: RowState, load_variance: float, out: Array) -> None:
    """Write bend angle and bend fraction, both from the free-bend model less what is held back."""
    held = memo.decision.mode[HELD_SIZE]
    full = model.load_high
    out[BEND_FRACTION] = (memo.actual_memory[0] - held) / full
    out[BEND] = np.nan
    out[BEND_VARIANCE] = np.nan
    if model.angle_weights.shape[0] > 0:
        bend = 0.0
        for m in range(memo.terms.shape[0]):
            bend += model.angle_weights[m] * memo.actual_terms[m]
        per_load = bend / memo.actual_memory[0] if memo.actual_memory[0] > 0.05 else 0.0
        out[BEND] = bend - held * per_load
        out[BEND_VARIANCE] = model.angle_variance + per_load * per_load * (load_variance + 0.25 * held * held)


@compiled
def _write_parts(
    model: RowModel,
    memo: RowState,
    touched: bool,
    change: Array,
    free: Array,
    actual: Array,
    slope: Array,
    out: Array,
) -> None:
    """Write bending, free bending, contact and drift of each channel; change = bending + drift + contact holds."""
    decision = memo.decision
    channels = change.shape[0]
    first_offset = decision.state.shape[0] - model.separation.pad_weights.shape[1]
    held = decision.mode[HELD_SIZE]
    shortest = 0
    for k in range(channels):
        bending = actual[k] - slope[k] * held
        drift = decision.state[first_offset + k] if touched else decision.drift[shortest, k]
        contact = change[k] - bending - drift
        if not touched:
            drift += contact  # nothing touches: what is not bending is drift
            contact = 0.0 if np.isfinite(change[k]) else np.nan
        out[PARTS + k] = bending
        out[PARTS + channels + k] = free[k]
        out[PARTS + 2 * channels + k] = contact
        out[PARTS + 3 * channels + k] = drift
