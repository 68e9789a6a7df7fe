"""One scan after the other: gates, drive, departure, force, touch, variance. The same loop for one scan and a recording."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.departure import learn_channel
from soft_tactile_node.estimation.detector import CONTACT_BEGAN, CONTACT_ENDED, advance_detector, ema, start_detector
from soft_tactile_node.estimation.drive import advance_drive, rest_drive
from soft_tactile_node.estimation.features import advance_features, restart_features
from soft_tactile_node.estimation.health import FAULT, GOOD, LOAD, OPEN, SPIKE, STUCK, check_channels, check_pressure
from soft_tactile_node.estimation.model import RowModel, RowState
from soft_tactile_node.estimation.slip import watch_slip
from soft_tactile_node.samples import Array

LONG_GAP_S = 1.0
"""A gap after which the history is no longer trusted (s)."""

TOLD_S = 0.02
"""Low-pass of the pressure that the channels tell (s)."""

QUICK_S = 0.03
"""Memory against which a quick change of the force is told (s)."""

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
FLAG_MOTION = 8192

STATE_FREE = 1
STATE_CONTACT = 2
STATE_HELD = 3
STATE_FAULT = 5

EVENT_CONTACT = 1
EVENT_RELEASE = 2
EVENT_SLIP = 4
EVENT_OVERLOAD = 8
EVENT_FAULT = 16
EVENT_RECOVERED = 32

PRESSURE_FAULT = 1 << 20
"""Bit of the pressure among the faults; the channels have the bits below."""


@compiled
def process_rows(
    model: RowModel, memo: RowState, time_s: Array, pressure: Array, change: Array, warm: Array, out, parts: Array
) -> None:
    """Run the estimator over rows of readings, in place; parts (n, 4, c): free bending twice, contact, drift."""
    for i in range(time_s.shape[0]):
        process_row(model, memo, time_s[i], pressure[i], change[i], warm[i], out[i], parts[i])


@compiled
def process_row(
    model: RowModel, memo: RowState, time_s: float, pressure: float, change: Array, warm: float, out, parts: Array
) -> None:
    """Run the estimator over one scan, in place."""
    clock, touch = memo.clock[0], memo.detector[0]
    started = clock.started == 1
    flags, dt = _advance_clock(clock, time_s, warm)
    rejected_row = started and not dt > 0.0
    tuning = model.tuning
    p, p_variance = _find_pressure(model, memo, dt, pressure)
    blind = rejected_row
    if memo.health.pressure[FAULT] > 0.5:
        flags |= FLAG_PRESSURE_MISSING
        blind = blind or model.told.shape[0] == 0
    if not started:
        rest_drive(tuning, memo.drive, p)
        start_detector(touch, p)
    if not blind:
        advance_drive(tuning, memo.drive, memo.terms, p, dt)
    stretch = _bend_freely(model, memo)
    if _take_channels(model, memo, clock, dt, change):
        flags |= FLAG_REJECTED
    missing = _find_departure(model, memo, clock, stretch)
    blind = blind or missing < 0
    events = 0
    if not blind:
        for i in range(memo.coordinates.shape[0]):
            memo.coordinates[i] = 0.0
            for k in range(change.shape[0]):
                memo.coordinates[i] += model.pad.directions[i, k] * memo.departure[k]
        if not started or clock.blind_s > tuning.restart_s:
            restart_features(memo.pad, memo.coordinates, len(tuning.memory_s), len(tuning.side_memory_s))
            touch.restart_s = 0.0
        if started:
            clock.blind_s = 0.0
        _find_force(model, memo, stretch, dt)
        events = _decide(model, memo, clock, touch, p, time_s, dt)
        if events & EVENT_CONTACT:
            out.onset_s = touch.onset_s
        _learn(model, memo, clock, touch, missing, dt)
    else:
        clock.blind_s += dt
    _write_force(model, memo, clock, touch, blind, missing, p_variance, out)
    flags, events = _write_health(model, memo, clock, touch, p, flags, events, out)
    fx, fy, fz = out.force_n[0], out.force_n[1], out.force_n[2]
    if watch_slip(memo.slip, clock.now_s, dt, touch.in_contact == 1, fx, fy, fz):
        events |= EVENT_SLIP
    out.slip_probability = memo.slip.scalar[0]
    out.friction_use = memo.slip.scalar[1]
    _write_bend(model, memo, stretch, out)
    _write_parts(memo, clock, touch, change, parts)
    out.in_contact = touch.in_contact
    out.contact_id = touch.contacts
    out.pressure = p
    out.flags = flags
    out.events = events


@compiled
def _advance_clock(clock, time_s: float, warm: float) -> tuple[int, float]:
    """Return flags and the time since the last scan, zero for a stamp that does not go forward."""
    flags = 0
    if clock.started == 0:
        clock.started = 1
        clock.now_s = time_s
        clock.warm = warm if np.isfinite(warm) else 0.0
        return 0, 0.0
    dt = time_s - clock.now_s
    if not 0.0 < dt <= LONG_GAP_S:
        flags = FLAG_TIME_JUMP
    if not dt > 0.0:
        if dt < -LONG_GAP_S:
            clock.now_s = time_s  # the clock was set back: go on from there
        return flags | FLAG_REJECTED, 0.0
    clock.now_s = time_s
    if dt > LONG_GAP_S:
        clock.blind_s += dt
    if np.isfinite(warm):
        clock.warm = ema(clock.warm, warm, dt, 2.0)
    return flags, dt


@compiled
def _find_pressure(model: RowModel, memo: RowState, dt: float, reading: float) -> tuple[float, float]:
    """Return relative pressure and its variance: the reading, or what the channels tell while it is out."""
    told = np.nan
    if model.told.shape[0] > 0:
        c = memo.change.shape[0]
        level = model.told[3 * c]
        for k in range(c):
            x = memo.change[k]
            level += x * (model.told[k] + x * (model.told[c + k] + x * model.told[2 * c + k]))
        memo.clock[0].told = ema(memo.clock[0].told, level, dt, TOLD_S)
        told = memo.clock[0].told
    variance = check_pressure(model.health, memo.health, dt, reading, told)
    if memo.health.pressure[FAULT] > 0.5 and np.isfinite(told):
        return max(told, 0.0), variance
    return memo.health.pressure[LOAD], variance


@compiled
def _bend_freely(model: RowModel, memo: RowState) -> float:
    """Write the free bending of each channel and return the stretch."""
    stretch = 0.0
    for k in range(memo.free.shape[0]):
        bend = -model.rest[k]
        for j in range(memo.terms.shape[0]):
            bend += memo.terms[j] * model.base[j, k]
        memo.free[k] = bend
        stretch += bend * model.stretch[k]
    return stretch


@compiled
def _take_channels(model: RowModel, memo: RowState, clock, dt: float, change: Array) -> bool:
    """Keep what the gates let through; return whether a reading was rejected."""
    moved = np.zeros(change.shape[0])
    rejected = check_channels(model.health, memo.health, clock.now_s, dt, change, moved, memo.used)
    for k in range(change.shape[0]):
        if memo.used[k] > 0.5:
            memo.change[k] = change[k]
    return bool(rejected)


@compiled
def _find_departure(model: RowModel, memo: RowState, clock, stretch: float) -> int:
    """Write the departures; return 0, or the number of the channel told by the others, or -1 if they cannot."""
    c = memo.change.shape[0]
    missing = 0
    count = 0
    for k in range(c):
        known = memo.learnt[k]
        memo.departure[k] = memo.change[k] - memo.free[k] - known.zero - known.slope * clock.warm
        if memo.used[k] < 0.5:
            missing = k + 1
            count += 1
    if count == 0:
        return 0
    if count > 1 or c == 1:
        return -1
    k = missing - 1
    told = 0.0
    power = 1.0
    for order in range(3):
        for other in range(c):
            if other != k:
                told += model.substitute[k, order * c + other] * power * memo.departure[other]
        power *= stretch
    told += model.substitute[k, 3 * c] * stretch + model.substitute[k, 3 * c + 1] * stretch * stretch
    memo.departure[k] = told
    return missing


@compiled
def _find_force(model: RowModel, memo: RowState, stretch: float, dt: float) -> None:
    """Write features and force."""
    advance_features(model.tuning, model.pad, memo.pad, memo.coordinates, stretch, memo.detector[0].in_contact == 1, dt, memo.features)
    for axis in range(3):
        force = 0.0
        for j in range(memo.features.shape[0]):
            force += memo.features[j] * model.pad.weights[j, axis]
        memo.force[axis] = force


@compiled
def _decide(model: RowModel, memo: RowState, clock, touch, p: float, time_s: float, dt: float) -> int:
    """Let the detector take the scan and return the events."""
    warmed = clock.warm - clock.onset_warm
    warmth = 0.0
    for k in range(memo.learnt.shape[0]):
        warmth += model.gain[2, k] * memo.learnt[k].slope_var * warmed * warmed
    told = advance_detector(model.tuning, model.touch, touch, memo.force, p, warmth, time_s, dt)
    level = memo.force[2] - touch.zero[2]
    if told & CONTACT_BEGAN:
        clock.onset_warm = clock.warm
        clock.quick = level
        return EVENT_CONTACT
    clock.quick = ema(clock.quick, level, dt, QUICK_S)
    return EVENT_RELEASE if told & CONTACT_ENDED else 0


@compiled
def _learn(model: RowModel, memo: RowState, clock, touch, missing: int, dt: float) -> None:
    """Let each channel learn its zero and temperature slope while nothing touches."""
    free = touch.in_contact == 0 and touch.held == 0 and touch.free_s > model.tuning.rest_s
    for k in range(memo.change.shape[0]):
        raw = memo.change[k] - memo.free[k]
        learn_channel(model.tuning, memo.learnt[k], model.drift[k], raw, clock.warm, dt, free and k + 1 != missing)


@compiled
def _lever(matrix: Array, x: Array) -> float:
    """Return the leverage of a row: how far it is from what was pressed."""
    total = 0.0
    for i in range(x.shape[0]):
        if x[i] != 0.0:
            row = 0.0
            for j in range(x.shape[0]):
                row += matrix[i, j] * x[j]
            total += row * x[i]
    return max(total, 0.0)


@compiled
def _frozen_variance(model: RowModel, memo: RowState, clock, touch, axis: int) -> float:
    """Return what drift and temperature may have done to an axis since the contact began (N^2)."""
    warmed = clock.warm - clock.onset_warm
    total = 0.0
    for k in range(memo.learnt.shape[0]):
        drift = model.drift[k] * model.drift[k] * touch.touch_s
        total += model.gain[axis, k] * (drift + memo.learnt[k].slope_var * warmed * warmed)
    return total


@compiled
def _write_force(
    model: RowModel, memo: RowState, clock, touch, blind: bool, missing: int, p_variance: float, out
) -> None:
    """Write force, variance and contact probability."""
    highest = 0.0
    for j in range(touch.d.shape[0]):
        highest = max(highest, touch.d[j] / touch.theta[j]) if touch.theta[j] > 0.0 else highest
    power = highest**3.4
    out.contact_probability = power / (power + 1.5)
    in_contact = touch.in_contact == 1
    for axis in range(3):
        out.raw_force_n[axis] = memo.force[axis] - touch.zero[axis]
        observed = (axis == 2 or model.axes == 3) and not blind
        out.force_n[axis] = np.nan
        out.variance_n2[axis] = np.nan
        if not observed:
            continue
        if not in_contact:
            hidden = max(touch.d[1], 0.0)
            out.force_n[axis] = 0.0
            out.variance_n2[axis] = touch.sigma[0] ** 2 + out.contact_probability * hidden * hidden
            continue
        # shear is read against the rest position: its zero moves with the bend, which the map knows
        out.force_n[axis] = memo.force[axis] - (touch.zero[2] if axis == 2 else 0.0)
        variance = _normal_variance(model, memo, clock, touch) if axis == 2 else _shear_variance(model, memo, touch, axis)
        out.variance_n2[axis] = variance + _frozen_variance(model, memo, clock, touch, axis)
    if missing > 0:
        for axis in range(3):
            out.variance_n2[axis] += model.gain[axis, missing - 1] * model.substitute_variance[missing - 1]
    if p_variance > 0.0:
        # per unit of pressure a channel moves by about its whole bending
        for axis in range(3):
            for k in range(memo.free.shape[0]):
                out.variance_n2[axis] += p_variance * model.gain[axis, k] * model.span[k] * model.span[k]


@compiled
def _normal_variance(model: RowModel, memo: RowState, clock, touch) -> float:
    """Return the larger of two models of the map's error, and the spread of a free finger."""
    level = memo.force[2] - touch.zero[2]
    square, quick = level * level, (level - clock.quick) ** 2
    lever = _lever(model.pad.leverage[0], memo.features)
    v = model.normal_variance
    far = v[0, 0] + v[0, 1] * square + v[0, 2] * lever
    moving = v[1, 0] + v[1, 1] * square + v[1, 2] * quick
    return max(far, moving) + touch.sigma[0] ** 2


