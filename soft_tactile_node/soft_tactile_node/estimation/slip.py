"""Slip: a stuck object rings on the pad's shear spring when it is loaded, a sliding one cannot.

When a stuck object is suddenly loaded, shear overshoots and swings about its new value, because pad and object are a
spring and a mass. When the load exceeds friction, shear runs into the friction limit instead and stays there, flat: the
object slides on. A slip is called where a quick rise of shear under steady normal force ends without a swing. A shear
that rises slowly shows neither and is not judged.

Source: stick-slip of a spring-loaded mass, Bowden & Tabor, The Friction and Lubrication of Solids (1950) (from memory);
the test is our own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled

QUICK_S = 0.004
"""Smoothing of the shear (s)."""

RATE_S = 0.01
"""Time over which its rate is taken (s)."""

STEADY_S = 0.3
"""How long a contact must have lasted before slip is judged (s)."""

RISE_RATE_N_S = 1.4
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

STILL_SLIDES = 0.95
"""Share of the friction limit (1) below which an object that has slid is stuck again."""

IDLE = 0
RISING = 1
WATCHING = 2
PAUSING = 3

SLIP = np.dtype(
    [
        # shares (1)
        ("probability", "f8"),
        ("friction_use", "f8"),
        ("limit", "f8"),  # shear over normal force at which this contact has slid; NaN = it has not yet
        # force (N): smoothed, smoothed further, before the rise
        ("quick_x", "f8"),
        ("quick_y", "f8"),
        ("late_x", "f8"),
        ("late_y", "f8"),
        ("base_x", "f8"),
        ("base_y", "f8"),
        ("base_z", "f8"),
        # the rise that is judged: its size (N), its highest rate (N/s), lowest and highest shear after it (N)
        ("rise", "f8"),
        ("top_rate", "f8"),
        ("low", "f8"),
        ("high", "f8"),
        # begin of contact and phase (s)
        ("began_s", "f8"),
        ("since_s", "f8"),
        ("phase", "i8"),
    ]
)
"""What the slip detector remembers."""


def new_slip() -> np.ndarray:
    """Return the state before any contact, shape (1,): a record of SLIP."""
    state = np.zeros(1, SLIP)
    state["probability"] = state["friction_use"] = state["limit"] = np.nan
    return state


@compiled
def watch_slip(s: Record, now_s: float, dt_s: float, touched: bool, fx: float, fy: float, fz: float) -> bool:
    """Take one scan into account and return True when a slip is called.

    Parameters
    ----------
    s : record of SLIP
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
    if not touched or not np.isfinite(fx) or not np.isfinite(fy) or not fz > 0.0:
        _reset(s, now_s, fx, fy, fz)
        return False
    quick = 1.0 - np.exp(-dt_s / QUICK_S)
    late = 1.0 - np.exp(-dt_s / RATE_S)
    s.quick_x += quick * (fx - s.quick_x)
    s.quick_y += quick * (fy - s.quick_y)
    s.late_x += late * (s.quick_x - s.late_x)
    s.late_y += late * (s.quick_y - s.late_y)
    rate = np.hypot(s.quick_x - s.late_x, s.quick_y - s.late_y) / RATE_S
    rise = np.hypot(s.quick_x - s.base_x, s.quick_y - s.base_y)
    ratio = np.hypot(s.quick_x, s.quick_y) / max(fz, 0.05)
    s.friction_use = ratio / s.limit
    age_s = now_s - s.since_s
    if s.phase == IDLE:
        s.probability = 0.0
        slow = 1.0 - np.exp(-dt_s / 0.1)
        s.base_x += slow * (s.quick_x - s.base_x)
        s.base_y += slow * (s.quick_y - s.base_y)
        s.base_z += slow * (fz - s.base_z)
        if rate > RISE_RATE_N_S and now_s - s.began_s > STEADY_S:
            _enter(s, RISING, now_s)
            s.top_rate = rate
    elif s.phase == RISING:
        s.top_rate = max(s.top_rate, rate)
        if age_s > LONGEST_RISE_S:
            _enter(s, PAUSING, now_s)
        elif rate < 0.25 * s.top_rate:
            steady = abs(fz - s.base_z) < 0.8 * rise
            large = rise > max(LEAST_RISE_N, LEAST_RISE_N * fz)
            loaded = np.hypot(s.quick_x, s.quick_y) > np.hypot(s.base_x, s.base_y)  # setting down is no slip
            _enter(s, WATCHING if steady and large and loaded else PAUSING, now_s)
            s.low = np.inf
            s.high = -np.inf
            s.rise = rise
    elif s.phase == WATCHING:
        s.probability = 0.5
        if age_s > SETTLE_S:
            # per normal force: a grip that is tightened meanwhile moves the friction limit, and shear with it
            level = ratio * max(s.base_z, 0.05)
            s.low = min(s.low, level)
            s.high = max(s.high, level)
        # a controller that heard of the slip from another finger tightens the grip: what was seen so far must do
        answered = age_s > LEAST_WATCH_S and fz > TIGHTENED * s.base_z
        if age_s > WATCH_S or answered:
            slides = s.high - s.low < SWING_SHARE * s.rise + SWING_N
            _enter(s, PAUSING, now_s)
            s.limit = 0.5 * (s.low + s.high) / max(s.base_z, 0.05) if slides else s.limit
            s.probability = 1.0 if slides else 0.0
            return bool(slides)
    elif age_s <= PAUSE_S:
        if not s.friction_use > STILL_SLIDES:  # a grip that is firm enough lets shear stay behind the normal force
            s.probability = 0.0
    else:
        _enter(s, IDLE, now_s)
        s.base_x = s.quick_x
        s.base_y = s.quick_y
        s.base_z = fz
    return False


@compiled
def _enter(s: Record, phase: int, now_s: float) -> None:
    """Begin a phase."""
    s.phase = phase
    s.since_s = now_s


@compiled
def _reset(s: Record, now_s: float, fx: float, fy: float, fz: float) -> None:
    """Forget everything: nothing touches, or shear is not observed."""
    observed = np.isfinite(fx) and np.isfinite(fy)
    s.probability = 0.0 if observed else np.nan
    s.friction_use = np.nan
    s.limit = np.nan
    s.began_s = now_s
    s.quick_x = s.late_x = s.base_x = fx if observed else 0.0
    s.quick_y = s.late_y = s.base_y = fy if observed else 0.0
    s.base_z = fz if observed and np.isfinite(fz) else 0.0
    _enter(s, IDLE, now_s)
