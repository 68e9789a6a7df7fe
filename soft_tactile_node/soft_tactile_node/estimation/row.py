"""One scan after the other: gates, drive, departure, force, touch; the same loop for one scan and a recording."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.estimation.departure import learn_channel
from soft_tactile_node.estimation.detector import (
    CONTACT_BEGAN,
    CONTACT_ENDED,
    advance_detector,
    advance_shake,
    ema,
    start_detector,
)
from soft_tactile_node.estimation.drive import advance_drive, rest_drive
from soft_tactile_node.estimation.features import advance_features, restart_features
from soft_tactile_node.estimation.health import check_channels, check_pressure
from soft_tactile_node.estimation.model import RowModel, RowState
from soft_tactile_node.estimation.slip import watch_slip
from soft_tactile_node.estimation.writing import (
    EVENT_CONTACT,
    EVENT_RELEASE,
    EVENT_SLIP,
    FLAG_PRESSURE_MISSING,
    FLAG_REJECTED,
    FLAG_TIME_JUMP,
    write_bend,
    write_force,
    write_health,
    write_parts,
)
from soft_tactile_node.samples import Array

LONG_GAP_S = 1.0
"""A gap after which the history is no longer trusted (s)."""

GAP_S, GAP_SCANS = 0.1, 5.0
"""Scans further apart than both (s; scans of the calibration) leave a gap: what it hides is evidence of nothing."""

BRIDGE_STEPS = 50
"""Steps in which the drive is led over a gap."""

TOLD_S = 0.02
"""Low-pass of the pressure that the channels tell (s)."""

QUICK_S = 0.03
"""Memory against which a quick change of the force is told (s)."""


@compiled
def process_rows(
    model: RowModel,
    memo: RowState,
    time_s: Array,
    pressure: Array,
    change: Array,
    warm: Array,
    specific: Array,
    out: np.ndarray,
    parts: np.ndarray,
) -> None:
    """Run the estimator over rows of readings, in place; out (n,) and parts (n, c) are records of ROW and PARTS."""
    for i in range(time_s.shape[0]):
        process_row(model, memo, time_s[i], pressure[i], change[i], warm[i], specific[i], out[i], parts[i])


@compiled
def process_row(
    model: RowModel,
    memo: RowState,
    time_s: float,
    pressure: float,
    change: Array,
    warm: float,
    specific: Array,
    out: Record,
    parts: np.ndarray,
) -> None:
    """Run the estimator over one scan, in place."""
    clock, detector = memo.clock[0], memo.detector[0]
    started = clock.started == 1
    flags, dt = _advance_clock(clock, time_s, warm)
    rejected_row = started and not dt > 0.0
    tuning = model.tuning
    seen = _see_gap(model, memo, clock, dt)
    p, p_variance = _find_pressure(model, memo, dt, pressure)
    waiting, drive_s = _await_pressure(memo, clock, pressure, dt)
    flags |= waiting
    blind = rejected_row or waiting != 0
    if memo.pressure[0].fault == 1:
        flags |= FLAG_PRESSURE_MISSING
        blind = blind or model.told.shape[0] == 0
    if not started:
        rest_drive(tuning, memo.drive[0], p)
        start_detector(detector, p)
    advance_shake(tuning, detector, specific, dt)
    if not blind:
        _bridge(model, memo, p, drive_s, dt)
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
            restart_features(model.pad, memo.filters[0], memo.coordinates)
            detector.restart_s = 0.0
        if started:
            clock.blind_s = 0.0
        _find_force(model, memo, stretch, dt)
        events = _decide(model, memo, clock, detector, p, time_s, seen)
        if events & EVENT_CONTACT:
            out.onset_s = detector.onset_s
        _learn(model, memo, clock, detector, missing, dt)
    else:
        clock.blind_s += dt
    write_force(model, memo, clock, detector, blind, missing, p_variance, out)
    flags, events = write_health(model, memo, clock, detector, p, flags, events, out)
    fx, fy, fz = out.force_n[0], out.force_n[1], out.force_n[2]
    if watch_slip(memo.slip[0], clock.now_s, dt, detector.in_contact == 1, fx, fy, fz):
        events |= EVENT_SLIP
    out.slip_probability = memo.slip[0].probability
    out.friction_use = memo.slip[0].friction_use
    write_bend(model, memo, stretch, out)
    write_parts(memo, clock, detector, change, parts)
    out.in_contact = detector.in_contact
    out.contact_id = detector.contacts
    out.pressure_pa = p * model.scale_pa
    out.flags = flags
    out.events = events


@compiled
def _advance_clock(clock: Record, time_s: float, warm: float) -> tuple[int, float]:
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
def _is_gap(model: RowModel, dt: float) -> bool:
    return bool(dt > max(GAP_S, GAP_SCANS * model.health.step_s))


@compiled
def _see_gap(model: RowModel, memo: RowState, clock: Record, dt: float) -> float:
    """Return the part of dt that was looked at: none of a gap, after which a new pressure reading is waited for."""
    if not _is_gap(model, dt):
        return dt
    clock.waits = 1
    memo.detector[0].touch_s += dt
    memo.pressure[0].gap_s -= dt  # nobody listened meanwhile: that is no silence of the pressure
    for k in range(memo.channels.shape[0]):
        memo.channels[k].last = np.nan  # nor is it a jump of the channels
    return 0.0


@compiled
def _await_pressure(memo: RowState, clock: Record, reading: float, dt: float) -> tuple[int, float]:
    """Return a flag while the pressure is still that of before a gap, and the time the drive is to advance by."""
    if np.isfinite(reading) or memo.pressure[0].fault == 1:  # one that stays away is a fault in the end
        clock.waits = 0
    clock.owed_s += dt
    if clock.waits == 1:
        return FLAG_TIME_JUMP, 0.0
    drive_s = clock.owed_s
    clock.owed_s = 0.0
    return 0, drive_s


@compiled
def _bridge(model: RowModel, memo: RowState, p: float, drive_s: float, dt: float) -> None:
    """Advance the drive by a scan, or over a gap, as if the pressure had moved evenly meanwhile."""
    steps = BRIDGE_STEPS if drive_s > dt or _is_gap(model, dt) else 1
    before = memo.drive[0].quick
    for j in range(1, steps + 1):
        between = p if j == steps else before + (p - before) * j / steps
        advance_drive(model.tuning, memo.drive[0], memo.terms, between, drive_s / steps)


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
    variance = check_pressure(model.health, memo.pressure[0], dt, reading, told)
    if memo.pressure[0].fault == 1 and np.isfinite(told):
        return max(told, 0.0), variance
    return memo.pressure[0].level, variance


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
def _take_channels(model: RowModel, memo: RowState, clock: Record, dt: float, change: Array) -> bool:
    """Keep what the gates let through; return whether a reading was rejected."""
    rejected = check_channels(model.health, memo.channels, clock.now_s, dt, change)
    for k in range(change.shape[0]):
        if memo.channels[k].used == 1:
            memo.change[k] = change[k]
    return bool(rejected)


@compiled
def _find_departure(model: RowModel, memo: RowState, clock: Record, stretch: float) -> int:
    """Write the departures; return 0, or the number of the channel told by the others, or -1 if they cannot."""
    c = memo.change.shape[0]
    missing = 0
    count = 0
    for k in range(c):
        known = memo.learnt[k]
        memo.departure[k] = memo.change[k] - memo.free[k] - known.zero - known.slope * clock.warm
        if memo.channels[k].used == 0:
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
    advance_features(
        model.tuning,
        model.pad,
        memo.filters[0],
        memo.coordinates,
        stretch,
        memo.detector[0].in_contact == 1,
        dt,
        memo.features,
    )
    for axis in range(3):
        force = 0.0
        for j in range(memo.features.shape[0]):
            force += memo.features[j] * model.pad.weights[j, axis]
        memo.force[axis] = force


@compiled
def _decide(
    model: RowModel, memo: RowState, clock: Record, detector: Record, p: float, time_s: float, dt: float
) -> int:
    """Let the detector take the scan and return the events."""
    warmed = clock.warm - clock.onset_warm
    warmth = 0.0
    for k in range(memo.learnt.shape[0]):
        warmth += model.gain[2, k] * memo.learnt[k].slope_var * warmed * warmed
    told = advance_detector(model.tuning, model.touch, detector, memo.force, p, warmth, time_s, dt)
    level = memo.force[2] - detector.zero[2]
    if told & CONTACT_BEGAN:
        clock.onset_warm = clock.warm
        clock.quick = level
        return EVENT_CONTACT
    clock.quick = ema(clock.quick, level, dt, QUICK_S)
    return EVENT_RELEASE if told & CONTACT_ENDED else 0


@compiled
def _learn(model: RowModel, memo: RowState, clock: Record, detector: Record, missing: int, dt: float) -> None:
    """Let each channel learn its zero and temperature slope while nothing touches."""
    free = detector.in_contact == 0 and detector.held == 0 and detector.free_s > model.tuning.recovery_s
    for k in range(memo.change.shape[0]):
        raw = memo.change[k] - memo.free[k]
        learn_channel(model.tuning, memo.learnt[k], model.drift[k], raw, clock.warm, dt, free and k + 1 != missing)
