"""Tank and counter of a design: frequency, noise of a reading, what a reading makes of a change of loss."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.design.conditions import Readout
from soft_tactile_node.physics.resonator import inductance_from_frequency, quality_factor, resonance_frequency

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Noise:
    """Noise of one inductance reading and what it is made of.

    Attributes
    ----------
    step : float
        Relative step of the counter (1).
    quantisation : float
        Relative rms error of the two time stamps (1).
    random : float
        Relative rms error of the oscillator and comparator (1).
    frequency : float
        Both together: sd(f)/f (1).
    inductance_h : float
        Rms noise of one reading (H).
    quality : float
        Quality factor of the tank at rest (1).
    """

    step: float
    quantisation: float
    random: float
    frequency: float
    inductance_h: float
    quality: float


def reading_noise(readout: Readout, inductance_h: float, resistance_ohm: float) -> Noise:
    """Return the noise of one reading, from reference clock, gate time, capacitor, quality and counts.

    Parameters
    ----------
    readout : Readout
        Tank and counter.
    inductance_h, resistance_ohm : float
        Coil at rest (H, ohm).

    Returns
    -------
    Noise
        Noise and its parts.

    Notes
    -----
    Source: counter as in `resonator.CounterReadout`; frequency to inductance by the slope of the lossy tank's relation.
    """
    counter = readout.counter()
    quality = float(quality_factor(inductance_h, readout.capacitance_f, resistance_ohm))
    total = counter.frequency_noise(quality)
    step = counter.resolution()
    quantisation = step / math.sqrt(6.0)
    frequency = float(resonance_frequency(inductance_h, readout.capacitance_f, resistance_ohm))
    if math.isnan(frequency):
        return Noise(step, quantisation, math.sqrt(max(total**2 - quantisation**2, 0.0)), total, math.nan, quality)
    small = 1.0e-4
    low, high = (
        float(inductance_from_frequency(frequency * (1.0 + sign * small), readout.capacitance_f, resistance_ohm))
        for sign in (-1.0, 1.0)
    )
    slope = abs(high - low) / (2.0 * small)
    random = math.sqrt(max(total**2 - quantisation**2, 0.0))
    return Noise(step, quantisation, random, total, slope * total, quality)


def read_inductance(readout: Readout, inductance_h: Array, resistance_ohm: Array, rest_ohm: float) -> Array:
    """Return inductances as the counter gives them: from the frequency, with the loss at rest assumed throughout.

    A change of loss moves the frequency of a tank of low quality as well, and reads as a change of inductance.

    Parameters
    ----------
    readout : Readout
        Tank and counter.
    inductance_h, resistance_ohm : numpy.ndarray, shape (n,)
        What the coil is (H, ohm).
    rest_ohm : float
        Loss at rest (ohm).

    Returns
    -------
    numpy.ndarray, shape (n,)
        What is read (H); the inductance itself where the tank would not swing.

    Notes
    -----
    Source: zero-phase frequency of a lossy coil in parallel with a capacitor, see `resonator`.
    """
    frequency = resonance_frequency(inductance_h, readout.capacitance_f, resistance_ohm)
    read = inductance_from_frequency(frequency, readout.capacitance_f, rest_ohm)
    return np.where(np.isfinite(read), read, inductance_h)


def choose_turns(frequency_of: Callable[[int], float], frequency_hz: float) -> int:
    """Return the turns of a layer (1) at which `frequency_of` them comes closest to `frequency_hz` (Hz)."""
    turns = 10
    for _ in range(4):  # the frequency is about as one over the turns
        turns = min(max(1, round(turns * frequency_of(turns) / frequency_hz)), 500)
    choices = [max(1, turns - 1), turns, turns + 1]
    return min(choices, key=lambda n: abs(math.log(frequency_of(n) / frequency_hz)))


def tank_frequency(inductance_h: float, capacitance_f: float, resistance_ohm: float) -> float:
    """Return at which frequency a tank swings (Hz), its losses counted unless it would not swing at all."""
    lossy = float(resonance_frequency(inductance_h, capacitance_f, resistance_ohm))
    return lossy if math.isfinite(lossy) else float(resonance_frequency(inductance_h, capacitance_f))
