"""Health of channels and pressure: what may be used in this scan, and what is wrong with the rest.

Every limit comes from the calibration recordings (fastest change, longest run of equal readings) or is a time that
is promised to users; a channel that fails is left out, flagged, and taken back only after it has behaved for a while.
Source: layered checks (missing, stuck, jump), common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
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


class HealthState(NamedTuple):
    """What the checks remember; arrays are changed in place.

    Attributes
    ----------
    fault : numpy.ndarray, shape (c,)
        GOOD, OPEN, STUCK or SPIKE.
    last : numpy.ndarray, shape (c,)
        Last believed relative change (1); NaN = none yet.
    reading : numpy.ndarray, shape (c,)
        Last reading, believed or not (1).
    equal_run, miss_run, jump_run : numpy.ndarray, shape (c,)
        Length of the present run of equal, missing, unbelievable readings (scans).
    bad_since, good_since : numpy.ndarray, shape (c,)
        Times the present bad or good run began (s); NaN = none.
    pressure : numpy.ndarray, shape (8,)
        See the index constants below.
    """

    fault: Array
    last: Array
    reading: Array
    equal_run: Array
    miss_run: Array
    jump_run: Array
    bad_since: Array
    good_since: Array
    pressure: Array


LOAD = 0  # relative pressure in use (1)
AGE = 1  # time since the last believed reading (s)
LAST = 2  # last reading, believed or not (1)
EQUAL = 3  # run of equal readings
FAULT = 4  # 1 = not believed
DOUBT_S = 5  # how long readings have been unbelievable (s)
GAP = 6  # time since any reading (s)
LOST_S = 7  # how long the pressure has not been believed (s)


def new_health_state(channels: int) -> HealthState:
    """Return the state of a healthy finger at rest.

    Parameters
    ----------
    channels : int
        Number of channels (1).

    Returns
    -------
    HealthState
        All good.
    """
    nan = np.full(channels, np.nan)
    zero = np.zeros(channels)
    return HealthState(
        zero.copy(), nan.copy(), nan.copy(), zero.copy(), zero.copy(), zero.copy(), nan.copy(), nan.copy(), np.zeros(8)
    )


@compiled
def check_channels(
    limits: HealthLimits, memo: HealthState, now_s: float, dt_s: float, change: Array, expected: Array, used: Array
) -> bool:
    """Decide which channels of a scan may be used, in place.

    Parameters
    ----------
    limits : HealthLimits
        What is normal.
    memo : HealthState
        Changed in place.
    now_s, dt_s : float
        Time of the scan and since the last one (s).
    change : numpy.ndarray, shape (c,)
        Relative change (1); NaN = missing.
    expected : numpy.ndarray, shape (c,)
        Change of the free-bend model since the last scan (1); a quick pressure change explains a quick signal.
    used : numpy.ndarray, shape (c,)
        Overwritten with 1 where the channel may be used.

    Returns
    -------
    bool
        True if a reading was rejected in this scan.
    """
    rejected = False
    for i in range(change.shape[0]):
        value = change[i]
        bad = GOOD
        present = np.isfinite(value)
        if not present:
            memo.miss_run[i] += 1.0
            if memo.miss_run[i] >= 3.0:
                bad = OPEN
        else:
            memo.miss_run[i] = 0.0
            if value == memo.reading[i]:
                memo.equal_run[i] += 1.0
            else:
                memo.equal_run[i] = 0.0
            memo.reading[i] = value
            if not (limits.low[i] <= value <= limits.high[i]):
                bad = OPEN
            elif memo.equal_run[i] > limits.equal_limit[i]:
                bad = STUCK
            elif np.isfinite(memo.last[i]):
                stretch = np.sqrt(max(1.0, min(dt_s / limits.step_s, 25.0)))
                allowed = limits.step_limit[i] * stretch * (1.0 + 0.5 * memo.jump_run[i]) + abs(expected[i])
                if not abs(value - memo.last[i]) <= allowed:
                    bad = SPIKE
                    memo.jump_run[i] += 1.0
            if bad != SPIKE:
                memo.jump_run[i] = 0.0
        if bad == GOOD:
            if np.isnan(memo.good_since[i]):
                memo.good_since[i] = now_s
            if present:
                memo.last[i] = value
            if memo.fault[i] != GOOD and now_s - memo.good_since[i] >= RECOVER_S:
                memo.fault[i] = GOOD
            memo.bad_since[i] = np.nan
        else:
            rejected = rejected or present
            memo.good_since[i] = np.nan
            if np.isnan(memo.bad_since[i]):
                memo.bad_since[i] = now_s
            if bad != SPIKE or memo.jump_run[i] >= 3.0:  # one wild sample costs itself only, not the channel
                memo.fault[i] = bad
        used[i] = 1.0 if (present and bad == GOOD and memo.fault[i] == GOOD) else 0.0
    return rejected


@compiled
def check_pressure(limits: HealthLimits, memo: HealthState, dt_s: float, reading: float, bent: float) -> float:
    """Decide which relative pressure to use and return its variance; the value is memo.pressure[LOAD].

    A reading that moves faster than any valve is not believed until the channels agree or it comes back; a missing or
    frozen one is replaced by the last good one with growing variance.

    Parameters
    ----------
    limits : HealthLimits
        What is normal.
    memo : HealthState
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
    p = memo.pressure
    p[AGE] += dt_s
    p[GAP] += dt_s
    if np.isfinite(reading):
        if reading == p[LAST]:
            p[EQUAL] += 1.0
        else:
            p[EQUAL] = 0.0
        p[LAST] = reading
        p[GAP] = 0.0
    fault = 0.0
    if p[GAP] > limits.pressure_timeout_s or p[EQUAL] > limits.pressure_equal_limit:
        fault = 1.0
    elif np.isfinite(reading) or p[DOUBT_S] > 0.0:
        allowed = limits.pressure_rate * (p[AGE] + 0.01) + 6.0 * limits.pressure_noise
        if not abs(p[LAST] - p[LOAD]) <= allowed or (p[DOUBT_S] > 0.0 and abs(p[LAST] - p[LOAD]) > 0.05):
            p[DOUBT_S] += dt_s
            # where the channels do not tell, a sensor that moves is believed in the end, one that reads the same is not
            agreed = abs(bent - p[LAST]) < abs(bent - p[LOAD]) if np.isfinite(bent) else p[EQUAL] < 3.0
            if p[DOUBT_S] > 0.3 and agreed:
                p[DOUBT_S] = 0.0
            else:
                fault = 1.0
        else:
            p[DOUBT_S] = 0.0
    if fault > 0.0:
        p[LOST_S] += dt_s
    else:
        p[LOST_S] = 0.0
        if np.isfinite(reading):
            p[LOAD] = reading
            p[AGE] = 0.0
    p[FAULT] = fault
    if fault > 0.0:
        return float((0.02 + 0.2 * p[LOST_S]) ** 2)
    return float((0.2 * limits.pressure_rate * max(0.0, p[AGE] - limits.pressure_timeout_s)) ** 2)
