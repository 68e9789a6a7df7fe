"""Slip: a stuck object rings on the pad's shear spring when it is loaded, a sliding one cannot.

When a stuck object is suddenly loaded, shear overshoots and swings about its new value, because pad and object are a
spring and a mass. When the load exceeds friction, shear runs into the friction limit instead and stays there, flat: the
object slides on. A slip is called where a quick rise of shear under steady normal force ends without a swing. A shear
that rises slowly shows neither and is not judged.

Source: stick-slip of a spring-loaded mass, Bowden & Tabor, The Friction and Lubrication of Solids (1950) (from memory);
the test is our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

QUICK_S = 0.004
"""Smoothing of the shear (s)."""

RATE_S = 0.01
"""Time over which its rate is taken (s)."""

STEADY_S = 0.3
"""How long a contact must have lasted before slip is judged (s)."""

RISE_RATE_N_S = 2.0
"""Rate of shear that begins a quick rise (N/s)."""

LONGEST_RISE_S = 0.15
"""A rise that lasts longer is not quick (s)."""

LEAST_RISE_N = 0.05
"""Smallest rise that is judged (N), and its smallest share of the normal force (1)."""

SETTLE_S = 0.02
WATCH_S = 0.055
"""Begin and end of the watch for a swing, after the rise has ended (s)."""

LEAST_WATCH_S = 0.03
TIGHTENED = 1.06
"""After the first (s), a normal force of this many times the earlier one (1) ends the watch."""

SWING_SHARE = 0.1
SWING_N = 0.006
"""Swing below which the object slides: share of the rise (1), plus what noise makes (N)."""

PAUSE_S = 0.3
"""Pause before the next slip can be called (s)."""

IDLE = 0.0
RISING = 1.0
WATCHING = 2.0
PAUSING = 3.0

PROBABILITY = 0
FRICTION_USE = 1
QUICK_X = 2
QUICK_Y = 3
LATE_X = 4
LATE_Y = 5
BASE_X = 6
BASE_Y = 7
BASE_Z = 8
HIGHEST = 9  # highest shear over normal force this contact has carried (1)
PHASE = 10
SINCE = 11  # begin of the phase (s)
TOP_RATE = 12
LOW = 13  # lowest and highest shear at the watched normal force (N)
HIGH = 14
BEGAN = 15  # begin of the contact (s)
RISE = 16  # size of the rise that is judged (N)
SIZE = 17


class SlipState(NamedTuple):
    """What the detector remembers; the array is changed in place.

    Attributes
    ----------
    scalar : numpy.ndarray, shape (SIZE,)
        See the index constants.
    """

    scalar: Array


def new_slip_state() -> SlipState:
    """Return the state before any contact.

    Returns
    -------
    SlipState
        Not observed.
    """
    scalar = np.zeros(SIZE)
    scalar[PROBABILITY] = np.nan
    scalar[FRICTION_USE] = np.nan
    return SlipState(scalar)


@compiled
def watch_slip(memo: SlipState, now_s: float, dt_s: float, touched: bool, fx: float, fy: float, fz: float) -> bool:
    """Take one scan into account and return True when a slip is called.

    Parameters
    ----------
    memo : SlipState
        Changed in place.
    now_s, dt_s : float
        Time of the scan and since the last one (s).
    touched : bool
        The pad is touched.
    fx, fy, fz : float
        Force (N); NaN = not observed.

    Returns
    -------
    bool
        A slip began within the last tenth of a second.
    """
    s = memo.scalar
    if not touched or not np.isfinite(fx) or not np.isfinite(fy) or not fz > 0.0:
        _reset(s, now_s, fx, fy, fz)
        return False
    quick = 1.0 - np.exp(-dt_s / QUICK_S)
    late = 1.0 - np.exp(-dt_s / RATE_S)
    s[QUICK_X] += quick * (fx - s[QUICK_X])
    s[QUICK_Y] += quick * (fy - s[QUICK_Y])
    s[LATE_X] += late * (s[QUICK_X] - s[LATE_X])
    s[LATE_Y] += late * (s[QUICK_Y] - s[LATE_Y])
    rate = np.hypot(s[QUICK_X] - s[LATE_X], s[QUICK_Y] - s[LATE_Y]) / RATE_S
    rise = np.hypot(s[QUICK_X] - s[BASE_X], s[QUICK_Y] - s[BASE_Y])
    ratio = np.hypot(s[QUICK_X], s[QUICK_Y]) / max(fz, 0.05)
    s[HIGHEST] = max(s[HIGHEST] * np.exp(-dt_s / 5.0), ratio)
    s[FRICTION_USE] = ratio / s[HIGHEST] if s[HIGHEST] > 0.0 else np.nan
    age_s = now_s - s[SINCE]
    if s[PHASE] == IDLE:
        s[PROBABILITY] = 0.0
        slow = 1.0 - np.exp(-dt_s / 0.1)
        s[BASE_X] += slow * (s[QUICK_X] - s[BASE_X])
        s[BASE_Y] += slow * (s[QUICK_Y] - s[BASE_Y])
        s[BASE_Z] += slow * (fz - s[BASE_Z])
        if rate > RISE_RATE_N_S and now_s - s[BEGAN] > STEADY_S:
            _enter(s, RISING, now_s)
            s[TOP_RATE] = rate
    elif s[PHASE] == RISING:
        s[TOP_RATE] = max(s[TOP_RATE], rate)
        if age_s > LONGEST_RISE_S:
            _enter(s, PAUSING, now_s)
        elif rate < 0.25 * s[TOP_RATE]:
            steady = abs(fz - s[BASE_Z]) < 0.8 * rise
            large = rise > max(LEAST_RISE_N, LEAST_RISE_N * fz)
            loaded = np.hypot(s[QUICK_X], s[QUICK_Y]) > np.hypot(s[BASE_X], s[BASE_Y])  # setting down is no slip
            _enter(s, WATCHING if steady and large and loaded else PAUSING, now_s)
            s[LOW] = np.inf
            s[HIGH] = -np.inf
            s[RISE] = rise
    elif s[PHASE] == WATCHING:
        s[PROBABILITY] = 0.5
        if age_s > SETTLE_S:
            # per normal force: a grip that is tightened meanwhile moves the friction limit, and shear with it
            level = ratio * max(s[BASE_Z], 0.05)
            s[LOW] = min(s[LOW], level)
            s[HIGH] = max(s[HIGH], level)
        # a controller that heard of the slip from another finger tightens the grip: what was seen so far must do
        answered = age_s > LEAST_WATCH_S and fz > TIGHTENED * s[BASE_Z]
        if age_s > WATCH_S or answered:
            slides = s[HIGH] - s[LOW] < SWING_SHARE * s[RISE] + SWING_N
            _enter(s, PAUSING, now_s)
            s[PROBABILITY] = 1.0 if slides else 0.0
            return bool(slides)
    elif age_s > PAUSE_S:
        _enter(s, IDLE, now_s)
        s[BASE_X] = s[QUICK_X]
        s[BASE_Y] = s[QUICK_Y]
        s[BASE_Z] = fz
    return False


@compiled
def _enter(scalar: Array, phase: float, now_s: float) -> None:
    """Begin a phase."""
    scalar[PHASE] = phase
    scalar[SINCE] = now_s


@compiled
def _reset(scalar: Array, now_s: float, fx: float, fy: float, fz: float) -> None:
    """Forget everything: nothing touches, or shear is not observed."""
    observed = np.isfinite(fx) and np.isfinite(fy)
    scalar[:] = 0.0
    scalar[PROBABILITY] = 0.0 if observed else np.nan
    scalar[FRICTION_USE] = np.nan
    scalar[SINCE] = now_s
    scalar[BEGAN] = now_s
    if observed:
        scalar[QUICK_X] = fx
        scalar[QUICK_Y] = fy
        scalar[LATE_X] = fx
        scalar[LATE_Y] = fy
        scalar[BASE_X] = fx
        scalar[BASE_Y] = fy
        scalar[BASE_Z] = fz if np.isfinite(fz) else 0.0
