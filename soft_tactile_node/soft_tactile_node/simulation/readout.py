"""What the electronics make of it: LC tank, reciprocal counter, noise, drift; pressure sensor with its own clock."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.resonator import inductance_formula, reciprocal_count, resonance_formula
from soft_tactile_node.samples import Array


class ReadoutParameters(NamedTuple):
    """Front end of one finger (SI units)."""

    capacitance_f: float
    jitter: float  # relative frequency noise over a gate of 1 ms
    drift: float  # rms of the slow relative drift of each channel
    drift_common: float  # and of all channels together
    resistance_ohm: float  # nominal loss that the conversion to inductance assumes
    gate_share: float = 0.8  # share of a scan in which coils are counted
    clock_hz: float = 640.0e6  # reference clock of the counter, with its interpolator
    loss_noise: float = 1.0e-3  # relative noise of the loss over a gate of 1 ms
    drift_s: float = 240.0  # correlation time of the drift
    pressure_interval_s: float = 0.01
    pressure_noise_pa: float = 45.0
    pressure_step_pa: float = 12.0
    pressure_gain: float = 1.0
    pressure_offset_pa: float = 0.0
    temperature_noise_k: float = 0.03


def draw_readout(rng: np.random.Generator, nominal: ReadoutParameters) -> ReadoutParameters:
    """Return a specimen of the front end `nominal`, drawn by `rng`: its pressure sensor has errors of its own."""
    return nominal._replace(
        pressure_gain=float(1.0 + 0.003 * np.clip(rng.standard_normal(), -2.0, 2.0)),
        pressure_offset_pa=float(60.0 * np.clip(rng.standard_normal(), -2.0, 2.0)),
    )


@compiled
def count_inductance(
    readout: ReadoutParameters, inductance_h: float, loss_ohm: float, gate_s: float, noise: float, phase: float
) -> float:
    """Return one reading (H): the tank's frequency, counted against the clock, turned back with the nominal loss.

    `noise` is standard normal, `phase` uniform in [0, 1).
    """
    frequency = resonance_formula(inductance_h, readout.capacitance_f, loss_ohm)
    jitter = noise * readout.jitter * np.sqrt(1.0e-3 / gate_s) * gate_s * readout.clock_hz
    counted = reciprocal_count(frequency, gate_s, readout.clock_hz, phase, jitter)
    return inductance_formula(counted, readout.capacitance_f, readout.resistance_ohm)


@compiled
def count_series(
    readout: ReadoutParameters, inductance_h: Array, loss_ohm: Array, gate_s: float, noise: Array, phase: Array
) -> Array:
    """Return the readings (n, c) (H) of a whole recording."""
    out = np.empty_like(inductance_h)
    for k in range(inductance_h.shape[0]):
        for i in range(inductance_h.shape[1]):
            out[k, i] = count_inductance(readout, inductance_h[k, i], loss_ohm[k, i], gate_s, noise[k, i], phase[k, i])
    return out


@compiled
def _filter_drift(start: Array, kicks: Array, keep: float) -> Array:
    out = np.empty_like(kicks)
    now = start.copy()
    for k in range(kicks.shape[0]):
        now = keep * now + kicks[k]
        out[k] = now
    return out


def draw_drift(readout: ReadoutParameters, rng: np.random.Generator, count: int, channels: int, scan_s: float) -> Array:
    """Return the slow relative drift of each channel: an Ornstein-Uhlenbeck process, own and common part.

    Parameters
    ----------
    readout : ReadoutParameters
        The front end.
    rng : numpy.random.Generator
        Source of noise.
    count, channels : int
        Scans n and channels c.
    scan_s : float
        Scan period (s).

    Returns
    -------
    numpy.ndarray, shape (n, c)
        Relative change of inductance (1).
    """
    keep = float(np.exp(-scan_s / readout.drift_s))
    kick = np.sqrt(1.0 - keep * keep)
    sizes = np.concatenate([np.full(channels, readout.drift), [readout.drift_common]])
    start = sizes * rng.standard_normal(channels + 1)
    path = _filter_drift(start, kick * sizes * rng.standard_normal((count, channels + 1)), keep)
    return np.asarray(path[:, :channels] + path[:, channels:])


def read_loss(readout: ReadoutParameters, rng: np.random.Generator, loss_ohm: Array, gate_s: float) -> Array:
    """Return loss resistances as read: the amplitude of the tank is measured less finely than its frequency.

    Parameters
    ----------
    readout : ReadoutParameters
        The front end.
    rng : numpy.random.Generator
        Source of noise.
    loss_ohm : numpy.ndarray, any shape
        Loss resistance (ohm).
    gate_s : float
        Time a coil is measured (s).

    Returns
    -------
    numpy.ndarray, same shape
        Readings (ohm).
    """
    spread = readout.loss_noise * math.sqrt(1.0e-3 / gate_s)
    return np.asarray(loss_ohm * (1.0 + spread * rng.standard_normal(loss_ohm.shape)))


def read_pressure(
    readout: ReadoutParameters, rng: np.random.Generator, time_s: Array, line_pa: Array, phase_s: float
) -> Array:
    """Return the pressure column: a reading where the sensor's own clock has ticked since the last scan, else NaN.

    Parameters
    ----------
    readout : ReadoutParameters
        The front end.
    rng : numpy.random.Generator
        Source of noise.
    time_s, line_pa : numpy.ndarray, shape (n,)
        Scan times (s) and gauge pressure at the sensor (Pa).
    phase_s : float
        Offset of the sensor's clock (s).

    Returns
    -------
    numpy.ndarray, shape (n,)
        Gauge pressure (Pa), NaN = no new reading.
    """
    ticks = np.floor((time_s + phase_s) / readout.pressure_interval_s)
    fresh = np.concatenate([[True], np.diff(ticks) > 0.0])
    value = readout.pressure_gain * line_pa + readout.pressure_offset_pa
    value = value + readout.pressure_noise_pa * rng.standard_normal(len(time_s))
    rounded = readout.pressure_step_pa * np.round(value / readout.pressure_step_pa)
    return np.where(fresh, rounded, np.nan)


class FingerReadout:
    """The front end of one finger, scan by scan.

    Parameters
    ----------
    readout : ReadoutParameters
        The front end.
    channels : int
        Number of coils (1).
    scan_s : float
        Scan period (s).
    rng : numpy.random.Generator
        Source of noise; kept as `rng`.
    """

    def __init__(self, readout: ReadoutParameters, channels: int, scan_s: float, rng: np.random.Generator) -> None:
        self.rng = rng
        self._readout = readout
        self._gate_s = readout.gate_share * scan_s / channels
        self._keep = float(np.exp(-scan_s / readout.drift_s))
        self._sizes = np.concatenate([np.full(channels, readout.drift), [readout.drift_common]])
        self._drift = self._sizes * rng.standard_normal(channels + 1)
        self._tick = -1
        self._phase_s = float(rng.uniform(0.0, readout.pressure_interval_s))

    def coils(self, inductance_h: Array, loss_ohm: Array) -> Array:
        """Return a reading (H) of coils with `inductance_h` and `loss_ohm` (H, ohm), shape (c,) all."""
        count = len(inductance_h)
        kick = self._sizes * self.rng.standard_normal(count + 1)
        self._drift = self._keep * self._drift + math.sqrt(1.0 - self._keep**2) * kick
        drifted = inductance_h * (1.0 + self._drift[:count] + self._drift[count])
        noise, phase = self.rng.standard_normal((1, count)), self.rng.uniform(size=(1, count))
        read = count_series(self._readout, drifted[None, :], loss_ohm[None, :], self._gate_s, noise, phase)
        return np.asarray(read[0])

    def loss(self, loss_ohm: Array) -> Array:
        """Return a reading (ohm) of the loss `loss_ohm` of all coils (ohm), shape (c,) both."""
        return read_loss(self._readout, self.rng, loss_ohm, self._gate_s)

    def pressure(self, time_s: float, line_pa: float) -> float:
        """Return the reading of `line_pa` (gauge Pa both) at `time_s` (s, increasing); NaN = no new one."""
        tick = math.floor((time_s + self._phase_s) / self._readout.pressure_interval_s)
        if tick <= self._tick:
            return float("nan")
        self._tick = tick
        value = self._readout.pressure_gain * line_pa + self._readout.pressure_offset_pa
        value += self._readout.pressure_noise_pa * self.rng.standard_normal()
        return self._readout.pressure_step_pa * round(float(value) / self._readout.pressure_step_pa)

    def temperature(self, temperature_c: float) -> float:
        """Return a reading (degC) of `temperature_c`, that of the coils (degC)."""
        return round(temperature_c + self._readout.temperature_noise_k * self.rng.standard_normal(), 3)
