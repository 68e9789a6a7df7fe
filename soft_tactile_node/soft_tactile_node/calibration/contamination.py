"""Bench recordings that look whole and are not: a channel that drifts, something that touched a free finger."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import binary_erosion, uniform_filter1d

from soft_tactile_node.calibration.preparation import REST_PRESSURE_PA, Prepared
from soft_tactile_node.calibration.press import find_unloaded, smooth_force
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.samples import Array

MOST_DRIFT = 0.3
"""Largest drift over a recording, as a share of the channel's span (1); simulated fingers stay below 0.13."""

LEAST_SPAN = 0.1
"""A channel that hardly sees the bending is judged by this share of the largest span (1)."""

MOST_PER_K = 500e-6
"""Largest slope with temperature that a coil may have (1/K); about 100 ppm/K is usual (common practice, no source)."""

LEAST_WARMING_K = 1.0
"""A smaller change of temperature tells no slope (K)."""

SETTLED_S = 0.3
"""Vented and untouched for this long on both sides, a row counts as rest (s)."""

TOUCH_S = 0.3
"""A touch lasts longer than this (s)."""

TOUCH_SHARE = 0.12
"""Share of the bending span that a touch leaves unexplained at least (1); simulated fingers stay below 0.11."""

TOUCH_RATIO = 7.0
"""How far it stands out of what is unexplained elsewhere (rms); simulated fingers stay below 6.6 (1)."""

CERTAIN_SHARE = 0.25
"""Share of the span that no fitted free-bend model leaves unexplained without a touch (1)."""

THROUGHOUT = 0.15
"""Where so much of the peak is usual (median), the model was not fitted; noise has a sixth, a touch far less (1)."""


def check_drift(recordings: Sequence[Prepared]) -> None:
    """Refuse recordings in which a channel drifts while the finger rests: baseline, not force or bending.

    What goes along with the measured temperature does not count.

    Parameters
    ----------
    recordings : sequence of Prepared
        Free-bend or press recordings.

    Raises
    ------
    CalibrationError
        Names recording and channel.
    """
    for item in recordings:
        rest = _rests(item)
        # rests at one end only tell nothing about the whole
        if not rest.any() or np.ptp(item.time_s[rest]) < 0.3 * np.ptp(item.time_s):
            continue
        change = np.nan_to_num(item.change)
        spans = _spans(change)
        span = np.maximum(spans, LEAST_SPAN * spans.max()) + 1e-12
        time_s = item.time_s[rest] - item.time_s[0]
        seen = change[rest]
        warm = item.temperature_change[rest]
        seen = without_temperature(seen, warm)
        slope = np.polyfit(time_s, seen, 1)[0]
        drift = np.abs(slope) * float(np.ptp(item.time_s)) / span
        if drift.max() > MOST_DRIFT:
            channel = int(np.argmax(drift)) + 1
            raise CalibrationError(
                f"{item.source}, column coil_{channel}_h: drifts by {100 * drift.max():.0f} % of its span while the "
                "finger rests; let the readout warm up, check the channel and that nothing touched it, record again"
            )


def check_untouched(recordings: Sequence[Prepared], residuals: Sequence[Array]) -> None:
    """Refuse free-bend recordings in which something touched the finger: a departure that pressure does not explain.

    What stands out is a touch; where far too much is unexplained throughout, the bending itself could not be fitted.

    Parameters
    ----------
    recordings : sequence of Prepared
        Free-bend recordings.
    residuals : sequence of numpy.ndarray, shape (n, c)
        Their held-out residuals (1).

    Raises
    ------
    CalibrationError
        Names recording and time.
    """
    for item, residual in zip(recordings, residuals, strict=True):
        width = max(1, round(TOUCH_S / float(np.median(np.diff(item.time_s)))))
        spans = _spans(np.nan_to_num(item.change))
        spans = np.maximum(spans, 0.3 * spans.max()) + 1e-12
        size = np.abs(uniform_filter1d(np.nan_to_num(residual), width, axis=0, mode="nearest") / spans).max(axis=1)
        peak, usual = float(size.max()), float(np.sqrt(np.mean(size**2)))
        if peak > CERTAIN_SHARE and np.median(size) > THROUGHOUT * peak:
            raise CalibrationError(
                f"{item.source}: pressure does not explain {100 * usual:.0f} % of the bending signal (rms), at worst "
                f"{100 * peak:.0f} %: the recording of {np.ptp(item.time_s):.0f} s is too short for so weak or noisy a "
                "bending signal, or something held the finger; record what soft-tactile calibrate --plan asks for"
            )
        if peak > CERTAIN_SHARE or (peak > TOUCH_SHARE and peak > TOUCH_RATIO * usual):
            at_s = float(item.time_s[int(np.argmax(size))])
            raise CalibrationError(
                f"{item.source}: something touched the finger near {at_s:.1f} s, or held it: {100 * peak:.0f} % of the "
                "bending signal is not explained by the pressure; record free bending without contact"
            )


def _rests(item: Prepared) -> np.ndarray:
    """Return where the finger is vented and untouched, and was so for a while."""
    rest = np.asarray(item.pressure_pa < REST_PRESSURE_PA, dtype=np.bool_)
    if item.force_n is not None:
        rest = rest & np.asarray(find_unloaded(item.time_s, smooth_force(item)), dtype=np.bool_)
    width = max(1, round(SETTLED_S / float(np.median(np.diff(item.time_s)))))
    return np.asarray(binary_erosion(rest, np.ones(2 * width + 1), border_value=1))


def _spans(change: Array) -> Array:
    return np.asarray(np.quantile(change, 0.99, axis=0) - np.quantile(change, 0.01, axis=0))


def without_temperature(values: Array, warm: Array) -> Array:
    """Return `values` (1), shape (n, c), less their regression on `warm` (K), shape (n,), where that moves at all."""
    if not np.ptp(warm) > LEAST_WARMING_K:
        return values
    slope = np.clip(np.polyfit(warm, values, 1)[0], -MOST_PER_K, MOST_PER_K)
    return np.asarray(values - (warm - warm.mean())[:, None] * slope)
