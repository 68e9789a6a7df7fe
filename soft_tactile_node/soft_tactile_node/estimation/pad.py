"""Pad model: what a load on the pad adds to each channel, blocked bending included, as a state-space model.

The contact signal is linear in terms made of the force, of the finger's pressure and of the pad's memory. The normal
force first passes a quick lag that may fill and empty at different rates, as two cells joined by a duct do (it is
absent where the pad answers at once); what comes through is the load. The load enters through curves that stiffen (a
silicone pad takes ever less travel per newton) and that stay tame far outside the calibrated range, where a polynomial
would explode. Slow memory is a set of first-order lags of the load (a discretised relaxation spectrum).
Shear here is what the channels see as shear: an off-centre contact tilts the pad much like shear does, so the two add
up to one apparent shear per axis (N).

Because a force on the pad also unbends the finger through its compliance, terms are scaled with pressure as well:
the press recordings identify both effects together, and no separate compliance is needed.

Source: relaxation spectrum, Ferry, Viscoelastic Properties of Polymers (1980); the combination is our own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

FILLING_N = 0.1
"""Excess of force over load at which a pad clearly fills or empties (N)."""

KNEES_N = (0.3, 1.2, 5.0)
"""Loads that part the ranges of the load curves (N)."""

GRIP_KNEE_N = 1.5
"""Load at which the stiffening behind slow memory and shear bends (N)."""

NORMAL_TERMS = 12
"""Terms of the load: four curves for rising ranges of load, each with three weights over pressure."""

SHEAR_TERMS = 9
"""Terms of the two shears: each alone, with load, with pressure and squared; their product."""


def count_terms(lags: int, shear_lags: int, axes: int) -> int:
    """Return the number of terms of the pad model.

    Parameters
    ----------
    lags, shear_lags : int
        Number of memory lags of the load and of each shear force (1).
    axes : int
        1 for normal force only, 3 with shear.

    Returns
    -------
    int
        Number of terms (1).
    """
    return NORMAL_TERMS + lags + (SHEAR_TERMS + 2 * shear_lags if axes == 3 else 0)


def count_memory(lags: int, shear_lags: int) -> int:
    """Return the number of numbers the pad remembers: the load, its lags, the lags of both shear forces.

    Parameters
    ----------
    lags, shear_lags : int
        See `count_terms`.

    Returns
    -------
    int
        Length of the memory vector (1).
    """
    return 1 + lags + 2 * shear_lags


@compiled
def stiffen(force_n: float, knee_n: float) -> float:
    """Return a force through an odd logarithmic curve of unit slope at zero.

    Parameters
    ----------
    force_n, knee_n : float
        Force and knee (N).

    Returns
    -------
    float
        Curve value (N).
    """
    size = knee_n * np.log1p(abs(force_n) / knee_n)
    return float(size if force_n >= 0.0 else -size)


@compiled
def lag_gain(dt_s: float, tau_s: float) -> float:
    """Return the share of a step that a first-order lag takes in one scan.

    Parameters
    ----------
    dt_s, tau_s : float
        Time step and time constant (s); a time constant of zero follows at once.

    Returns
    -------
    float
        Share (1).
    """
    return 1.0 - np.exp(-dt_s / tau_s) if tau_s > 0.0 else 1.0


@compiled
def quick_tau(excess_n: float, quick_s: Array) -> float:
    """Return the time constant of the quick lag, from emptying to filling.

    The passage is smooth over `FILLING_N`: a switch would rectify the noise of an estimated force into a bias.

    Parameters
    ----------
    excess_n : float
        Force less load (N); positive = filling.
    quick_s : numpy.ndarray, shape (2,)
        Time constants filling and emptying (s).

    Returns
    -------
    float
        Time constant (s).
    """
    filling = 0.5 + 0.5 * np.tanh(excess_n / FILLING_N)
    return float(quick_s[1] + filling * (quick_s[0] - quick_s[1]))


@compiled
def advance_pad(memory: Array, force_n: Array, dt_s: float, quick_s: Array, lag_s: Array, shear_s: Array) -> None:
    """Advance the pad's memory by one scan, in place.

    Parameters
    ----------
    memory : numpy.ndarray, shape (1 + lags + 2 * shear_lags,)
        Load, its slow lags, lagged x and y shear (N).
    force_n : numpy.ndarray, shape (3,)
        Force at this scan (N).
    dt_s : float
        Time since the last scan (s).
    quick_s : numpy.ndarray, shape (2,)
        Time constants of the quick lag while the force is above the load and below it (s); 0 = none.
    lag_s : numpy.ndarray, shape (lags,)
        Time constants of the slow memory (s).
    shear_s : numpy.ndarray, shape (shear_lags,)
        Time constants of the shear memory (s).
    """
    memory[0] += lag_gain(dt_s, quick_tau(force_n[2] - memory[0], quick_s)) * (force_n[2] - memory[0])
    lags = lag_s.shape[0]
    load = stiffen(memory[0], GRIP_KNEE_N)
    for j in range(lags):
        memory[1 + j] += lag_gain(dt_s, lag_s[j]) * (load - memory[1 + j])
    for j in range(shear_s.shape[0]):
        gain = lag_gain(dt_s, shear_s[j])
        for axis in range(2):
            k = 1 + lags + 2 * j + axis
            memory[k] += gain * (force_n[axis] - memory[k])


@compiled
def pad_terms(
    shear_n: Array, memory: Array, pressure: float, lags: int, shear_lags: int, axes: int, terms: Array, slopes: Array
) -> None:
    """Write the terms of the pad model and their slopes, in place.

    Parameters
    ----------
    shear_n : numpy.ndarray, shape (2 or more,)
        Apparent shear x and y (N).
    memory : numpy.ndarray, shape (1 + lags + 2 * shear_lags,)
        See `advance_pad` (N).
    pressure : float
        Relative pressure (1).
    lags, shear_lags, axes : int
        See `count_terms`.
    terms : numpy.ndarray, shape (m,)
        Overwritten with the terms (N).
    slopes : numpy.ndarray, shape (m, 2 + 1 + lags + 2 * shear_lags)
        Overwritten with the derivative of each term by shear x, shear y and each memory (1).
    """
    slopes[:, :] = 0.0
    load = memory[0]
    k = 0
    # The curves' slopes are positive, add up to one and each belongs to a range of load; the weights over pressure are
    # positive too (Bernstein polynomials). So coefficients of one sign make any response that rises, and no other. A
    # free fit could turn around at light touches, where data are few and the sign matters most.
    rest = 1.0 - pressure
    lower_value = 0.0
    lower_slope = 0.0
    for shape in range(4):
        value = load
        slope = 1.0
        if shape < 3:
            value = stiffen(load, KNEES_N[shape])
            slope = 1.0 / (1.0 + abs(load) / KNEES_N[shape])
        value, lower_value = value - lower_value, value
        slope, lower_slope = slope - lower_slope, slope
        for share in range(3):
            scale = rest * rest if share == 0 else (2.0 * rest * pressure if share == 1 else pressure * pressure)
            terms[k] = value * scale
            slopes[k, 2] = slope * scale
            k += 1
    for j in range(lags):
        terms[k] = memory[1 + j]
        slopes[k, 3 + j] = 1.0
        k += 1
    if axes == 1:
        return
    grip = stiffen(load, GRIP_KNEE_N)
    grip_slope = 1.0 / (1.0 + abs(load) / GRIP_KNEE_N)
    for axis in range(2):
        f = shear_n[axis]
        terms[k] = f
        slopes[k, axis] = 1.0
        terms[k + 1] = f * grip
        slopes[k + 1, axis] = grip
        slopes[k + 1, 2] = f * grip_slope
        terms[k + 2] = f * pressure
        slopes[k + 2, axis] = pressure
        terms[k + 3] = f * f
        slopes[k + 3, axis] = 2.0 * f
        k += 4
    terms[k] = shear_n[0] * shear_n[1]
    slopes[k, 0] = shear_n[1]
    slopes[k, 1] = shear_n[0]
    k += 1
    for j in range(2 * shear_lags):
        terms[k] = memory[1 + lags + j]
        slopes[k, 3 + lags + j] = 1.0
        k += 1


@compiled
def pad_design(
    time_s: Array, force_n: Array, pressure: Array, quick_s: Array, lag_s: Array, shear_s: Array, axes: int
) -> Array:
    """Return the terms of the pad model for a whole recording with known force.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    force_n : numpy.ndarray, shape (n, 3)
        Reference force (N), no NaN.
    pressure : numpy.ndarray, shape (n,)
        Relative pressure (1).
    quick_s, lag_s, shear_s : numpy.ndarray
        Time constants (s), see `advance_pad`.
    axes : int
        1 or 3.

    Returns
    -------
    numpy.ndarray, shape (n, m)
        One row of terms a scan (N).
    """
    lags = lag_s.shape[0]
    shear_lags = shear_s.shape[0]
    count = NORMAL_TERMS + lags + (SHEAR_TERMS + 2 * shear_lags if axes == 3 else 0)
    memory = np.zeros(1 + lags + 2 * shear_lags)
    design = np.zeros((time_s.shape[0], count))
    slopes = np.zeros((count, 3 + lags + 2 * shear_lags))
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_pad(memory, force_n[i], dt_s, quick_s, lag_s, shear_s)
        pad_terms(force_n[i], memory, pressure[i], lags, shear_lags, axes, design[i], slopes)
    return design
