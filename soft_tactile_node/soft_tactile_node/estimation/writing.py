"""What one scan's estimate is written from: force and its variance, health, bend and the parts of each channel."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.estimation.health import GOOD, OPEN, SPIKE, STUCK
from soft_tactile_node.estimation.model import RowModel, RowState
from soft_tactile_node.samples import Array, Flag, State

# Plain numbers, which the compiler takes where it takes no set of flags.
FLAG_CHANNEL_OPEN = int(Flag.CHANNEL_OPEN)
FLAG_STUCK = int(Flag.STUCK)
FLAG_SPIKE = int(Flag.SPIKE)
FLAG_REJECTED = int(Flag.REJECTED)
FLAG_PRESSURE_MISSING = int(Flag.PRESSURE_MISSING)
FLAG_OUT_OF_RANGE = int(Flag.OUT_OF_RANGE)
FLAG_TIME_JUMP = int(Flag.TIME_JUMP)
FLAG_OVERLOAD = int(Flag.OVERLOAD)
FLAG_HELD_ELSEWHERE = int(Flag.HELD_ELSEWHERE)
FLAG_MOTION = int(Flag.MOTION)

STATE_FREE = int(State.FREE)
STATE_CONTACT = int(State.CONTACT)
STATE_HELD = int(State.HELD_ELSEWHERE)
STATE_FAULT = int(State.FAULT)

EVENT_CONTACT = 1
EVENT_RELEASE = 2
EVENT_SLIP = 4
EVENT_OVERLOAD = 8
EVENT_FAULT = 16
EVENT_RECOVERED = 32

PRESSURE_FAULT = 1 << 20
"""Bit of the pressure among the faults; the channels have the bits below."""


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
def _frozen_variance(model: RowModel, memo: RowState, clock: Record, detector: Record, axis: int) -> float:
    """Return what drift and temperature may have done to an axis since the contact began (N^2)."""
    warmed = clock.warm - clock.onset_warm
    total = 0.0
    for k in range(memo.learnt.shape[0]):
        drift = model.drift[k] * model.drift[k] * detector.touch_s
        total += model.gain[axis, k] * (drift + memo.learnt[k].slope_var * warmed * warmed)
    return total


@compiled
def write_force(
    model: RowModel,
    memo: RowState,
    clock: Record,
    detector: Record,
    blind: bool,
    missing: int,
    p_variance: float,
    out: Record,
) -> None:
    """Write force, variance and contact probability."""
    highest = 0.0
    for j in range(detector.d.shape[0]):
        highest = max(highest, detector.d[j] / detector.theta[j]) if detector.theta[j] > 0.0 else highest
    power = highest**3.4
    out.contact_probability = power / (power + 1.5)
    in_contact = detector.in_contact == 1
    for axis in range(3):
        observed = (axis == 2 or model.axes == 3) and not blind
        out.force_n[axis] = np.nan
        out.force_variance_n2[axis] = np.nan
        if not observed:
            continue
        if not in_contact:
            hidden = max(detector.d[1], 0.0)
            out.force_n[axis] = 0.0
            out.force_variance_n2[axis] = detector.sigma[0] ** 2 + out.contact_probability * hidden * hidden
            continue
        # shear is read against the rest position: its zero moves with the bend, which the map knows
        out.force_n[axis] = memo.force[axis] - (detector.zero[2] if axis == 2 else 0.0)
        variance = (
            _normal_variance(model, memo, clock, detector)
            if axis == 2
            else _shear_variance(model, memo, detector, axis)
        )
        out.force_variance_n2[axis] = variance + _frozen_variance(model, memo, clock, detector, axis)
    if missing > 0:
        for axis in range(3):
            out.force_variance_n2[axis] += model.gain[axis, missing - 1] * model.substitute_variance[missing - 1]
    if p_variance > 0.0:
        # per unit of pressure a channel moves by about its whole bending
        for axis in range(3):
            for k in range(memo.free.shape[0]):
                out.force_variance_n2[axis] += p_variance * model.gain[axis, k] * model.span[k] * model.span[k]


@compiled
def _normal_variance(model: RowModel, memo: RowState, clock: Record, detector: Record) -> float:
    """Return the larger of two models of the map's error, the spread of a free finger, and what pulled before."""
    level = memo.force[2] - detector.zero[2]
    square, quick = level * level, (level - clock.quick) ** 2
    lever = _lever(model.pad.leverage[0], memo.features)
    v = model.normal_variance
    far = v[0, 0] + v[0, 1] * square + v[0, 2] * lever
    moving = v[1, 0] + v[1, 1] * square + v[1, 2] * quick
    return float(max(far, moving) + detector.sigma[0] ** 2 + detector.pulled**2)


