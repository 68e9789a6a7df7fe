"""What the history of the pressure says of the bend: terms that every channel of a free finger is linear in.

Static curve (powers), hysteresis (play operators and their squares), rate dependence and creep (first-order lags of the
pressure and of its square), and the lag of a cell that fills faster than it empties.

Source: play operators, Krasnosel'skii & Pokrovskii, Systems with Hysteresis (1989); lags as a discretised relaxation
spectrum, Ferry, Viscoelastic Properties of Polymers (1980); the combination is our own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.estimation.tuning import Tuning
from soft_tactile_node.samples import Array

POWERS = 4
"""Powers of the pressure in the static curve."""

CELL_TERMS = 4
"""Terms of the cell's lag: three powers and a play operator."""

CELL_PLAY = 3
"""Which play operator the cell's lag follows."""


def count_terms(tuning: Tuning) -> int:
    """Return the number of terms; the radii and times of `tuning` say how many (1)."""
    return POWERS + 2 * len(tuning.play_radius) + 2 * len(tuning.creep_s) + CELL_TERMS


def new_drive(tuning: Tuning) -> np.ndarray:
    """Return what the recursion remembers, shape (1,): a record with room for the radii and times of `tuning`."""
    return np.zeros(
        1,
        np.dtype(
            [
                ("quick", "f8"),  # the pressure, low-passed by the finger's own quickest lag
                ("play", "f8", (len(tuning.play_radius),)),
                ("lag", "f8", (len(tuning.creep_s),)),
                ("square_lag", "f8", (len(tuning.creep_s),)),
                ("cell", "f8", (CELL_TERMS,)),
            ]
        ),
    )


@compiled
def rest_drive(tuning: Tuning, s: Record, p: float) -> None:
    """Set the memory to a finger that has long been at one relative pressure, reached from below, in place."""
    s.quick = p
    for r in range(len(tuning.play_radius)):
        s.play[r] = max(0.0, p - tuning.play_radius[r])
    s.lag[:] = p
    s.square_lag[:] = p * p
    power = 1.0
    for j in range(CELL_TERMS - 1):
        power *= p
        s.cell[j] = power
    s.cell[CELL_TERMS - 1] = s.play[CELL_PLAY]


@compiled
def advance_drive(tuning: Tuning, s: Record, terms: Array, p: float, dt: float) -> None:
    """Advance the memory by one scan at relative pressure p and write the terms, in place."""
    s.quick += (1.0 - np.exp(-dt / tuning.quick_s)) * (p - s.quick)
    q = s.quick
    power = 1.0
    k = 0
    for _ in range(POWERS):
        power *= q
        terms[k] = power
        k += 1
    for r in range(len(tuning.play_radius)):
        radius = tuning.play_radius[r]
        s.play[r] = held = max(q - radius, min(q + radius, s.play[r]))
        terms[k] = held
        terms[k + 1] = held * held
        k += 2
    for j in range(len(tuning.creep_s)):
        gain = 1.0 - np.exp(-dt / tuning.creep_s[j])
        s.lag[j] += gain * (q - s.lag[j])
        s.square_lag[j] += gain * (q * q - s.square_lag[j])
        terms[k] = s.lag[j]
        terms[k + 1] = s.square_lag[j]
        k += 2
    fill = 1.0 - np.exp(-dt / tuning.fill_s)
    empty = 1.0 - np.exp(-dt / tuning.empty_s)
    for j in range(CELL_TERMS):
        gap = (terms[j] if j < CELL_TERMS - 1 else s.play[CELL_PLAY]) - s.cell[j]
        s.cell[j] += (fill if gap > 0.0 else empty) * gap
        terms[k] = s.cell[j]
        k += 1


@compiled
def drive_rows(tuning: Tuning, time_s: Array, p: Array, s: Record, count: int) -> Array:
    """Return the terms of a recording that starts at rest, one row a scan; s is scratch space."""
    terms = np.zeros((time_s.shape[0], count))
    rest_drive(tuning, s, p[0])
    for i in range(time_s.shape[0]):
        dt = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_drive(tuning, s, terms[i], p[i], dt)
    return terms


def drive_terms(tuning: Tuning, time_s: Array, p: Array) -> Array:
    """Return the terms of a recording that starts at rest.

    Parameters
    ----------
    tuning : Tuning
        Radii and times.
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    p : numpy.ndarray, shape (n,)
        Pressure over the highest calibrated one (1), no NaN.

    Returns
    -------
    numpy.ndarray, shape (n, m)
        Terms (1).
    """
    return np.asarray(drive_rows(tuning, time_s, p, new_drive(tuning)[0], count_terms(tuning)))


def rest_terms(tuning: Tuning, p: float) -> Array:
    """Return the terms by `tuning`, shape (m,), of a finger long at `p` over the highest calibrated pressure (1)."""
    return np.asarray(drive_terms(tuning, np.zeros(1), np.full(1, p))[0])
