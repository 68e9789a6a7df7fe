"""Health of channels and pressure: what may be used in this scan, and what is wrong with the rest.

Every limit comes from the calibration recordings (fastest change, longest run of equal readings) or is a time that
is promised to users; a channel that fails is left out, flagged, and taken back only after it has behaved for a while.
Source: layered checks (missing, stuck, jump), common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.samples import Array

GOOD = 0
OPEN = 1
STUCK = 2
SPIKE = 3

RECOVER_S = 0.25
"""How long a channel must behave before it is used again (s)."""


class HealthLimits(NamedTuple):
    """What is normal for this pad, from its calibration.

    Attributes
    ----------
    step_limit : numpy.ndarray, shape (c,)
        Largest believable change between two scans of nominal distance (1).
    step_s : float
        That nominal distance (s).
    equal_limit : numpy.ndarray, shape (c,)
        Longest believable run of equal readings (scans); infinite = cannot be told.
    low, high : numpy.ndarray, shape (c,)
        Believable relative change (1).
    pressure_equal_limit : float
        Longest believable run of equal pressure readings (readings); infinite = cannot be told.
    pressure_rate : float
        Fastest believable change of relative pressure (1/s).
    pressure_timeout_s : float
        Longest believable gap between pressure readings (s).
    pressure_noise : float
        Noise of the relative pressure (1).
    """

    step_limit: Array
    step_s: float
    equal_limit: Array
    low: Array
    high: Array
    pressure_equal_limit: float
    pressure_rate: float
    pressure_timeout_s: float
    pressure_noise: float


CHANNEL = np.dtype(
    [
        ("last", "f8"),  # last believed relative change (1); NaN = none yet
        ("reading", "f8"),  # last reading, believed or not (1)
        ("good_since_s", "f8"),  # begin of the present good run (s); NaN = none
        # length of the present run of equal, missing, unbelievable readings (scans)
        ("equal_run", "i8"),
        ("miss_run", "i8"),
        ("jump_run", "i8"),
        ("fault", "i8"),  # GOOD, OPEN, STUCK or SPIKE
        ("used", "i8"),  # 1 = used in this scan
    ]
)
"""What the checks remember of a channel."""

PRESSURE = np.dtype(
    [
        ("level", "f8"),  # relative pressure in use (1)
        ("last", "f8"),  # last reading, believed or not (1)
        ("age_s", "f8"),  # time since the last believed reading, since any reading (s)
        ("gap_s", "f8"),
        ("doubt_s", "f8"),  # how long readings have been unbelievable (s)
        ("lost_s", "f8"),  # how long the pressure has not been believed (s)
        ("equal_run", "i8"),  # length of the present run of equal readings
        ("fault", "i8"),  # 1 = not believed
    ]
)
"""What the checks remember of the pressure."""


def new_channels(channels: int) -> np.ndarray:
    """Return the state of `channels` (1) healthy channels at rest, shape (c,): records of CHANNEL."""
    state = np.zeros(channels, CHANNEL)
    state["used"] = 1
    for name in ("last", "reading", "good_since_s"):
        state[name] = np.nan
    return state


@compiled
def check_channels(limits: HealthLimits, channels: np.ndarray, now_s: float, dt_s: float, change: Array) -> bool:
    """Decide which channels of a scan may be used, in place.

    Parameters
    ----------
    limits : HealthLimits
        What is normal.
    channels : numpy.ndarray, shape (c,)
        Records of CHANNEL, changed in place.
    now_s, dt_s : float
        Time of the scan and since the last one (s).
    change : numpy.ndarray, shape (c,)
        Relative change (1); NaN = missing.

    Returns
    -------
    bool
        True if a reading was rejected in this scan.
    """
    rejected = False
    for i in range(change.shape[0]):
        s = channels[i]
        value = change[i]
        bad = GOOD
        present = np.isfinite(value)
        if not present:
            s.miss_run += 1
            if s.miss_run >= 3:
                bad = OPEN
        else:
            s.miss_run = 0
            if value == s.reading:
                s.equal_run += 1
            else:
                s.equal_run = 0
            s.reading = value
            if not (limits.low[i] <= value <= limits.high[i]):
                bad = OPEN
            elif s.equal_run > limits.equal_limit[i]:
                bad = STUCK
            elif np.isfinite(s.last):
                stretch = np.sqrt(max(1.0, min(dt_s / limits.step_s, 25.0)))
                allowed = limits.step_limit[i] * stretch * (1.0 + 0.5 * s.jump_run)
                if not abs(value - s.last) <= allowed:
                    bad = SPIKE
                    s.jump_run += 1
            if bad != SPIKE:
                s.jump_run = 0
        if bad == GOOD:
            if np.isnan(s.good_since_s):
                s.good_since_s = now_s
            if present:
                s.last = value
            if s.fault != GOOD and now_s - s.good_since_s >= RECOVER_S:
                s.fault = GOOD
        else:
            rejected = rejected or present
            s.good_since_s = np.nan
            if bad != SPIKE or s.jump_run >= 3:  # one wild sample costs itself only, not the channel
                s.fault = bad
        s.used = 1 if (present and bad == GOOD and s.fault == GOOD) else 0
    return rejected


@compiled
def check_pressure(limits: HealthLimits, p: Record, dt_s: float, reading: float, bent: float) -> float:
    """Decide which relative pressure to use and return its variance; the value is `level`.

    A reading that moves faster than any valve is not believed until the channels agree or it comes back; a missing or
    frozen one is replaced by the last good one with growing variance.

    Parameters
    ----------
    limits : HealthLimits
        What is normal.
    p : record of PRESSURE
        Changed in place.
    dt_s : float
        Time since the last scan (s).
    reading : float
        Relative pressure (1); NaN = no new reading.
    bent : float
        Relative pressure the channels ask for (1), as far as they tell; NaN = they do not.

    Returns
    -------
    float
        Variance of the relative pressure in use (1).
    """
    p.age_s += dt_s
    p.gap_s += dt_s
    if np.isfinite(reading):
        if reading == p.last:
            p.equal_run += 1
        else:
            p.equal_run = 0
        p.last = reading
        p.gap_s = 0.0
    fault = 0
    if p.gap_s > limits.pressure_timeout_s or p.equal_run > limits.pressure_equal_limit:
        fault = 1
    elif np.isfinite(reading) or p.doubt_s > 0.0:
        allowed = limits.pressure_rate * (p.age_s + 0.01) + 6.0 * limits.pressure_noise
        if not abs(p.last - p.level) <= allowed or (p.doubt_s > 0.0 and abs(p.last - p.level) > 0.05):
            p.doubt_s += dt_s
            # where the channels do not tell, a sensor that moves is believed in the end, one that reads the same is not
            agreed = abs(bent - p.last) < abs(bent - p.level) if np.isfinite(bent) else p.equal_run < 3
            if p.doubt_s > 0.3 and agreed:
                p.doubt_s = 0.0
            else:
                fault = 1
        else:
            p.doubt_s = 0.0
    if fault == 1:
        p.lost_s += dt_s
    else:
        p.lost_s = 0.0
        if np.isfinite(reading):
            p.level = reading
            p.age_s = 0.0
    p.fault = fault
    if fault == 1:
        return float((0.02 + 0.2 * p.lost_s) ** 2)
    return float((0.2 * limits.pressure_rate * max(0.0, p.age_s - limits.pressure_timeout_s)) ** 2)
