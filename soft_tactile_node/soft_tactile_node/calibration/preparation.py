"""Bring a recording into the form the fits work on: relative change since its own tare, relative pressure, no gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array

REST_PRESSURE_PA = 1000.0
"""Highest gauge pressure that still counts as vented (Pa)."""


@dataclass(frozen=True)
class Prepared:
    """One recording, tared and without gaps.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps, strictly rising (s).
    pressure_pa : numpy.ndarray, shape (n,)
        Gauge pressure, last reading held (Pa).
    change : numpy.ndarray, shape (n, c)
        Relative inductance change since the tare (1); NaN = sample missing.
    temperature_change : numpy.ndarray, shape (n,)
        Temperature since the tare (K), zero where never measured.
    force_n : numpy.ndarray, shape (n, 3), or None
        Reference force (N).
    bend_rad : numpy.ndarray, shape (n,), or None
        Reference bend (rad).
    tare_inductance_h : numpy.ndarray, shape (c,)
        Inductance at the tare (H).
    source : str
        Where it came from.
    """

    time_s: Array
    pressure_pa: Array
    change: Array
    temperature_change: Array
    force_n: Array | None
    bend_rad: Array | None
    tare_inductance_h: Array
    source: str


def hold_last(values: Array) -> Array:
    """Return the values with each NaN replaced by the last finite value before it; 0 where there is none at all.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
        Any unit; NaN = no new reading.

    Returns
    -------
    numpy.ndarray, shape (n,)
        No NaN; unit of the values.
    """
    finite = np.isfinite(values)
    if not finite.any():
        return np.zeros(values.shape)
    index = np.where(finite, np.arange(values.size), -1)
    np.maximum.accumulate(index, out=index)
    return np.asarray(values[np.maximum(index, int(np.argmax(finite)))])


def prepare(recording: Recording, tare_s: float = 1.0) -> Prepared:
    """Tare a calibration recording on its first second and fill its gaps.

    Parameters
    ----------
    recording : Recording
        A bench recording that starts unpressurised and untouched.
    tare_s : float
        Length of the tare (s).

    Returns
    -------
    Prepared
        See Prepared.

    Raises
    ------
    CalibrationError
        The recording does not start at rest, a channel has no samples, or it is too short.
    """
    forward = np.concatenate([[True], np.diff(np.maximum.accumulate(recording.time_s)) > 0.0])
    time_s = recording.time_s[forward]
    if time_s.size < 50 or time_s[-1] - time_s[0] < 2.0 * tare_s:
        raise CalibrationError(f"{recording.source}: too short to tare; record at least {2.0 * tare_s:g} s")
    pressure_pa = hold_last(recording.pressure_pa[forward])
    inductance_h = recording.inductance_h[forward]
    rest = time_s <= time_s[0] + tare_s
    if np.abs(pressure_pa[rest]).max() > REST_PRESSURE_PA:
        raise CalibrationError(
            f"{recording.source}: must start vented within 1 kPa; got {np.abs(pressure_pa[rest]).max():.0f} Pa in the "
            f"first {tare_s:g} s; start the recording with 2 s of rest"
        )
    counted = np.isfinite(inductance_h[rest])
    if (counted.sum(axis=0) < 3).any():
        dead = int(np.argmin(counted.sum(axis=0))) + 1
        raise CalibrationError(f"{recording.source}, column coil_{dead}_h: no samples at rest; check the channel")
    tare_inductance_h = np.nanmean(inductance_h[rest], axis=0)
    temperature = recording.temperature_c[forward]
    if np.isfinite(temperature).any():
        temperature = hold_last(temperature)
        temperature_change = temperature - temperature[rest].mean()
    else:
        temperature_change = np.zeros(time_s.size)
    return Prepared(
        time_s=time_s,
        pressure_pa=pressure_pa,
        change=inductance_h / tare_inductance_h - 1.0,
        temperature_change=temperature_change,
        force_n=None if recording.force_n is None else recording.force_n[forward],
        bend_rad=None if recording.bend_rad is None else recording.bend_rad[forward],
        tare_inductance_h=tare_inductance_h,
        source=recording.source,
    )
