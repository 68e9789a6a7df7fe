"""The tare: baseline of every channel from a stretch of rest, or a refusal with the reason."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike

from soft_tactile_node.errors import CalibrationError, NotAtRestError
from soft_tactile_node.samples import Array

REST_PRESSURE_PA = 1000.0
"""Highest gauge pressure that counts as vented (Pa)."""

MINIMUM_SCANS = 10
"""Fewest scans a tare needs."""

QUIETER = 30.0
"""Readings at rest are no quieter than at calibration by more than this (1); hectopascal are by 100."""

SAME_TARE = 2e-3
"""Channels of one finger rest this close together twice (1); simulated ones within 0.0017."""

MOVED = 5e-3
"""A channel that rests further than this from its calibration is another finger's, or its soft part has moved (1).

Warming moves simulated channels by 0.0002 a kelvin; channels of two simulated fingers rest 0.008 to 0.04 apart.
"""

EXCHANGED = 0.3
"""Two channels are exchanged if that leaves less than this share of what does not fit (1)."""


@dataclass(frozen=True)
class Tare:
    """Baseline of a finger at rest.

    Attributes
    ----------
    inductance_h : numpy.ndarray, shape (c,)
        Mean inductance (H); NaN = the channel gave no samples.
    temperature_c : float
        Mean temperature (degC); NaN = not measured.
    time_s : float
        Time of the last scan it used (s).
    pressure_pa : float
        Mean pressure (gauge Pa).
    """

    inductance_h: Array
    temperature_c: float
    time_s: float
    pressure_pa: float = 0.0


def take_tare(
    time_s: Array,
    pressure_pa: Array,
    inductance_h: Array,
    temperature_c: Array,
    noise: Array,
    drift: Array | None = None,
) -> Tare:
    """Return the tare of a stretch of rest.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps (s).
    pressure_pa : numpy.ndarray, shape (n,)
        Gauge pressure (Pa); NaN = no new reading.
    inductance_h : numpy.ndarray, shape (n, c)
        Inductance (H); NaN = missing.
    temperature_c : numpy.ndarray, shape (n,)
        Temperature (degC); NaN = not measured.
    noise : numpy.ndarray, shape (c,)
        Standard deviation of one scan, relative (1).
    drift : numpy.ndarray, shape (c,), or None
        Random walk of each channel per square root of a second that calibration saw, relative (1); None = none.

    Returns
    -------
    Tare
        See Tare.

    Raises
    ------
    NotAtRestError
        Too few scans, pressurised, no pressure reading, or a channel that moves by more than twice its noise and its
        drift.
    """
    if time_s.size < MINIMUM_SCANS:
        raise NotAtRestError(f"tare needs {MINIMUM_SCANS} scans of rest; got {time_s.size}; lengthen the tare")
    if not np.isfinite(pressure_pa).any():
        raise NotAtRestError("tare needs a pressure reading; got none; check the pressure sensor")
    highest = float(np.nanmax(np.abs(pressure_pa)))
    if highest > REST_PRESSURE_PA:
        raise NotAtRestError(
            f"tare needs a vented finger (within 1 kPa gauge); got {highest / 1000:.1f} kPa; vent and wait"
        )
    baseline = np.full(inductance_h.shape[1], np.nan)
    centred = time_s - time_s.mean()
    length = float(time_s[-1] - time_s[0])
    for channel in range(inductance_h.shape[1]):
        values = inductance_h[:, channel]
        good = np.isfinite(values) & (values > 0.0)
        if good.sum() < MINIMUM_SCANS // 2:
            continue
        # the median shrugs off single wild samples, which a mean would carry into every later estimate
        middle = float(np.median(values[good]))
        good &= np.abs(values / middle - 1.0) < max(20.0 * noise[channel], 1e-3)
        baseline[channel] = values[good].mean()
        relative = values[good] / baseline[channel] - 1.0
        offsets = centred[good]
        spread = max(float(offsets @ offsets), 1e-12)
        slope = float(offsets @ relative / spread)
        uncertainty = noise[channel] / np.sqrt(spread)
        wandered = 0.0 if drift is None else 3.0 * float(drift[channel]) * np.sqrt(length)
        if abs(slope) * length > 2.0 * noise[channel] + 3.0 * uncertainty * length + wandered:
            raise NotAtRestError(
                f"tare needs a finger at rest; channel {channel + 1} moves by {1e6 * slope * length:.0f} ppm in "
                f"{length:.1f} s, its noise is {1e6 * noise[channel]:.0f} ppm; keep the finger still and untouched"
            )
    if not np.isfinite(baseline).any():
        raise NotAtRestError("tare needs coil readings; every channel is missing; check the wiring")
    temperature = float(np.nanmean(temperature_c)) if np.isfinite(temperature_c).any() else float("nan")
    return Tare(baseline, temperature, float(time_s[-1]), float(np.nanmean(pressure_pa)))


def check_unit(pressure_pa: Array, noise_pa: float) -> None:
    """Refuse a pressure that is far quieter at rest than at calibration: its unit is another one.

    At rest readings in kilopascal look like any others, and nothing but their noise tells. A sensor that reports whole
    steps may repeat one reading; that says nothing.

    Parameters
    ----------
    pressure_pa : numpy.ndarray, shape (n,)
        Readings at rest (gauge Pa); NaN = no new reading.
    noise_pa : float
        Standard deviation of one reading at calibration (Pa).

    Raises
    ------
    CalibrationError
        The readings stray, but by less than a thirtieth of that.
    """
    readings = pressure_pa[np.isfinite(pressure_pa)]
    if readings.size < MINIMUM_SCANS:
        return
    strays_pa = float(np.std(readings))
    if 0.0 < strays_pa < noise_pa / QUIETER:
        raise CalibrationError(
            f"pressure strays by {strays_pa:.2g} Pa at rest, at calibration by {noise_pa:.2g} Pa: another unit, such "
            "as kPa; give pressure in pascal"
        )


def find_moved(tare: Tare, calibrated_h: ArrayLike) -> list[str]:
    """Return whether a finger rests so far from its calibration that this may be another finger's, in words.

    Parameters
    ----------
    tare : Tare
        The finger at rest.
    calibrated_h : array_like, shape (c,)
        Resting inductances of the calibration (H).

    Returns
    -------
    list of str
        Empty, or one sentence about the channel that is furthest off.
    """
    shift = np.nan_to_num(tare.inductance_h / np.asarray(calibrated_h) - 1.0)
    worst = int(np.argmax(np.abs(shift)))
    if abs(shift[worst]) <= MOVED:
        return []
    off = f"coil {worst + 1} rests {100.0 * shift[worst]:+.2g} % off its calibration"
    return [f"{off}: that of another finger, or the soft part is worn, exchanged or re-seated"]


def find_exchanged(inductance_h: Array, calibrated_h: Array) -> tuple[int, int] | None:
    """Return two channels that rest where the calibration has the other one, and everything else in its place.

    Parameters
    ----------
    inductance_h, calibrated_h : numpy.ndarray, shape (c,)
        Inductance at rest, now and of the calibration (H).

    Returns
    -------
    tuple of int, or None
        Their numbers from 1; None = the order is as calibrated, or rest does not tell.
    """
    moved = float(np.max(np.abs(inductance_h / calibrated_h - 1.0)))
    for pair in combinations(range(calibrated_h.size), 2):
        order = np.arange(calibrated_h.size)
        order[list(pair)] = order[list(pair)[::-1]]
        otherwise = float(np.max(np.abs(inductance_h[order] / calibrated_h - 1.0)))
        if moved > 2.0 * SAME_TARE and otherwise < min(EXCHANGED * moved, SAME_TARE):
            return pair[0] + 1, pair[1] + 1
    return None
