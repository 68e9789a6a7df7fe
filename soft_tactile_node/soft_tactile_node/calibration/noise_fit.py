"""From the fits' residuals to the noise model and the limits of the health checks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.stats import norm

from soft_tactile_node.calibration.bending_fit import BendingFit
from soft_tactile_node.calibration.pad_fit import PadFit
from soft_tactile_node.calibration.preparation import Prepared, hold_last
from soft_tactile_node.calibration.press import find_unloaded
from soft_tactile_node.calibration.record import HealthModel, NoiseModel, nested
from soft_tactile_node.calibration.wander import (
    WANDER_S,
    clip_positive,
    mean_activity,
    run_bank,
    split_wander,
    white_noise,
)
from soft_tactile_node.estimation.model import build_model
from soft_tactile_node.estimation.settings import LIGHT
from soft_tactile_node.estimation.touch_test import QUICK_S, free_scores
from soft_tactile_node.estimation.touched import RELAX_S
from soft_tactile_node.estimation.types import CalibratedFinger
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array

TAIL_QUANTILE = 0.9995
"""Quantile at which the tail of the touch test is measured (1)."""

SETTLE_S = 2.0
"""Start of a recording that the drift bank needs to fill (s)."""


def fit_noise(free: Sequence[Prepared], bending: BendingFit, press: Sequence[Prepared], pad: PadFit) -> NoiseModel:
    """Return noise and wander of the finger from held-out residuals.

    Parameters
    ----------
    free, press : sequence of Prepared
        The recordings.
    bending, pad : BendingFit, PadFit
        Their fits.

    Returns
    -------
    NoiseModel
        See NoiseModel.
    """
    departures, activities = [], []
    for recording, residual, rate in zip(free, bending.residuals, bending.rates, strict=True):
        filled = np.stack([hold_last(residual[:, k]) for k in range(residual.shape[1])], axis=1)
        settled = recording.time_s > recording.time_s[0] + SETTLE_S
        departures.append(run_bank(recording.time_s, filled, WANDER_S, QUICK_S)[settled])
        activities.append(mean_activity(recording.time_s, rate, WANDER_S)[settled])
    departure, activity = np.concatenate(departures), np.concatenate(activities)
    parts = [split_wander(departure[:, w], activity[:, w]) for w in range(WANDER_S.size)]
    white = clip_positive(np.mean([white_noise(r.change) for r in free], axis=0))
    return NoiseModel(
        white=nested(white),
        wander_s=nested(WANDER_S),
        wander_rest=nested(np.array([part[0] for part in parts])),
        wander_active=nested(np.array([part[1] for part in parts])),
        wander_loaded=nested(_loaded_wander(press, pad)),
        tail=(1.0,) * WANDER_S.size,
    )


def measure_tails(finger: CalibratedFinger, free: Sequence[Prepared], bending: BendingFit) -> tuple[float, ...]:
    """Return how much further the touch test of each memory strays than a Gaussian would, on held-out residuals.

    Parameters
    ----------
    finger : CalibratedFinger
        The calibration so far, its tails not used.
    free : sequence of Prepared
        Free-bend recordings.
    bending : BendingFit
        Their fit.

    Returns
    -------
    tuple of float
        One stretch for each memory of the drift bank, at least 1 (1).
    """
    model = build_model(finger, LIGHT).separation
    slope_load, slope = np.array(finger.bending.slope_load), np.array(finger.bending.slope)
    scores = []
    for recording, residual, load, rate in zip(free, bending.residuals, bending.loads, bending.rates, strict=True):
        filled = np.stack([hold_last(residual[:, k]) for k in range(residual.shape[1])], axis=1)
        activity = mean_activity(recording.time_s, rate, WANDER_S)
        bend_slope = np.stack([np.interp(load, slope_load, slope[:, k]) for k in range(slope.shape[1])], axis=1)
        settled = recording.time_s > recording.time_s[0] + SETTLE_S
        scores.append(free_scores(model, recording.time_s, filled, load, activity, bend_slope)[settled])
    highest = np.quantile(np.concatenate(scores), TAIL_QUANTILE, axis=0)
    return nested(np.clip(highest / norm.ppf(TAIL_QUANTILE), 1.0, 8.0))


def _loaded_wander(press: Sequence[Prepared], pad: PadFit) -> Array:
    """Return the covariance of the departure after a release, per squared load the pad still relaxes from."""
    channels = pad.pattern.shape[0]
    total = np.zeros((WANDER_S.size, channels, channels))
    count = 0
    start = 0
    for recording, residual in zip(press, pad.recoveries, strict=True):
        force_n = pad.force_n[start : start + len(residual)]
        start += len(residual)
        force = np.linalg.norm(force_n, axis=1)
        rest = find_unloaded(recording.time_s, force_n)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], rest.astype(int), [0]])))
        previous = 0
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            peak = float(force[previous:begin].max()) if begin > previous else 0.0
            previous = end
            if peak < 0.5 or end - begin < 20:
                continue
            time_s = recording.time_s[begin:end]
            bank = run_bank(time_s, residual[begin:end], WANDER_S, QUICK_S)
            load = peak * np.exp(-(time_s - time_s[0]) / RELAX_S)
            counted = load > 0.2
            for w in range(WANDER_S.size):
                scaled = bank[counted, w] / load[counted, None]
                total[w] += scaled.T @ scaled
            count += int(counted.sum())
    return total / max(count, 1)


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