@compiled
def _shear_variance(model: RowModel, memo: RowState, detector: Record, axis: int) -> float:
    """Return the largest of three models of the map's error."""
    level = memo.force[2] - detector.zero[2]
    lever = _lever(model.pad.leverage[1], memo.features)
    v = model.shear_variance[axis]
    largest = 0.0
    for i in range(v.shape[0]):
        largest = max(largest, v[i, 0] + v[i, 1] * level * level + v[i, 2] * lever)
    return float(largest)


@compiled
def write_health(
    model: RowModel, memo: RowState, clock: Record, detector: Record, p: float, flags: int, events: int, out: Record
) -> tuple[int, int]:
    """Write the state; return flags and events with faults, ranges and overload added."""
    told, faults = _find_faults(memo)
    flags |= told
    if faults & ~clock.faulty:
        events |= EVENT_FAULT
    if clock.faulty & ~faults:
        events |= EVENT_RECOVERED
    clock.faulty = faults
    if _is_beyond(model, p, clock.warm, detector.in_contact == 1, out):
        flags |= FLAG_OUT_OF_RANGE
    if out.force_n[2] > model.overload:
        flags |= FLAG_OVERLOAD
        if clock.overloaded == 0:
            events |= EVENT_OVERLOAD
        clock.overloaded = 1
    elif not out.force_n[2] > 0.95 * model.overload:
        clock.overloaded = 0
    out.state = STATE_CONTACT if detector.in_contact == 1 else STATE_FREE
    if detector.in_contact == 0 and detector.held == 1:
        out.state = STATE_HELD
    if detector.held == 1 or (detector.in_contact == 1 and detector.pulled_s < model.tuning.recovery_s):
        flags |= FLAG_HELD_ELSEWHERE
    if faults & ~PRESSURE_FAULT == (1 << memo.channels.shape[0]) - 1:
        out.state = STATE_FAULT
    rings = detector.in_contact == 0 and detector.theta[1] > 2.0 * detector.theta0[1]
    if rings or detector.shake**2 > 0.5 * detector.sigma[1] ** 2:
        flags |= FLAG_MOTION
    return flags, events


@compiled
def _find_faults(memo: RowState) -> tuple[int, int]:
    """Return the flags of the channels and one bit for each fault."""
    flags, faults = 0, 0
    for k in range(memo.channels.shape[0]):
        channel = memo.channels[k]
        fault = channel.fault
        if fault != GOOD:
            faults |= 1 << k
        if fault == OPEN or (fault == GOOD and channel.miss_run > 0):
            flags |= FLAG_CHANNEL_OPEN
        elif fault == STUCK:
            flags |= FLAG_STUCK
        elif fault == SPIKE or channel.jump_run > 0:
            flags |= FLAG_SPIKE
        elif channel.used == 0:
            flags |= FLAG_REJECTED
    if memo.pressure[0].fault == 1:
        faults |= PRESSURE_FAULT
    return flags, faults


@compiled
def _is_beyond(model: RowModel, p: float, warm: float, touched: bool, out: Record) -> bool:
    """Return whether pressure, temperature or force is beyond the calibrated range."""
    if not model.pressure_low - 0.02 <= p <= 1.03:
        return True
    if not model.temperature_low <= warm <= model.temperature_high:
        return True
    if touched and np.hypot(out.force_n[0], out.force_n[1]) > 1.5 * model.force_shear + 0.2:
        return True
    return bool(out.force_n[2] > 1.05 * model.force_normal)


@compiled
def write_bend(model: RowModel, memo: RowState, stretch: float, out: Record) -> None:
    """Write bend angle and fraction: those of a free finger at this pressure."""
    out.bend_fraction = stretch
    out.bend_rad = np.nan
    out.bend_variance_rad2 = np.nan
    if model.angle_weights.shape[0] > 0:
        bend = model.angle_weights[memo.terms.shape[0]]
        for j in range(memo.terms.shape[0]):
            bend += model.angle_weights[j] * memo.terms[j]
        out.bend_rad = bend
        out.bend_variance_rad2 = model.angle_variance


@compiled
def write_parts(memo: RowState, clock: Record, detector: Record, change: Array, parts: np.ndarray) -> None:
    """Write bending, free bending, contact and drift of each channel; change = bending + drift + contact holds."""
    for k in range(change.shape[0]):
        known = memo.learnt[k]
        drift = known.zero + known.slope * clock.warm
        contact = change[k] - memo.free[k] - drift
        if detector.in_contact == 0:
            drift += contact  # nothing touches: what is not bending is drift
            contact = 0.0 if np.isfinite(change[k]) else np.nan
        parts[k].bending = memo.free[k]
        parts[k].contact = contact
        parts[k].drift = drift
