"""What is normal for a finger's channels and pressure sensor, and what they tell of each other when one is out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.calibrated import HealthModel
from soft_tactile_node.calibration.map_fit import Pressed
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.record import nested
from soft_tactile_node.calibration.ridge import Ridge, split_blocks
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array

LEAST_TELLING = 3
"""Fewer channels cannot tell pressure from touch."""


@dataclass(frozen=True)
class Substitutes:
    """What the channels tell when one of them or the pressure is out.

    Attributes
    ----------
    weights : numpy.ndarray, shape (c, 3 c + 2)
        Departure of each channel from those of the others times 1, stretch, stretch^2, and from stretch, stretch^2 (1).
    deviation : numpy.ndarray, shape (c,)
        Held-out error of that (1).
    pressure : numpy.ndarray, shape (3 c + 1,)
        Relative pressure from three powers of each change and a constant (1); empty = cannot be told.
    """

    weights: Array
    deviation: Array
    pressure: Array


def fit_substitutes(items: Sequence[Pressed], scale_pa: float) -> Substitutes:
    """Fit each channel of `items` by the others, the pressure by all; `scale_pa` is the highest pressure (gauge Pa)."""
    departure = np.concatenate([p.departure[p.rows] for p in items])
    stretch = np.concatenate([p.stretch[p.rows] for p in items])[:, None]
    block = split_blocks([p.item.time_s[p.rows] for p in items])
    channels = departure.shape[1]
    weights, deviation = np.zeros((channels, 3 * channels + 2)), np.zeros(channels)
    bend = np.hstack([stretch, stretch**2])
    for k in range(channels if channels > 1 else 0):
        terms = np.hstack([departure, departure * stretch, departure * stretch**2, bend])
        others = np.ones(terms.shape[1], dtype=bool)
        others[[k, channels + k, 2 * channels + k]] = False
        ridge = Ridge(terms[:, others], departure[:, k : k + 1], block)
        penalty, error = ridge.choose()
        weights[k, others] = ridge.weights(penalty)[:, 0]
        deviation[k] = np.sqrt(error)
    pressure = np.empty(0)
    if channels >= LEAST_TELLING:
        change = np.concatenate([p.item.change[p.rows] for p in items])
        p = np.concatenate([p.item.pressure_pa[p.rows] for p in items])[:, None] / scale_pa
        ridge = Ridge(np.hstack([change, change**2, change**3, np.ones((len(change), 1))]), p, block)
        pressure = ridge.weights(ridge.choose()[0])[:, 0]
    return Substitutes(weights, deviation, pressure)


def white_noise(change: Array) -> Array:
    """Return the covariance of the scan-to-scan noise from second differences, which no slow signal passes.

    Parameters
    ----------
    change : numpy.ndarray, shape (n, c)
        Relative change (1); rows with NaN are left out.

    Returns
    -------
    numpy.ndarray, shape (c, c)
        Covariance of one scan (1).
    """
    second = change[2:] - 2.0 * change[1:-1] + change[:-2]
    second = second[np.isfinite(second).all(axis=1)]
    limit = 4.0 * np.median(np.abs(second), axis=0) / 0.6745 + 1e-300
    calm = second[(np.abs(second) <= limit).all(axis=1)]
    return np.asarray(calm.T @ calm / len(calm) / 6.0)


def fit_health(recordings: Sequence[Recording], prepared: Sequence[Prepared], scale_pa: float) -> HealthModel:
    """Return what is normal for this finger's channels and pressure sensor.

    Parameters
    ----------
    recordings : sequence of Recording
        As recorded.
    prepared : sequence of Prepared
        The same, tared.
    scale_pa : float
        Highest calibrated pressure (gauge Pa).

    Returns
    -------
    HealthModel
        See HealthModel.
    """
    step_s = float(np.median([np.median(np.diff(p.time_s)) for p in prepared]))
    steps = np.array([np.nanquantile(np.abs(np.diff(p.change, axis=0)), 0.9999, axis=0) for p in prepared])
    low = np.stack([np.nanmin(p.change, axis=0) for p in prepared]).min(axis=0)
    high = np.stack([np.nanmax(p.change, axis=0) for p in prepared]).max(axis=0)
    span: Array = high - low
    equal = np.max([[_longest_run(r.inductance_h[:, k]) for k in range(r.channels)] for r in recordings], axis=0)
    readings = [r.pressure_pa[np.isfinite(r.pressure_pa)] for r in recordings]
    times = [r.time_s[np.isfinite(r.pressure_pa)] for r in recordings]
    interval_s = float(np.median([np.median(np.diff(t)) for t in times]))
    pressure_noise = float(np.median([_second_difference_noise(p) for p in readings])) / scale_pa
    rate = max(float(np.abs(np.diff(p)).max()) for p in readings) / interval_s / scale_pa
    pressure_run = max(_longest_run(p) for p in readings)
    return HealthModel(
        step_limit=nested(4.0 * steps.max(axis=0) + 1e-6),
        step_s=step_s,
        equal_limit=tuple(max(20.0, 3.0 * float(run)) for run in equal),
        low=nested(low - 1.0 * span),
        high=nested(high + 1.0 * span),
        pressure_equal_limit=max(20.0, 3.0 * pressure_run),
        pressure_rate=float(f"{max(2.0 * rate, 1.0):.7g}"),
        pressure_interval_s=float(f"{interval_s:.7g}"),
        pressure_noise=float(f"{pressure_noise:.7g}"),
    )


def _longest_run(values: Array) -> int:
    """Return the length of the longest run of equal finite readings, less one."""
    finite = values[np.isfinite(values)]
    if finite.size < 2:
        return 0
    change = np.flatnonzero(np.diff(finite) != 0.0)
    edges = np.concatenate([[-1], change, [finite.size - 1]])
    return int(np.diff(edges).max()) - 1


def _second_difference_noise(values: Array) -> float:
    """Return the noise of one reading from second differences (same unit)."""
    second = np.diff(values, 2)
    return float(np.median(np.abs(second)) / 0.6745 / np.sqrt(6.0))
