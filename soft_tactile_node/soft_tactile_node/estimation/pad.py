"""Pad model: what a load on the pad adds to each channel, blocked bending included, as a state-space model.

The contact signal is linear in terms made of the force, of the finger's pressure and of the pad's memory. The normal
force enters through curves that stiffen (a silicone pad takes ever less travel per newton) and that stay tame far
outside the calibrated range, where a polynomial would explode. The memory is a chain of first-order lags of the load
(a discretised relaxation spectrum); a lag may fill and empty at different rates, as two cells joined by a duct do.
Because a force on the pad also unbends the finger through its compliance, terms are scaled with pressure as well:
the press recordings identify both effects together, and no separate compliance is needed.

Source: relaxation spectrum, Ferry, Viscoelastic Properties of Polymers (1980); the combination is our own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

KNEE_N = (0.3, 1.5)
"""Forces at which the stiffening curves bend (N)."""

NORMAL_TERMS = 9
"""Terms of the normal force: linear and two stiffening curves, each with three powers of pressure."""

SHEAR_TERMS = 12
"""Terms of the two shear forces: linear, with pressure and with load, squares and product."""


def count_terms(lags: int, shear_lags: int, axes: int) -> int:
    """Return the number of terms of the pad model.

    Parameters
    ----------
    lags, shear_lags : int
        Number of memory lags of the normal load and of each shear force (1).
    axes : int
        1 for normal force only, 3 with shear.

    Returns
    -------
    int
        Number of terms (1).
    """
    return NORMAL_TERMS + 2 * lags + (SHEAR_TERMS + 2 * shear_lags if axes == 3 else 0)


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
    return size if force_n >= 0.0 else -size


@compiled
def advance_pad(memory: Array, force_n: Array, dt_s: float, fill_s: Array, empty_s: Array, shear_s: Array) -> None:
    """Advance the pad's memory by one scan, in place.

    Parameters
    ----------
    memory : numpy.ndarray, shape (lags + 2 * shear_lags,)
        Lagged normal load, then lagged x and y shear (N).
    force_n : numpy.ndarray, shape (3,)
        Force at this scan (N).
    dt_s : float
        Time since the last scan (s).
    fill_s, empty_s : numpy.ndarray, shape (lags,)
        Time constants of each lag while the load is above it and below it (s).
    shear_s : numpy.ndarray, shape (shear_lags,)
        Time constants of the shear memory (s).
    """
    lags = fill_s.shape[0]
    load = stiffen(force_n[2], 1.5)
    for j in range(lags):
        tau = fill_s[j] if load > memory[j] else empty_s[j]
        memory[j] += (1.0 - np.exp(-dt_s / tau)) * (load - memory[j])
    for j in range(shear_s.shape[0]):
        gain = 1.0 - np.exp(-dt_s / shear_s[j])
        memory[lags + 2 * j] += gain * (force_n[0] - memory[lags + 2 * j])
        memory[lags + 2 * j + 1] += gain * (force_n[1] - memory[lags + 2 * j + 1])


@compiled
def pad_terms(force_n: Array, memory: Array, load: float, lags: int, shear_lags: int, axes: int, terms: Array, slopes: Array) -> None:
    """Write the terms of the pad model and their slopes, in place.

    Parameters
    ----------
    force_n : numpy.ndarray, shape (3,)
        Force on the pad (N).
    memory : numpy.ndarray, shape (lags + 2 * shear_lags,)
        See `advance_pad` (N).
    load : float
        Relative pressure (1).
    lags, shear_lags, axes : int
        See `count_terms`.
    terms : numpy.ndarray, shape (m,)
        Overwritten with the terms (N).
    slopes : numpy.ndarray, shape (m, 3 + lags + 2 * shear_lags)
        Overwritten with the derivative of each term by each force and each memory (1).
    """
    slopes[:, :] = 0.0
    fz = force_n[2]
    k = 0
    for shape in range(3):
        if shape == 0:
            value = fz
            slope = 1.0
        else:
            knee = 0.3 if shape == 1 else 1.5
            value = stiffen(fz, knee)
            slope = 1.0 / (1.0 + abs(fz) / knee)
        scale = 1.0
        for _ in range(3):
            terms[k] = value * scale
            slopes[k, 2] = slope * scale
            scale *= load
            k += 1
    for j in range(lags):
        terms[k] = memory[j]
        slopes[k, 3 + j] = 1.0
        terms[k + 1] = memory[j] * load
        slopes[k + 1, 3 + j] = load
        k += 2
    if axes == 1:
        return
    grip = stiffen(fz, 1.5)
    grip_slope = 1.0 / (1.0 + abs(fz) / 1.5)
    for axis in range(2):
        f = force_n[axis]
        terms[k] = f
        slopes[k, axis] = 1.0
        terms[k + 1] = f * load
        slopes[k + 1, axis] = load
        terms[k + 2] = f * grip
        slopes[k + 2, axis] = grip
        slopes[k + 2, 2] = f * grip_slope
        terms[k + 3] = f * grip * load
        slopes[k + 3, axis] = grip * load
        slopes[k + 3, 2] = f * grip_slope * load
        terms[k + 4] = f * abs(f)
        slopes[k + 4, axis] = 2.0 * abs(f)
        k += 5
    fx = force_n[0]
    fy = force_n[1]
    terms[k] = fx * fx
    slopes[k, 0] = 2.0 * fx
    terms[k + 1] = fy * fy
    slopes[k + 1, 1] = 2.0 * fy
    k += 2
    for j in range(2 * shear_lags):
        terms[k] = memory[lags + j]
        slopes[k, 3 + lags + j] = 1.0
        k += 1


@compiled
def pad_design(time_s: Array, force_n: Array, load: Array, fill_s: Array, empty_s: Array, shear_s: Array, axes: int) -> Array:
    """Return the terms of the pad model for a whole recording with known force.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    force_n : numpy.ndarray, shape (n, 3)
        Reference force (N), no NaN.
    load : numpy.ndarray, shape (n,)
        Relative pressure (1).
    fill_s, empty_s, shear_s : numpy.ndarray
        Time constants (s), see `advance_pad`.
    axes : int
        1 or 3.

    Returns
    -------
    numpy.ndarray, shape (n, m)
        One row of terms a scan (N).
    """
    lags = fill_s.shape[0]
    shear_lags = shear_s.shape[0]
    count = 9 + 2 * lags + (12 + 2 * shear_lags if axes == 3 else 0)
    memory = np.zeros(lags + 2 * shear_lags)
    design = np.zeros((time_s.shape[0], count))
    slopes = np.zeros((count, 3 + lags + 2 * shear_lags))
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_pad(memory, force_n[i], dt_s, fill_s, empty_s, shear_s)
        pad_terms(force_n[i], memory, load[i], lags, shear_lags, axes, design[i], slopes)
    return design
