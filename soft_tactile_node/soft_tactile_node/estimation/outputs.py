"""From the state of the inner loop to one output row."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.decision_state import HELD, HELD_SIZE, MODE, PROBABILITY, TOUCH_DEVIATION, TOUCH_FORCE
from soft_tactile_node.estimation.health import FAULT, GOOD, OPEN, SPIKE, STUCK
from soft_tactile_node.estimation.layout import (
    BEND,
    BEND_FRACTION,
    BEND_VARIANCE,
    COVARIANCE,
    EVENT_FAULT,
    EVENT_OVERLOAD,
    EVENT_RECOVERED,
    FAULTY,
    FLAG_CHANNEL_OPEN,
    FLAG_HELD_ELSEWHERE,
    FLAG_OUT_OF_RANGE,
    FLAG_OVERLOAD,
    FLAG_SPIKE,
    FLAG_STUCK,
    FORCE,
    OVERLOADED,
    PARTS,
    STATE,
    STATE_CONTACT,
    STATE_FAULT,
    STATE_FREE,
    STATE_HELD,
    TEMPERATURE,
    UNOBSERVED_N,
    RowModel,
    RowState,
)
from soft_tactile_node.samples import Array


@compiled
def write_force(model: RowModel, memo: RowState, touched: bool, out: Array) -> None:
    """Write force and covariance: the contact filter's while touched, else the mixture of nothing and a touch."""
    decision = memo.decision
    for i in range(9):
        out[COVARIANCE + i] = 0.0
    if touched:
        axes = decision.force.shape[0]
        first = 3 - axes  # z alone, or all three
        for i in range(axes):
            out[FORCE + first + i] = decision.force[i]
            for j in range(axes):
                out[COVARIANCE + 3 * (first + i) + first + j] = decision.spread[i, j]
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
def write_health(
    model: RowModel, memo: RowState, load: float, touched: bool, flags: int, events: int, out: Array
) -> tuple[int, int]:
    """Write the state; return flags and events with faults, ranges and overload added."""
    clock = memo.clock
    flags, faults, usable = _collect_faults(memo, flags)
    reported = int(clock[FAULTY])
    if faults & ~reported:
        events |= EVENT_FAULT
    if reported & ~faults:
        events |= EVENT_RECOVERED
    clock[FAULTY] = faults
    if _is_beyond(model, load, clock[TEMPERATURE], touched, out):
        flags |= FLAG_OUT_OF_RANGE
    force = out[FORCE + 2]
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
def _collect_faults(memo: RowState, flags: int) -> tuple[int, int, int]:
    """Return flags with every fault added, the faults as a bit set, and how many channels work."""
    faults = 0
    usable = 0
    for k in range(memo.used.shape[0]):
        fault = memo.health.fault[k]
        if fault == GOOD:
            usable += 1
        else:
            faults |= 1 << k
        if fault == OPEN:
            flags |= FLAG_CHANNEL_OPEN
        elif fault == STUCK:
            flags |= FLAG_STUCK
        elif fault == SPIKE or memo.health.jump_run[k] > 0.5:
            flags |= FLAG_SPIKE
    if memo.health.pressure[FAULT] > 0.5:
        faults |= 1 << 20
    return flags, faults, usable


@compiled
def _is_beyond(model: RowModel, load: float, temperature: float, touched: bool, out: Array) -> bool:
    """Return whether pressure, temperature or force is beyond the calibrated range."""
    if not model.load_low - 0.02 <= load <= 1.03 * model.load_high:
        return True
    if not model.temperature_low - 2.0 <= temperature <= model.temperature_high + 2.0:
        return True
    if touched and np.hypot(out[FORCE], out[FORCE + 1]) > 1.5 * model.force_shear + 0.2:
        return True
    return bool(out[FORCE + 2] > 1.05 * model.force_normal)


@compiled
def write_bend(model: RowModel, memo: RowState, load_variance: float, out: Array) -> None:
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
def write_parts(
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
    held = decision.mode[HELD_SIZE]
    shortest = 0
    for k in range(channels):
        bending = actual[k] - slope[k] * held
        drift = decision.offset[k] if touched else decision.drift[shortest, k]
        contact = change[k] - bending - drift
        if not touched:
            drift += contact  # nothing touches: what is not bending is drift
            contact = 0.0 if np.isfinite(change[k]) else np.nan
        out[PARTS + k] = bending
        out[PARTS + channels + k] = free[k]
        out[PARTS + 2 * channels + k] = contact
        out[PARTS + 3 * channels + k] = drift
