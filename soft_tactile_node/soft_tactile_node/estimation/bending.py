"""Free-bend model: what each channel would show if the finger moved freely, from the history of the pressure alone.

A fixed-memory recursion turns the pressure into a vector of terms; the model is linear in them. The terms are the
ingredients a soft pneumatic finger is known to have: a static curve (powers), creep and rate dependence (first-order
lags with log-spaced time constants, of the pressure and of its square), hysteresis (play operators, also scaled by
the pressure because loops widen with it), and temperature.

Source: play operators, Krasnosel'skii & Pokrovskii, Systems with Hysteresis (1989); lags as a discretised relaxation
spectrum, Ferry, Viscoelastic Properties of Polymers (1980); the combination is our own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

POWERS = 4
"""Powers of the lagged relative pressure in the static curve."""

TEMPERATURE_TERMS = 3
"""Terms that carry the temperature change: alone, with pressure, squared."""


def count_terms(lags: int, plays: int) -> int:
    """Return the number of terms of the free-bend model.

    Parameters
    ----------
    lags, plays : int
        Number of time constants and of play operators (1).

    Returns
    -------
    int
        Number of terms (1).
    """
    return POWERS + 2 * lags + 2 * plays + TEMPERATURE_TERMS


def count_memory(lags: int, plays: int) -> int:
    """Return the number of numbers the recursion remembers.

    Parameters
    ----------
    lags, plays : int
        Number of time constants and of play operators (1).

    Returns
    -------
    int
        Length of the memory vector (1).
    """
    return 2 * lags + plays


@compiled
def rest_memory(memory: Array, load: float, lags: int, plays: int) -> None:
    """Set the memory to a finger that has long been at one pressure, in place.

    Parameters
    ----------
    memory : numpy.ndarray, shape (count_memory(lags, plays),)
        Memory, overwritten.
    load : float
        Relative pressure (1).
    lags, plays : int
        Number of time constants and of play operators (1).
    """
    for j in range(lags):
        memory[j] = load
        memory[lags + j] = load * load
    for r in range(plays):
        memory[2 * lags + r] = 0.0


@compiled
def advance_bending(
    memory: Array,
    terms: Array,
    load: float,
    dt_s: float,
    lag_s: Array,
    play_radius: Array,
    temperature_change: float,
) -> None:
    """Advance the memory by one scan and write the terms of the free-bend model, in place.

    Parameters
    ----------
    memory : numpy.ndarray, shape (count_memory(lags, plays),)
        Lags of the load, lags of its square, play operators (1).
    terms : numpy.ndarray, shape (count_terms(lags, plays),)
        Overwritten with the terms (1).
    load : float
        Relative gauge pressure, 1 at the highest calibrated pressure (1).
    dt_s : float
        Time since the last scan (s), not negative.
    lag_s : numpy.ndarray, shape (lags,)
        Time constants (s), rising; the first is the finger's own quick lag.
    play_radius : numpy.ndarray, shape (plays,)
        Radii of the play operators in relative pressure (1).
    temperature_change : float
        Temperature since the tare (K).
    """
    lags = lag_s.shape[0]
    plays = play_radius.shape[0]
    for j in range(lags):
        gain = 1.0 - np.exp(-dt_s / lag_s[j])
        memory[j] += gain * (load - memory[j])
        memory[lags + j] += gain * (load * load - memory[lags + j])
    quick = memory[0]
    for r in range(plays):
        radius = play_radius[r]
        held = memory[2 * lags + r]
        memory[2 * lags + r] = max(quick - radius, min(quick + radius, held))
    k = 0
    power = 1.0
    for _ in range(POWERS):
        power *= quick
        terms[k] = power
        k += 1
    for j in range(lags):
        terms[k] = memory[j]
        terms[k + 1] = memory[lags + j]
        k += 2
    for r in range(plays):
        # Differences from the load itself: a play of radius zero would repeat the static curve.
        gap = quick - memory[2 * lags + r]
        terms[k] = gap
        terms[k + 1] = gap * quick
        k += 2
    terms[k] = temperature_change
    terms[k + 1] = temperature_change * quick
    terms[k + 2] = temperature_change * temperature_change * 0.1


@compiled
def bending_terms(time_s: Array, load: Array, temperature_change: Array, lag_s: Array, play_radius: Array) -> Array:
    """Return the terms of the free-bend model for a whole recording that starts from rest.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s); steps that are not forward count as zero.
    load : numpy.ndarray, shape (n,)
        Relative gauge pressure (1), no NaN.
    temperature_change : numpy.ndarray, shape (n,)
        Temperature since the tare (K), no NaN.
    lag_s : numpy.ndarray, shape (lags,)
        Time constants (s).
    play_radius : numpy.ndarray, shape (plays,)
        Radii of the play operators (1).

    Returns
    -------
    numpy.ndarray, shape (n, m)
        One row of terms a scan (1).
    """
    lags = lag_s.shape[0]
    plays = play_radius.shape[0]
    memory = np.zeros(2 * lags + plays)
    terms = np.zeros((time_s.shape[0], POWERS + 2 * lags + 2 * plays + TEMPERATURE_TERMS))
    rest_memory(memory, load[0], lags, plays)
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_bending(memory, terms[i], load[i], dt_s, lag_s, play_radius, temperature_change[i])
    return terms
