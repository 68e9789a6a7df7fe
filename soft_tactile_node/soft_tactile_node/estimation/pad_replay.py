"""The pad model over whole recordings, for fits: terms, responses, forces, and the baseline between presses."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.pad import (
    PER_CHANNEL,
    QUICK_LAGS,
    SMOOTH_S,
    PadMap,
    direction_at,
    elastic_response,
    elastic_terms,
    relax,
    unloaded_response,
)
from soft_tactile_node.samples import Array


@compiled
def relaxation_terms(time_s: Array, response: Array, lag_s: Array) -> Array:
    """Return the gaps between a response and its lags over a recording, rising and falling apart.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    response : numpy.ndarray, shape (n,)
        Elastic response (N).
    lag_s : numpy.ndarray, shape (k,)
        Time constants (s).

    Returns
    -------
    numpy.ndarray, shape (n, 2, k)
        Gap where it is positive, gap where it is negative, else zero (N).
    """
    lags = lag_s.shape[0]
    out = np.zeros((time_s.shape[0], 2, lags))
    held = np.zeros(lags)
    smooth = 0.0
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        smooth += (1.0 - np.exp(-dt_s / SMOOTH_S)) * (response[i] - smooth)
        for k in range(lags):
            driver = smooth if k < QUICK_LAGS else response[i]
            held[k] += (1.0 - np.exp(-dt_s / lag_s[k])) * (driver - held[k])
            gap = driver - held[k]
            out[i, 0 if gap > 0.0 else 1, k] = gap
    return out


@compiled
def relax_terms(time_s: Array, terms: Array, lag_s: Array, share: Array) -> Array:
    """Return terms passed through the relaxation with shares that were fixed for each row.

    The force is linear in the weights of the elastic terms once it is known at which rows each lag fills.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    terms : numpy.ndarray, shape (n, m)
        Elastic terms (any unit).
    lag_s : numpy.ndarray, shape (k,)
        Time constants (s).
    share : numpy.ndarray, shape (n, k)
        Share of each lag at each row (1).

    Returns
    -------
    numpy.ndarray, shape (n, m)
        Terms of the force (same unit).
    """
    count = terms.shape[1]
    lags = lag_s.shape[0]
    out = terms.copy()
    held = np.zeros((lags, count))
    smooth = np.zeros(count)
    used = np.zeros(lags)
    for k in range(lags):
        used[k] = np.abs(share[:, k]).max()
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        smoothing = 1.0 - np.exp(-dt_s / SMOOTH_S)
        for m in range(count):
            smooth[m] += smoothing * (terms[i, m] - smooth[m])
        for k in range(lags):
            if used[k] > 0.0:
                gain = 1.0 - np.exp(-dt_s / lag_s[k])
                for m in range(count):
                    driver = smooth[m] if k < QUICK_LAGS else terms[i, m]
                    held[k, m] += gain * (driver - held[k, m])
                    out[i, m] += share[i, k] * (driver - held[k, m])
    return out


@compiled
def elastic_design(pad: PadMap, contact: Array, load: Array) -> Array:
    """Return the elastic terms of a recording.

    Parameters
    ----------
    pad : PadMap
        Constants; `scale`, `lean`, `low`, `high` are used.
    contact : numpy.ndarray, shape (n, c)
        Contact signal, no NaN (1).
    load : numpy.ndarray, shape (n,)
        Relative pressure (1).

    Returns
    -------
    numpy.ndarray, shape (n, m)
        One row of terms a scan (1).
    """
    channels, axes = pad.lean.shape
    count = PER_CHANNEL * channels + (3 if axes == 3 else 0)
    out = np.zeros((contact.shape[0], count))
    slopes = np.zeros((count, channels))
    for i in range(contact.shape[0]):
        elastic_terms(pad, contact[i], load[i], out[i], slopes)
    return out


@compiled
def replay_pad(pad: PadMap, time_s: Array, contact: Array, load: Array) -> tuple[Array, Array]:
    """Return elastic response and force over a recording.

    Parameters
    ----------
    pad : PadMap
        Constants.
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    contact : numpy.ndarray, shape (n, c)
        Contact signal, no NaN (1).
    load : numpy.ndarray, shape (n,)
        Relative pressure (1).

    Returns
    -------
    response, force : numpy.ndarray, shape (n, a)
        Both (N).
    """
    axes = pad.lean.shape[1]
    design = elastic_design(pad, contact, load)
    response = design @ pad.weights
    force = np.zeros((time_s.shape[0], axes))
    memory = np.zeros((axes, 1 + pad.lag_s.shape[0]))
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        relax(pad, memory, response[i], dt_s, force[i])
    return response, force


@compiled
def track_baseline(
    pad: PadMap, directions: Array, time_s: Array, departure: Array, load: Array, unloaded: Array, learn_s: float
) -> tuple[Array, Array]:
    """Return the baseline that is learnt while the pad is known to be unloaded and held while it is loaded.

    Parameters
    ----------
    pad : PadMap
        Constants.
    directions : numpy.ndarray, shape (3, a, c)
        See `direction_at` (1/N).
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    departure : numpy.ndarray, shape (n, c)
        change - bending, no NaN (1).
    load : numpy.ndarray, shape (n,)
        Relative pressure (1).
    unloaded : numpy.ndarray of bool, shape (n,)
        Where nothing presses.
    learn_s : float
        Time constant of the learning (s).

    Returns
    -------
    baseline, residual : numpy.ndarray, shape (n, c)
        Baseline before it has learnt the row itself, and departure less the pad's recovery (1).
    """
    axes, channels = directions.shape[1], directions.shape[2]
    count = pad.weights.shape[0]
    terms, slopes = np.zeros(count), np.zeros((count, channels))
    response, force, jacobian = np.zeros(axes), np.zeros(axes), np.zeros((axes, channels))
    memory = np.zeros((axes, 1 + pad.lag_s.shape[0]))
    baseline = departure[0].copy()
    out = np.zeros(departure.shape)
    residual = np.zeros(departure.shape)
    direction = np.zeros((axes, channels))
    for i in range(time_s.shape[0]):
        dt_s = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        out[i] = baseline
        residual[i] = departure[i]
        if unloaded[i]:
            unloaded_response(pad, memory, response)
            direction_at(directions, load[i], direction)
            for axis in range(axes):
                residual[i] -= direction[axis] * response[axis]
            baseline = baseline + (1.0 - np.exp(-dt_s / learn_s)) * (residual[i] - baseline)
        else:
            elastic_response(pad, departure[i] - baseline, load[i], terms, slopes, response, jacobian)
        relax(pad, memory, response, dt_s, force)
    return out, residual