@compiled
def _shear_variance(model: RowModel, memo: RowState, touch, axis: int) -> float:
    """Return the largest of three models of the map's error."""
    level = memo.force[2] - touch.zero[2]
    lever = _lever(model.pad.leverage[1], memo.features)
    v = model.shear_variance[axis]
    largest = 0.0
    for i in range(v.shape[0]):
        largest = max(largest, v[i, 0] + v[i, 1] * level * level + v[i, 2] * lever)
    return largest


@compiled
def _write_health(
    model: RowModel, memo: RowState, clock, touch, p: float, flags: int, events: int, out
) -> tuple[int, int]:
    """Write the state; return flags and events with faults, ranges and overload added."""
    faults = 0
    usable = 0
    for k in range(memo.used.shape[0]):
        fault = memo.health.fault[k]
        if fault == GOOD:
            usable += 1
        else:
            faults |= 1 << k
        if fault == OPEN or (fault == GOOD and memo.health.miss_run[k] > 0.5):
            flags |= FLAG_CHANNEL_OPEN
        elif fault == STUCK:
            flags |= FLAG_STUCK
        elif fault == SPIKE or memo.health.jump_run[k] > 0.5:
            flags |= FLAG_SPIKE
        elif memo.used[k] < 0.5:
            flags |= FLAG_REJECTED
    if memo.health.pressure[FAULT] > 0.5:
        faults |= PRESSURE_FAULT
    if faults & ~clock.faulty:
        events |= EVENT_FAULT
    if clock.faulty & ~faults:
        events |= EVENT_RECOVERED
    clock.faulty = faults
    if _is_beyond(model, p, clock.warm, touch.in_contact == 1, out):
        flags |= FLAG_OUT_OF_RANGE
    if out.force_n[2] > model.overload:
        flags |= FLAG_OVERLOAD
        if clock.overloaded == 0:
            events |= EVENT_OVERLOAD
        clock.overloaded = 1
    elif not out.force_n[2] > 0.95 * model.overload:
        clock.overloaded = 0
    out.state = STATE_CONTACT if touch.in_contact == 1 else STATE_FREE
    if touch.in_contact == 0 and touch.held == 1:
        out.state = STATE_HELD
    if touch.held == 1:
        flags |= FLAG_HELD_ELSEWHERE
    if usable == 0:
        out.state = STATE_FAULT
    if touch.in_contact == 0 and touch.theta[1] > 2.0 * touch.theta0[1]:
        flags |= FLAG_MOTION
    return flags, events


