"""Whether something touches the pad, decided in newtons, and the zero that force is counted from.

    d_j = low-passes of (u - zero),   sigma_j^2 = spread . (1, activity^2, carried^2) + shake^2
    theta_j = level_j sigma_j

`u` is the normal force of the map. The spread was measured on held-out recordings of the free finger, where it grows
with the pressure's activity and with the load the pad recovers from; `shake` is what the base's acceleration may do,
where it is known; the levels are extreme values of d_j / sigma_j at
the stated rate of false alarms. The zero learns while nothing touches, and the slower the higher the threshold stands:
what could hide a touch is not learnt away. Source of the levels: Gumbel, Statistics of Extremes (1958).
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.estimation.tuning import Tuning
from soft_tactile_node.samples import Array

TESTS = 3
"""Touch tests, each with a low-pass of its own."""

CONTACT_BEGAN = 1
CONTACT_ENDED = 2

DETECTOR = np.dtype(
    [
        # force (N)
        ("zero", "f8", (3,)),
        ("d", "f8", (TESTS,)),
        ("slow", "f8", (TESTS,)),
        ("edge", "f8", (TESTS,)),
        ("theta0", "f8", (TESTS,)),
        ("theta", "f8", (TESTS,)),
        ("sigma", "f8", (TESTS,)),
        ("peak", "f8"),
        ("largest", "f8"),
        ("carried", "f8"),
        ("zero_before", "f8"),
        ("swing_peak", "f8"),
        ("shake", "f8"),
        ("held_zero", "f8", (3,)),
        ("pulled", "f8"),
        # force squared (N^2)
        ("ring", "f8", (TESTS,)),
        # specific force of the base at rest (m/s^2); NaN = not known yet
        ("steady", "f8", (3,)),
        # relative pressure (1)
        ("p_quick", "f8"),
        ("p_slow", "f8"),
        ("activity", "f8"),
        # how long it has lasted, or has been since (s)
        ("free_s", "f8"),
        ("touch_s", "f8"),
        ("above_s", "f8"),
        ("below_s", "f8"),
        ("fallen_s", "f8"),
        ("swing_s", "f8"),
        ("held_s", "f8"),
        ("held_for_s", "f8"),
        ("restart_s", "f8"),
        ("pulled_s", "f8"),
        # stamp at which the present or last touch began (s)
        ("onset_s", "f8"),
        # states
        ("in_contact", "i8"),
        ("contacts", "i8"),
        ("sharp", "i8"),
        ("held", "i8"),
    ]
)
"""State of the detector."""

TRACK = np.dtype([("d", "f8", (TESTS,)), ("zero", "f8", (3,)), ("activity", "f8"), ("carried", "f8")])
"""What `free_rows` follows; as in DETECTOR."""

LONG_AGO_S = 9.0
"""Stands for an event that has not happened (s)."""


@compiled
def ema(x: float, target: float, dt: float, tau: float) -> float:
    """Return a first-order low-pass one step on; no memory passes the target."""
    return target if tau <= 0.0 else x + (1.0 - np.exp(-dt / tau)) * (target - x)


@compiled
def start_detector(s: Record, p: float) -> None:
    """Start from rest at relative pressure p, in place."""
    s.p_quick = p
    s.p_slow = p
    s.swing_s = LONG_AGO_S
    s.restart_s = LONG_AGO_S
    s.pulled_s = LONG_AGO_S
    s.steady[:] = np.nan


@compiled
def advance_activity(tuning: Tuning, s: Record, p: float, dt: float) -> None:
    """Follow how quickly the pressure moves, in place."""
    s.p_quick = ema(s.p_quick, p, dt, tuning.detect_s[1])
    s.p_slow = ema(s.p_slow, p, dt, tuning.activity_s)
    s.activity = max(s.activity * np.exp(-dt / tuning.recent_s), abs(s.p_quick - s.p_slow))


@compiled
def advance_shake(tuning: Tuning, s: Record, specific: Array, dt: float) -> None:
    """Follow what a change of the base's specific force (m/s^2; NaN = unknown) may do to the pad, in place."""
    s.shake *= np.exp(-dt / tuning.recovery_s)
    if not np.isfinite(specific.sum()):
        return
    square = 0.0
    for axis in range(3):
        if np.isnan(s.steady[axis]):
            s.steady[axis] = specific[axis]
        square += (specific[axis] - s.steady[axis]) ** 2
        s.steady[axis] = ema(s.steady[axis], specific[axis], dt, tuning.recovery_s)
    s.shake = max(s.shake, tuning.moved_kg * np.sqrt(square))


