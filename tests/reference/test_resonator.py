"""Group E: resonance and counting."""

import math

import numpy as np

from soft_tactile_node.physics.resonator import (
    CounterReadout,
    inductance_formula,
    inductance_from_frequency,
    quality_factor,
    reciprocal_count,
    resonance_formula,
    resonance_frequency,
)

CIRCUIT = "circuit algebra [NUM]"


def test_lossless_resonance(table):
    """E1 and E2: resonance and its slope."""
    table.close("E1 10 uH, 100 pF (MHz)", resonance_frequency(10e-6, 100e-12) * 1e-6, 5.0329212, CIRCUIT, rtol=1e-7)
    f = float(resonance_frequency(3.2448917e-6, 100e-12))
    table.close("E2 3.2448917 uH, 100 pF (MHz)", f * 1e-6, 8.8352742, CIRCUIT, rtol=1e-7)
    step = 1e-13
    low, high = (float(resonance_frequency(3.2448917e-6 + s, 100e-12)) for s in (-step, step))
    table.close("E2 slope (Hz per nH)", (high - low) / (2 * step) * 1e-9, -1361.41, CIRCUIT, rtol=4e-6)


def test_lossy_resonance(table):
    """E3: quality and the shift of the zero-phase frequency."""
    q = float(quality_factor(10e-6, 100e-12, 2.0))
    table.close("E3 Q", q, 158.114, CIRCUIT, rtol=2e-6)
    f = float(resonance_frequency(10e-6, 100e-12, 2.0))
    table.close("E3 zero-phase frequency (MHz)", f * 1e-6, 5.03282055, CIRCUIT, rtol=1e-8)
    shift = f / float(resonance_frequency(10e-6, 100e-12)) - 1
    table.close("E3 shift (ppm)", shift * 1e6, -1e6 / (2 * q**2), "-1/(2 Q^2)", rtol=1e-4)
    # the parallel circuit has zero phase there: Im of the admittance vanishes
    w = 2 * math.pi * f
    admittance = 1j * w * 100e-12 + 1 / (2.0 + 1j * w * 10e-6)
    table.close("E3 phase of the admittance", admittance.imag / admittance.real, 0.0, CIRCUIT, atol=1e-9)


def test_inductance_round_trip(table):
    """E4: inductance from frequency is exact, and dL/L = -2 df/f for small changes."""
    inductance = np.geomspace(1e-6, 1e-4, 7)
    back = inductance_from_frequency(resonance_frequency(inductance, 100e-12, 3.0), 100e-12, 3.0)
    table.close("E4 round trip (H)", back, inductance, "identity", rtol=1e-12)
    f = float(resonance_frequency(10e-6, 100e-12))
    table.close("E4 L from f (uH)", 1e6 / ((2 * math.pi * f) ** 2 * 100e-12), 10.0, "identity", rtol=1e-12)
    ratio = (float(inductance_from_frequency(f * (1 + 1e-6), 100e-12)) / 10e-6 - 1) / 1e-6
    table.close("E4 dL/L over df/f", ratio, -2.0, "identity", rtol=1e-5)
    np.testing.assert_allclose(resonance_formula(10e-6, 1e-10, 2.0), resonance_frequency(10e-6, 1e-10, 2.0), rtol=1e-15)
    np.testing.assert_allclose(
        inductance_formula(5e6, 1e-10, 2.0), inductance_from_frequency(5e6, 1e-10, 2.0), rtol=1e-15
    )


def test_reciprocal_resolution(table):
    """E6: one count of a 50 MHz reference in 1 ms."""
    got = CounterReadout(50e6, 1e-3).resolution()
    table.close("E6 relative step, 50 MHz, 1 ms", got, 2.0e-5, "Kirianaki et al. 2002 [RECALL]", rtol=1e-14)


def test_quantiser(table):
    """E7: one stamp errs by LSB/sqrt(12), a difference of two by LSB/sqrt(6); the reciprocal counter shows it."""
    rng = np.random.default_rng(9)
    value = rng.uniform(0, 1000, 400_000)
    one = np.round(value) - value
    table.close("E7 sd of one stamp (LSB)", np.std(one), 0.288675, "uniform quantiser [NUM]", rtol=0.005)
    two = one - rng.permutation(one)
    table.close("E7 sd of a difference (LSB)", np.std(two), 0.408248, "uniform quantiser [NUM]", rtol=0.005)
    # frequencies drawn over a wide range, so that the fraction of a count is even
    frequency = rng.uniform(4e6, 9e6, 100_000)
    read = np.array(
        [reciprocal_count(f, 2e-3, 50e6, phase, 0.0) for f, phase in zip(frequency, rng.random(frequency.size))]
    )
    got = float(np.std(read / frequency - 1))
    table.close("E7 reciprocal counter, sd(f)/f", got, 0.408248 / (50e6 * 2e-3), "LSB/sqrt(6) [NUM MC]", rtol=0.01)
    noiseless = CounterReadout(50e6, 2e-3, noise_counts=0.0).frequency_noise()
    table.close("E7 the formula of the same", noiseless, 0.408248 / 100_000, "LSB/sqrt(6)", rtol=1e-6)


def test_noise_from_four_numbers(table):
    """50 MHz, 2 ms, 100 pF, 1 count rms: the noise of an inductance, computed by hand."""
    readout = CounterReadout(50e6, 2e-3, 100e-12, 1.0)
    expected = 2 * 3e-6 * math.sqrt(1 / 6 + 1.0) / (50e6 * 2e-3)
    noise = 2 * 3e-6 * readout.frequency_noise()
    table.close("noise of 3 uH (H)", noise, expected, "E4, E6, E7 by hand", rtol=1e-12)
    rng = np.random.default_rng(10)
    frequency = float(resonance_frequency(3e-6, 100e-12))
    spread = frequency * (1 + rng.uniform(-1e-3, 1e-3, 100_000))
    read = np.array(
        [
            reciprocal_count(f, 2e-3, 50e6, phase, jitter)
            for f, phase, jitter in zip(spread, rng.random(spread.size), rng.standard_normal(spread.size))
        ]
    )
    error = inductance_from_frequency(read, 100e-12) - inductance_from_frequency(spread, 100e-12)
    table.close("noise of 3 uH, simulated (H)", np.std(error), expected, "Monte Carlo", rtol=0.02)