@compiled
def _is_beyond(model: RowModel, p: float, warm: float, touched: bool, out) -> bool:
    """Return whether pressure, temperature or force is beyond the calibrated range."""
    if not model.pressure_low - 0.02 <= p <= 1.03:
        return True
    if not model.temperature_low <= warm <= model.temperature_high:
        return True
    if touched and np.hypot(out.force_n[0], out.force_n[1]) > 1.5 * model.force_shear + 0.2:
        return True
    return bool(out.force_n[2] > 1.05 * model.force_normal)


@compiled
def _write_bend(model: RowModel, memo: RowState, stretch: float, out) -> None:
    """Write bend angle and fraction: those of a free finger at this pressure."""
    out.bend_fraction = stretch
    out.bend_rad = np.nan
    out.bend_variance_rad2 = np.nan
    if model.angle_weights.shape[0] > 0:
        bend = 0.0
        for j in range(memo.terms.shape[0]):
            bend += model.angle_weights[j] * memo.terms[j]
        out.bend_rad = bend
        out.bend_variance_rad2 = model.angle_variance


@compiled
def _write_parts(memo: RowState, clock, touch, change: Array, parts: Array) -> None:
    """Write bending, free bending, contact and drift of each channel; change = bending + drift + contact holds."""
    for k in range(change.shape[0]):
        known = memo.learnt[k]
        drift = known.zero + known.slope * clock.warm
        contact = change[k] - memo.free[k] - drift
        if touch.in_contact == 0:
            drift += contact  # nothing touches: what is not bending is drift
            contact = 0.0 if np.isfinite(change[k]) else np.nan
        parts[0, k] = memo.free[k]
        parts[1, k] = memo.free[k]
        parts[2, k] = contact
        parts[3, k] = drift