@compiled
def set_thresholds(tuning: Tuning, touch: Record, s: Record) -> None:
    """Set spread and thresholds from what the finger does now, in place."""
    for j in range(TESTS):
        variance = touch.spread[j, 0] + touch.spread[j, 1] * s.activity**2 + touch.spread[j, 2] * s.carried**2
        variance += s.shake**2
        s.sigma[j] = np.sqrt(variance)
        s.theta0[j] = max(touch.level[j] * s.sigma[j], touch.floor_n)
        s.theta[j] = max(s.theta0[j], tuning.ring_gain * np.sqrt(s.ring[j]))


@compiled
def learn_zero(tuning: Tuning, touch: Record, s: Record, u: Array, dt: float) -> None:
    """Let the zero follow the force of a free finger, in place."""
    hidden = s.theta0[1] / touch.floor_n
    tau = min(tuning.zero_s, s.free_s + tuning.fall_s) * hidden
    for axis in range(3):
        s.zero[axis] = ema(s.zero[axis], u[axis], dt, tau)


@compiled
def advance_detector(
    tuning: Tuning, touch: Record, s: Record, u: Array, p: float, warmth: float, time_s: float, dt: float
) -> int:
    """Advance by one scan, in place; warmth is what temperature may have done to the frozen zero (N^2)."""
    advance_activity(tuning, s, p, dt)
    s.swing_s += dt
    s.restart_s += dt
    raw = u[2] - s.zero[2]
    for j in range(TESTS):
        s.d[j] = ema(s.d[j], raw, dt, tuning.detect_s[j])
        s.slow[j] = ema(s.slow[j], s.d[j], dt, tuning.recent_s)
        s.edge[j] = max(s.edge[j] * np.exp(-dt / tuning.zero_s), s.d[j] - s.slow[j])
    set_thresholds(tuning, touch, s)
    if s.in_contact == 0:
        return _advance_free(tuning, touch, s, u, time_s, dt)
    return _advance_touched(tuning, s, u, raw, warmth, dt)


@compiled
def _advance_free(tuning: Tuning, touch: Record, s: Record, u: Array, time_s: float, dt: float) -> int:
    """Watch for a touch; learn the zero where there is none."""
    s.free_s += dt
    s.carried *= np.exp(-dt / tuning.recovery_s)
    _watch_ringing(tuning, s, u, dt)
    if _is_above(tuning, s, u):
        if s.above_s == 0.0:
            s.onset_s = time_s - dt  # it began since the last scan
        s.above_s += dt
        if s.above_s >= tuning.confirm_s:
            _begin_contact(s)
            return CONTACT_BEGAN
        return 0
    s.above_s = 0.0
    _watch_held(tuning, s, u, dt)
    _remember_pull(tuning, s, dt)
    if s.held_s == 0.0:  # else something may hold the finger back, which is not to be learnt as its zero
        learn_zero(tuning, touch, s, u, dt)
    return 0


@compiled
def _is_above(tuning: Tuning, s: Record, u: Array) -> bool:
    """Return whether any test stands above its threshold, from every zero that counts."""
    for j in range(TESTS):
        high = s.d[j] > s.theta[j]
        if s.contacts > 0 and s.free_s < tuning.recovery_s:
            high = high and u[2] - s.zero_before > s.theta[j]
        if s.held == 1:
            high = high and u[2] - s.held_zero[2] > s.theta[j]
        if high:
            return True
    return False


@compiled
def _begin_contact(s: Record) -> None:
    s.in_contact = 1
    s.contacts += 1
    s.touch_s = 0.0
    s.above_s = 0.0
    s.below_s = 0.0
    s.fallen_s = 0.0
    s.peak = 0.0
    s.largest = 0.0
    s.sharp = 0
    s.zero_before = s.zero[2]


@compiled
def _watch_ringing(tuning: Tuning, s: Record, u: Array, dt: float) -> None:
    """Raise the thresholds while the finger swings: by its rms, and by half a swing that looked like a touch."""
    if s.swing_s < tuning.swing_back_s and u[2] < s.zero_before - tuning.swing_share * s.swing_peak:
        for j in range(TESTS):
            s.ring[j] = max(s.ring[j], 0.5 * s.swing_peak**2)
        s.swing_s = LONG_AGO_S
    if s.held == 0 and s.free_s > tuning.detect_s[2]:
        for j in range(TESTS):
            # what is far beyond any threshold is a touch, not ringing
            s.ring[j] = ema(s.ring[j], min(s.d[j] ** 2, (6.0 * s.theta0[j]) ** 2), dt, tuning.recovery_s)


