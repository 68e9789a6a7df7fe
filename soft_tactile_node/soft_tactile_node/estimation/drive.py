"""What the history of the pressure says of the bend: terms that every channel of a free finger is linear in.

Static curve (powers), hysteresis (play operators and their squares), rate dependence and creep (first-order lags of the
pressure and of its square), and the lag of a cell that fills faster than it empties.

Source: play operators, Krasnosel'skii & Pokrovskii, Systems with Hysteresis (1989); lags as a discretised relaxation
spectrum, Ferry, Viscoelastic Properties of Polymers (1980); the combination is our own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
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


def count_memory(tuning: Tuning) -> int:
    """Return how many numbers the recursion remembers for the radii and times of `tuning` (1)."""
    return 1 + len(tuning.play_radius) + 2 * len(tuning.creep_s) + CELL_TERMS


@compiled
def rest_drive(tuning: Tuning, memory: Array, p: float) -> None:
    """Set the memory to a finger that has long been at one relative pressure, reached from below, in place."""
    plays, lags = len(tuning.play_radius), len(tuning.creep_s)
    memory[0] = p
    for r in range(plays):
        memory[1 + r] = max(0.0, p - tuning.play_radius[r])
    for j in range(lags):
        memory[1 + plays + j] = p
        memory[1 + plays + lags + j] = p * p
    cell = 1 + plays + 2 * lags
    memory[cell] = p
    memory[cell + 1] = p * p
    memory[cell + 2] = p * p * p
    memory[cell + 3] = memory[1 + CELL_PLAY]


@compiled
def advance_drive(tuning: Tuning, memory: Array, terms: Array, p: float, dt: float) -> None:
    """Advance the memory by one scan at relative pressure p and write the terms, in place."""
    plays, lags = len(tuning.play_radius), len(tuning.creep_s)
    memory[0] += (1.0 - np.exp(-dt / tuning.quick_s)) * (p - memory[0])
    q = memory[0]
    power = 1.0
    k = 0
    for _ in range(POWERS):
        power *= q
        terms[k] = power
        k += 1
    for r in range(plays):
        radius = tuning.play_radius[r]
        held = max(q - radius, min(q + radius, memory[1 + r]))
        memory[1 + r] = held
        terms[k] = held
        terms[k + 1] = held * held
        k += 2
    for j in range(lags):
        gain = 1.0 - np.exp(-dt / tuning.creep_s[j])
        first, square = 1 + plays + j, 1 + plays + lags + j
        memory[first] += gain * (q - memory[first])
        memory[square] += gain * (q * q - memory[square])
        terms[k] = memory[first]
        terms[k + 1] = memory[square]
        k += 2
    fill = 1.0 - np.exp(-dt / tuning.fill_s)
    empty = 1.0 - np.exp(-dt / tuning.empty_s)
    cell = 1 + plays + 2 * lags
    for j in range(CELL_TERMS):
        gap = (terms[j] if j < CELL_TERMS - 1 else memory[1 + CELL_PLAY]) - memory[cell + j]
        memory[cell + j] += (fill if gap > 0.0 else empty) * gap
        terms[k] = memory[cell + j]
        k += 1


@compiled
def drive_rows(tuning: Tuning, time_s: Array, p: Array, memory: Array, count: int) -> Array:
    """Return the terms of a recording that starts at rest, one row a scan; memory is scratch space."""
    terms = np.zeros((time_s.shape[0], count))
    rest_drive(tuning, memory, p[0])
    for i in range(time_s.shape[0]):
        dt = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_drive(tuning, memory, terms[i], p[i], dt)
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
    return np.asarray(drive_rows(tuning, time_s, p, np.zeros(count_memory(tuning)), count_terms(tuning)))


def rest_terms(tuning: Tuning, p: float) -> Array:
    """Return the terms of a finger that has long been at one pressure.

    Parameters
    ----------
    tuning : Tuning
        Radii and times.
    p : float
        Pressure over the highest calibrated one (1).

    Returns
    -------
    numpy.ndarray, shape (m,)
        Terms (1).
    """
    return np.asarray(drive_terms(tuning, np.zeros(1), np.full(1, p))[0])
