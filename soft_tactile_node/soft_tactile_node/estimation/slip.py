"""Slip: the shear force stops growing, or falls, although it was being loaded - the object moves on the pad.

While an object sticks, shear follows its motion; when it slides, shear sits at the friction limit, and the ratio of
shear to normal force jumps from rising to flat or falling. The detector follows a quick and a slow average of that
ratio and calls a slip when a fast shear change meets a ratio near the highest this contact has carried.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array


class SlipState(NamedTuple):
    """What the detector remembers; the array is changed in place.

    Attributes
    ----------
    scalar : numpy.ndarray, shape (10,)
        Slip probability, friction use, quick shear x, y (N), slow shear x, y (N), highest ratio (1), time of the last
        slip (s), time the contact began (s), smoothed normal force (N).
    """

    scalar: Array


def new_slip_state() -> SlipState:
    """Return the state before any contact.

    Returns
    -------
    SlipState
        Not observed.
    """
    scalar = np.zeros(10)
    scalar[0] = np.nan
    scalar[1] = np.nan
    scalar[7] = -np.inf
    return SlipState(scalar)


@compiled
def watch_slip(
    memo: SlipState, now_s: float, dt_s: float, touched: bool, fx: float, fy: float, fz: float
) -> bool:
    """Take one scan into account and return True when a slip begins.

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
        A slip begins.
    """
    s = memo.scalar
    if not touched or not np.isfinite(fx) or not np.isfinite(fy) or not fz > 0.0:
        s[0] = np.nan if not np.isfinite(fx) else 0.0
        s[1] = np.nan
        s[6] = 0.0
        s[8] = now_s
        s[2] = fx if np.isfinite(fx) else 0.0
        s[3] = fy if np.isfinite(fy) else 0.0
        s[4] = s[2]
        s[5] = s[3]
        return False
    quick = 1.0 - np.exp(-dt_s / 0.01)
    slow = 1.0 - np.exp(-dt_s / 0.06)
    s[2] += quick * (fx - s[2])
    s[3] += quick * (fy - s[3])
    s[4] += slow * (fx - s[4])
    s[5] += slow * (fy - s[5])
    shear = np.sqrt(s[2] * s[2] + s[3] * s[3])
    ratio = shear / max(fz, 0.05)
    s[6] = max(s[6] * np.exp(-dt_s / 5.0), ratio)
    s[1] = min(ratio / s[6], 1.5) if s[6] > 0.0 else np.nan
    s[0] = 0.0
    return False
