"""Slip: shear falls abruptly when an object breaks loose, because it slides with less friction than it sticks with.

A stuck object and the pad's shear spring are a spring and a mass: shear swings, and falls no more quickly than it rose.
An object that breaks loose drops from the static to the kinetic friction limit within a few milliseconds, once or, in
stick-slip, again and again. A slip is called where shear falls, under a steady normal force, more quickly than it rose
before, or by more than a swing makes.

Source: static and kinetic friction, stick-slip, Bowden & Tabor, The Friction and Lubrication of Solids (1950) (from
memory); the test is our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

FALL_S = 0.002
"""Memory of the highest and lowest shear (s): what changes more slowly is the swing of a stuck object."""

SLOWEST_SCAN_S = 0.012
"""Time between scans beyond which a swing and a fall are not told apart (s)."""

STEADY_S = 0.3
"""How long a contact must have lasted before slip is judged (s), and memory of its shear and normal force."""

STEADY_SHARE = 0.9
"""Share of its recent level that the normal force must keep (1); below it the grip opens."""

FALL_SHARE = 0.033
FALL_N = 0.04
"""Fall of shear that no swing makes: per normal force (1), and least (N)."""

LEAST_SHARE = 0.015
LEAST_N = 0.02
"""Smallest fall of shear that is a slip if it is quicker than any rise before: per normal force (1), and least (N)."""

RISE_S = 0.3
"""Memory of the quickest rise (s): a swing never falls more quickly than it rose, what breaks loose does."""

QUICKER = 1.1
"""How much more quickly it must fall, for noise (1)."""

LOOSE_S = 0.1
"""Time without a further fall after which the object counts as stuck again (s)."""

PROBABILITY = 0
FRICTION_USE = 1
TOP = 2  # recent highest and lowest departure of the shear from its level (N)
LOW = 3
RISE = 4  # quickest recent rise (N)
TOP_Z = 5  # recent highest normal force (N)
LEVEL_X = 6  # shear and normal force, slowly (N)
LEVEL_Y = 7
LEVEL_Z = 8
HIGHEST = 9  # highest shear over normal force this contact has carried (1)
BEGAN = 10  # begin of the contact (s)
LOOSE = 11  # last fall (s); NaN = stuck
SIZE = 12


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
    scalar[LOOSE] = np.nan
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
        A slip begins.
    """
    s = memo.scalar
    if not touched or not np.isfinite(fx) or not np.isfinite(fy) or not fz > 0.0:
        _reset(s, now_s, fx, fy, fz)
        return False
    shear = np.hypot(fx, fy)
    ratio = shear / max(fz, 0.05)
    s[HIGHEST] = max(s[HIGHEST] * np.exp(-dt_s / 5.0), ratio)
    s[FRICTION_USE] = ratio / s[HIGHEST] if s[HIGHEST] > 0.0 else np.nan
    away = np.hypot(fx - s[LEVEL_X], fy - s[LEVEL_Y])
    # what a falling normal force explains is no slip
    fall = s[TOP] - away - min(ratio, 1.0) * max(s[TOP_Z] - fz, 0.0)
    least = min(max(FALL_SHARE * fz, FALL_N), max(LEAST_SHARE * fz, LEAST_N, QUICKER * s[RISE]))
    steady = now_s - s[BEGAN] > STEADY_S and fz > STEADY_SHARE * s[LEVEL_Z]
    s[RISE] = max(s[RISE] * np.exp(-dt_s / RISE_S), away - s[LOW])
    keep = np.exp(-dt_s / FALL_S)
    s[TOP] = away + keep * max(s[TOP] - away, 0.0)
    s[LOW] = away - keep * max(away - s[LOW], 0.0)
    s[TOP_Z] = fz + keep * max(s[TOP_Z] - fz, 0.0)
    slow = 1.0 - np.exp(-dt_s / STEADY_S)
    s[LEVEL_X] += slow * (fx - s[LEVEL_X])
    s[LEVEL_Y] += slow * (fy - s[LEVEL_Y])
    s[LEVEL_Z] += slow * (fz - s[LEVEL_Z])
    if dt_s > SLOWEST_SCAN_S:
        s[PROBABILITY] = np.nan
        return False
    s[PROBABILITY] = 1.0 / (1.0 + np.exp(-8.0 * (fall / least - 1.0))) if steady else 0.0
    stuck = np.isnan(s[LOOSE])
    if not stuck and now_s - s[LOOSE] > LOOSE_S:
        s[LOOSE] = np.nan
    if not steady or fall < least:
        s[PROBABILITY] = max(s[PROBABILITY], 0.0 if np.isnan(s[LOOSE]) else 0.5)
        return False
    s[LOOSE] = now_s
    return bool(stuck)


@compiled
def _reset(scalar: Array, now_s: float, fx: float, fy: float, fz: float) -> None:
    """Forget everything: nothing touches, or shear is not observed."""
    observed = np.isfinite(fx) and np.isfinite(fy)
    scalar[:] = 0.0
    scalar[PROBABILITY] = 0.0 if observed else np.nan
    scalar[FRICTION_USE] = np.nan
    scalar[BEGAN] = now_s
    scalar[LOOSE] = np.nan
    if observed:
        scalar[LEVEL_X] = fx
        scalar[LEVEL_Y] = fy
        scalar[TOP_Z] = fz if np.isfinite(fz) else 0.0
        scalar[LEVEL_Z] = scalar[TOP_Z]