@compiled
def _watch_held(tuning: Tuning, s: Record, u: Array, dt: float) -> None:
    """Watch for a force below zero: a pad cannot pull, so something holds the finger back elsewhere."""
    if s.held == 0:
        s.held_s = s.held_s + dt if s.d[1] < -s.theta0[1] else 0.0
        if s.held_s > tuning.held_s:
            s.held = 1
            s.held_s = 0.0
            s.held_for_s = 0.0
            for axis in range(3):
                s.held_zero[axis] = s.zero[axis]
        return
    s.held_for_s += dt
    if u[2] > s.held_zero[2] - 0.5 * s.theta0[1]:
        s.held = 0
        for axis in range(3):
            s.zero[axis] = s.held_zero[axis]
    elif s.held_for_s > tuning.drift_s:
        s.held = 0


@compiled
def _remember_pull(tuning: Tuning, s: Record, dt: float) -> None:
    """Keep how far the force stood below zero: what pulls there may go on unseen under a touch that comes now."""
    base = s.zero[2]
    s.pulled_s += dt
    if s.held == 1:
        base = s.held_zero[2]
        s.pulled_s = 0.0
    else:
        s.pulled *= np.exp(-dt / tuning.recovery_s)
    for j in range(TESTS):
        below = base - s.zero[2] - s.d[j]
        if below > 0.5 * s.theta[j]:
            s.pulled = max(s.pulled, below)


@compiled
def _advance_touched(tuning: Tuning, s: Record, u: Array, raw: float, warmth: float, dt: float) -> int:
    """Watch for the release: the force is gone, or fell and stays where the zero may have moved to."""
    s.touch_s += dt
    s.carried = max(s.carried, raw)
    s.largest = max(s.largest, raw)
    s.peak = max(s.peak * np.exp(-dt / tuning.recent_s), s.d[1])
    for j in range(TESTS):
        if s.edge[j] > 0.5 * s.theta[j]:  # it may have come before the threshold let the touch be claimed
            s.sharp = 1
    if s.sharp == 0 and s.touch_s > tuning.settled_s:
        for axis in range(3):
            s.zero[axis] = ema(s.zero[axis], u[axis], dt, tuning.zero_s)
    s.below_s = s.below_s + dt if raw < 0.5 * s.theta0[0] else 0.0
    rest = max(np.sqrt(s.theta0[1] ** 2 + 9.0 * warmth), tuning.fallen_share * s.peak)
    fallen = s.touch_s > tuning.settled_s and s.d[1] < 0.5 * s.peak and s.d[1] < rest
    s.fallen_s = s.fallen_s + dt if fallen else 0.0
    if s.below_s < tuning.release_s and s.fallen_s < tuning.fallen_s:
        return 0
    s.in_contact = 0
    s.free_s = 0.0
    if s.touch_s < tuning.swing_s and s.restart_s > s.touch_s + tuning.swing_s:
        s.swing_s = 0.0
        s.swing_peak = s.largest
    for j in range(TESTS):
        s.d[j] = s.slow[j] = raw  # the next edge is told against the free finger
    return CONTACT_ENDED


@compiled
def free_rows(
    tuning: Tuning, touch: Record, s: Record, time_s: Array, u: Array, p: Array, touched: Array, out: np.ndarray
) -> None:
    """Run the zero where contact is known; out are records of TRACK."""
    start_detector(s, p[0])
    for i in range(time_s.shape[0]):
        dt = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_activity(tuning, s, p[i], dt)
        raw = u[i, 2] - s.zero[2]
        set_thresholds(tuning, touch, s)
        for j in range(TESTS):
            s.d[j] = ema(s.d[j], raw, dt, tuning.detect_s[j])
        if touched[i]:
            s.in_contact = 1
            s.free_s = 0.0
            s.carried = max(s.carried, raw)
        else:
            if s.in_contact == 1:
                s.in_contact = 0
                for j in range(TESTS):
                    s.d[j] = raw
            s.free_s += dt
            s.carried *= np.exp(-dt / tuning.recovery_s)
            learn_zero(tuning, touch, s, u[i], dt)
        out[i].d[:] = s.d
        out[i].zero[:] = s.zero
        out[i].activity = s.activity
        out[i].carried = s.carried
