"""Pad model: from what the contact adds to the channels to the force on the pad, with the pad's memory.

The pad is quasi-linear viscoelastic: its channels show a deformation, an elastic response follows from the deformation
at once, and the force is that response plus what has not relaxed yet,

    force = E + sum_k g_k (E - m_k),   m_k a first-order lag of E with time constant lag_k.

E is a smooth function of the channels and of the pressure, one for each observed axis; shares g_k are not negative. Two
cells joined by a duct fill and empty at different rates, so the shares of the quick lags may differ between a rising
and a falling response. A pad that was just released shows the response at which the force is zero, and forgets it as
the lags do.

The deformation is found from the channels and not the channels from the force: the force reference of the bench then
says directly which combination of channels tells force best, with all that disturbs it, and no inversion is left.

Source: quasi-linear viscoelasticity, Fung, Biomechanics (1993), ch. 7, in its inverse form, with a discretised
relaxation spectrum; the arrangement is our own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array

PER_CHANNEL = 7
"""Terms of each channel: alone, with the normal gauge, its square, with pressure, its square, with both."""

QUICK_LAGS = 4
"""Lags, from the first, that are driven by the smoothed response and may fill and empty differently."""

SMOOTH_S = 0.005
"""Smoothing of the response that drives the quick lags (s)."""


class PadMap(NamedTuple):
    """Constants of the pad model; `a` axes: z alone, or x, y, z; the last is z.

    Attributes
    ----------
    scale : numpy.ndarray, shape (c,)
        Contact signal that counts as 1 in each channel (1).
    lean : numpy.ndarray, shape (c, a)
        Gauge of each axis per contact signal (1): a rough force, 1 at the highest calibrated one.
    low, high : numpy.ndarray, shape (a,)
        Range of the gauges in calibration (1); they are held there beyond, so that no polynomial explodes.
    weights : numpy.ndarray, shape (m, a)
        Weights of the elastic terms (N).
    lag_s : numpy.ndarray, shape (k,)
        Time constants of the relaxation (s), rising.
    fill, empty : numpy.ndarray, shape (a, k)
        Shares of each lag while the response is above and below it (1).
    """

    scale: Array
    lean: Array
    low: Array
    high: Array
    weights: Array
    lag_s: Array
    fill: Array
    empty: Array


def count_terms(channels: int, axes: int) -> int:
    """Return the number of elastic terms.

    Parameters
    ----------
    channels, axes : int
        Number of coils and of observed axes, 1 or 3 (1).

    Returns
    -------
    int
        Number of terms (1).
    """
    return PER_CHANNEL * channels + (3 if axes == 3 else 0)


@compiled
def elastic_terms(pad: PadMap, contact: Array, load: float, terms: Array, slopes: Array) -> None:
    """Write the elastic terms and their slopes, in place.

    Parameters
    ----------
    pad : PadMap
        Constants; `scale`, `lean`, `low`, `high` are used.
    contact : numpy.ndarray, shape (c,)
        Contact signal (1).
    load : float
        Relative pressure (1).
    terms : numpy.ndarray, shape (m,)
        Overwritten (1).
    slopes : numpy.ndarray, shape (m, c)
        Overwritten with the derivative of each term by each channel (1).
    """
    channels, axes = pad.lean.shape
    slopes[:, :] = 0.0
    gauge = np.zeros(axes)
    inside = np.zeros(axes)
    for axis in range(axes):
        for i in range(channels):
            gauge[axis] += pad.lean[i, axis] * contact[i]
        if pad.low[axis] < gauge[axis] < pad.high[axis]:
            inside[axis] = 1.0
        gauge[axis] = min(max(gauge[axis], pad.low[axis]), pad.high[axis])
    last = axes - 1
    z = gauge[last]
    factors = (1.0, z, z * z, load, load * load, z * load, z * load * load)
    rises = (0.0, 1.0, 2.0 * z, 0.0, 0.0, load, load * load)
    k = 0
    for i in range(channels):
        value = contact[i] / pad.scale[i]
        for power in range(PER_CHANNEL):
            terms[k] = value * factors[power]
            slopes[k, i] += factors[power] / pad.scale[i]
            for j in range(channels):
                slopes[k, j] += value * rises[power] * inside[last] * pad.lean[j, last]
            k += 1
    if axes == 1:
        return
    for first, second in ((0, 0), (1, 1), (0, 1)):
        terms[k] = gauge[first] * gauge[second]
        for j in range(channels):
            slopes[k, j] = (
                inside[first] * pad.lean[j, first] * gauge[second]
                + inside[second] * pad.lean[j, second] * gauge[first]
            )  # fmt: skip
        k += 1


@compiled
def elastic_response(
    pad: PadMap, contact: Array, load: float, terms: Array, slopes: Array, response: Array, jacobian: Array
) -> None:
    """Write the elastic response of each axis and its slope by each channel, in place.

    Parameters
    ----------
    pad, contact, load, terms, slopes
        See `elastic_terms`; the last two are scratch.
    response : numpy.ndarray, shape (a,)
        Overwritten (N).
    jacobian : numpy.ndarray, shape (a, c)
        Overwritten (N).
    """
    elastic_terms(pad, contact, load, terms, slopes)
    for axis in range(response.shape[0]):
        total = 0.0
        for m in range(terms.shape[0]):
            total += pad.weights[m, axis] * terms[m]
        response[axis] = total
        for j in range(contact.shape[0]):
            slope = 0.0
            for m in range(terms.shape[0]):
                slope += pad.weights[m, axis] * slopes[m, j]
            jacobian[axis, j] = slope


@compiled
def relax(pad: PadMap, memory: Array, response: Array, dt_s: float, force: Array) -> None:
    """Advance the relaxation by one scan and write the force, in place.

    Parameters
    ----------
    pad : PadMap
        Constants.
    memory : numpy.ndarray, shape (a, 1 + k)
        Smoothed response and its lags (N).
    response : numpy.ndarray, shape (a,)
        Elastic response at this scan (N).
    dt_s : float
        Time since the last scan (s).
    force : numpy.ndarray, shape (a,)
        Overwritten (N).
    """
    smoothing = 1.0 - np.exp(-dt_s / SMOOTH_S)
    for axis in range(response.shape[0]):
        memory[axis, 0] += smoothing * (response[axis] - memory[axis, 0])
        force[axis] = response[axis]
    for k in range(pad.lag_s.shape[0]):
        gain = 1.0 - np.exp(-dt_s / pad.lag_s[k])
        for axis in range(response.shape[0]):
            driver = memory[axis, 0] if k < QUICK_LAGS else response[axis]
            memory[axis, 1 + k] += gain * (driver - memory[axis, 1 + k])
            gap = driver - memory[axis, 1 + k]
            force[axis] += (pad.fill[axis, k] if gap > 0.0 else pad.empty[axis, k]) * gap


@compiled
def unloaded_response(pad: PadMap, memory: Array, response: Array) -> None:
    """Write the elastic response at which the force is zero: what an unloaded pad still shows, in place.

    Parameters
    ----------
    pad : PadMap
        Constants.
    memory : numpy.ndarray, shape (a, 1 + k)
        See `relax` (N).
    response : numpy.ndarray, shape (a,)
        Overwritten (N).
    """
    for axis in range(response.shape[0]):
        above = 0.0
        share = 1.0
        for k in range(pad.lag_s.shape[0]):
            held = memory[axis, 1 + k]
            weight = pad.empty[axis, k] if held > 0.0 else pad.fill[axis, k]
            above += weight * held
            share += weight
        response[axis] = above / share


@compiled
def direction_at(directions: Array, load: float, out: Array) -> None:
    """Write what one newton of light elastic response adds to each channel at a pressure, in place.

    Parameters
    ----------
    directions : numpy.ndarray, shape (3, a, c)
        Bernstein coefficients over relative pressure (1/N).
    load : float
        Relative pressure (1).
    out : numpy.ndarray, shape (a, c)
        Overwritten (1/N).
    """
    rest = 1.0 - load
    for axis in range(out.shape[0]):
        for k in range(out.shape[1]):
            out[axis, k] = (
                rest * rest * directions[0, axis, k]
                + 2.0 * rest * load * directions[1, axis, k]
                + load * load * directions[2, axis, k]
            )
