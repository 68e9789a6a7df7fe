"""LC tank and frequency counter: resonance, loss, quantisation and the noise of an inductance reading.

Scalar formulas are compiled so that a stepped simulation can call them in its inner loop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from soft_tactile_node.checks import check_range
from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array


@compiled
def resonance_formula(inductance_h: float, capacitance_f: float, resistance_ohm: float) -> float:
    """Return the frequency (Hz) at which a lossy coil in parallel with a capacitor shows zero phase.

    f = sqrt(1/(L C) - (R/L)^2) / (2 pi); the lossless 1/(2 pi sqrt(L C)) for R = 0. NaN when overdamped.

    Notes
    -----
    Source: circuit algebra (any circuit text).
    """
    inside = 1.0 / (inductance_h * capacitance_f) - (resistance_ohm / inductance_h) ** 2
    return math.sqrt(inside) / (2.0 * math.pi) if inside > 0.0 else math.nan


@compiled
def inductance_formula(frequency_hz: float, capacitance_f: float, resistance_ohm: float) -> float:
    """Return the inductance (H) of a lossy coil from its zero-phase frequency: the inverse of `resonance_formula`.

    Notes
    -----
    Source: circuit algebra; the root that tends to 1/((2 pi f)^2 C) as R -> 0.
    """
    w2 = (2.0 * math.pi * frequency_hz) ** 2
    half = 0.5 / (w2 * capacitance_f)
    inside = half * half - resistance_ohm * resistance_ohm / w2
    return half + math.sqrt(inside) if inside >= 0.0 else math.nan


@compiled
def reciprocal_count(frequency_hz: float, gate_s: float, reference_hz: float, start: float, jitter: float) -> float:
    """Return the frequency (Hz) read by a reciprocal counter: whole signal periods timed by a reference clock.

    start is the phase of the reference at the first edge, in [0, 1) counts; jitter is the noise of the time difference
    (counts of the reference).

    Notes
    -----
    Source: Kirianaki et al., Data Acquisition and Signal Processing for Smart Sensors (2002) (recalled).
    """
    periods = max(math.floor(frequency_hz * gate_s), 1.0)
    exact = periods / frequency_hz * reference_hz
    counts = math.floor(start + exact + jitter)
    return periods * reference_hz / max(counts, 1.0)


def resonance_frequency(inductance_h: ArrayLike, capacitance_f: ArrayLike, resistance_ohm: ArrayLike = 0.0) -> Array:
    """Return the zero-phase frequency of a lossy coil in parallel with a capacitor.

    Parameters
    ----------
    inductance_h, capacitance_f, resistance_ohm : array_like
        Inductance (H, > 0), capacitance (F, > 0) and series resistance (ohm, >= 0).

    Returns
    -------
    numpy.ndarray, broadcast shape
        Frequency (Hz); NaN where the tank is overdamped.

    Notes
    -----
    Source: circuit algebra (any circuit text).
    """
    inductance = np.asarray(inductance_h, dtype=float)
    inside = 1.0 / (inductance * np.asarray(capacitance_f)) - (np.asarray(resistance_ohm) / inductance) ** 2
    return np.asarray(np.sqrt(np.where(inside > 0.0, inside, np.nan)) / (2.0 * math.pi))


def inductance_from_frequency(
    frequency_hz: ArrayLike, capacitance_f: ArrayLike, resistance_ohm: ArrayLike = 0.0
) -> Array:
    """Return the inductance from the zero-phase frequency; the inverse of `resonance_frequency`.

    Parameters
    ----------
    frequency_hz, capacitance_f, resistance_ohm : array_like
        Frequency (Hz, > 0), capacitance (F, > 0), series resistance (ohm, >= 0).

    Returns
    -------
    numpy.ndarray, broadcast shape
        Inductance (H); NaN where no coil of that resistance resonates there.

    Notes
    -----
    Source: circuit algebra (any circuit text).
    """
    w2 = (2.0 * math.pi * np.asarray(frequency_hz, dtype=float)) ** 2
    half = 0.5 / (w2 * np.asarray(capacitance_f))
    inside = half**2 - np.asarray(resistance_ohm) ** 2 / w2
    return np.asarray(half + np.sqrt(np.where(inside >= 0.0, inside, np.nan)))


def quality_factor(inductance_h: ArrayLike, capacitance_f: ArrayLike, resistance_ohm: ArrayLike) -> Array:
    """Return the quality factor sqrt(L/C)/R of a tank.

    Parameters
    ----------
    inductance_h, capacitance_f, resistance_ohm : array_like
        Inductance (H), capacitance (F), series resistance (ohm), all > 0.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Quality factor (1).

    Notes
    -----
    Source: circuit algebra (any circuit text).
    """
    return np.asarray(
        np.sqrt(np.asarray(inductance_h, dtype=float) / np.asarray(capacitance_f)) / np.asarray(resistance_ohm)
    )


@dataclass(frozen=True)
class CounterReadout:
    """A tank and a reciprocal counter, the four numbers that set the noise of an inductance reading.

    Attributes
    ----------
    reference_hz : float
        Reference clock (Hz).
    gate_s : float
        Gate time (s).
    capacitance_f : float
        Tank capacitance, parasitics included (F).
    noise_counts : float
        Random error of the gated time, rms (reference counts), at the reference quality factor.
    reference_quality : float
        Quality factor at which noise_counts holds (1); the phase noise of an oscillator grows as 1/Q. 0 = the same
        for every Q.

    Raises
    ------
    RangeError
        A value is out of range; the message names it.
    """

    reference_hz: float = 50.0e6
    gate_s: float = 2.0e-3
    capacitance_f: float = 100.0e-12
    noise_counts: float = 1.0
    reference_quality: float = 0.0

    def __post_init__(self) -> None:
        for name in ("reference_hz", "gate_s", "capacitance_f"):
            check_range(getattr(self, name), 0.0, name=name, open_low=True)
        check_range(self.noise_counts, 0.0, name="noise_counts")
        check_range(self.reference_quality, 0.0, name="reference_quality")

    def resolution(self) -> float:
        """Return the relative step of the counter (1): 1 / (reference clock x gate time)."""
        return 1.0 / (self.reference_hz * self.gate_s)

    def frequency_noise(self, quality: float = math.inf) -> float:
        """Return the relative rms noise of one frequency reading (1).

        Quantisation of the two time stamps (1/sqrt(6) count) and the random counts add in squares.

        Parameters
        ----------
        quality : float
            Quality factor of the tank (1), > 0; used only when reference_quality is given.

        Returns
        -------
        float
            sd(f)/f (1).

        Notes
        -----
        Source: uniform quantiser, LSB/sqrt(6) for a difference of two stamps; oscillator phase noise proportional to
        1/Q after D. B. Leeson, Proc. IEEE 54(2) (1966) 329-330 (recalled).
        """
        scale = self.reference_quality / quality if self.reference_quality > 0.0 else 1.0
        return math.sqrt(1.0 / 6.0 + (self.noise_counts * scale) ** 2) * self.resolution()
