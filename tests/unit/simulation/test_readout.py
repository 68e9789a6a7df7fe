"""Front end: unbiased counting, its step, noise and drift; pressure with a clock of its own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.simulation.iron_disc_pad import PAD
from soft_tactile_node.simulation.readout import (
    FingerReadout,
    count_inductance,
    draw_drift,
    draw_readout,
    read_loss,
    read_pressure,
)

GATE_S = 0.4e-3
INDUCTANCE_H = 1.7e-6


@pytest.fixture
def readout():
    """Return the front end of an iron-disc pad."""
    return draw_readout(np.random.default_rng(1), PAD.readout)


def read_many(readout, inductance_h, count=4000, gate_s=GATE_S, loss_ohm=1.1):
    """Return many readings of one coil."""
    rng = np.random.default_rng(2)
    draws = zip(rng.standard_normal(count), rng.uniform(size=count), strict=True)
    return np.array([count_inductance(readout, inductance_h, loss_ohm, gate_s, n, p) for n, p in draws])


@pytest.mark.parametrize("inductance", [1.5e-6, 1.7e-6, 1.95e-6])
def test_readings_are_unbiased(readout, inductance):
    """The mean of many readings is the inductance, within its standard error and a thousandth of a count's worth."""
    readings = read_many(readout, inductance)
    error = np.std(readings) / np.sqrt(len(readings))
    assert abs(np.mean(readings) - inductance) < 4.0 * error + 1.0e-7 * inductance


def test_noise_is_above_one_count_and_below_two_hundredths_of_a_newton(readout):
    """Noise hides the counter's step, so that a stuck channel shows; 0.02 N (some 70 ppm of a coil) shows, too."""
    readings = read_many(readout, INDUCTANCE_H)
    relative = np.std(readings) / INDUCTANCE_H
    assert 10.0e-6 < relative < 60.0e-6


def test_counter_step_is_that_of_a_reciprocal_counter(readout):
    """Without jitter readings fall on a grid of 2/(f_ref T) relative.

    Source: N. V. Kirianaki et al., Data Acquisition and Signal Processing for Smart Sensors (2002): one count of the
    reference clock is 1/(f_ref T) of the frequency, twice that of the inductance (recalled).
    """
    quiet = readout._replace(jitter=0.0)
    values = np.unique(read_many(quiet, INDUCTANCE_H))
    assert len(values) == 2
    step = 2.0 / (readout.clock_hz * GATE_S)
    assert_allclose((values[1] - values[0]) / INDUCTANCE_H, step, rtol=0.02, atol=0.0)


def test_longer_gate_is_quieter(readout):
    """Four times the gate halves the noise.

    Source: averaging of white noise, any statistics text.
    """
    short, long = read_many(readout, INDUCTANCE_H), read_many(readout, INDUCTANCE_H, gate_s=4.0 * GATE_S)
    assert_allclose(np.std(short) / np.std(long), 2.0, rtol=0.08, atol=0.0)


def test_loss_shifts_the_reading_as_the_tank_says(readout):
    """More loss than assumed lowers the frequency: L reads high by about (R^2 - R0^2) C / L relative.

    Source: phase-zero frequency of a lossy tank, sqrt(1/(LC) - (R/L)^2) / 2 pi, any circuit text.
    """
    shift = np.mean(read_many(readout, INDUCTANCE_H, loss_ohm=1.6)) / INDUCTANCE_H - 1.0
    expected = (1.6**2 - readout.resistance_ohm**2) * readout.capacitance_f / INDUCTANCE_H
    assert_allclose(shift, expected, rtol=0.02, atol=0.0)


def test_drift_wanders_slowly_and_is_partly_common(readout):
    """Drift has its stated size, keeps its value over a second and moves all channels together in part."""
    rng = np.random.default_rng(3)
    drift = draw_drift(readout, rng, 200_000, 4, 0.5)
    assert_allclose(np.std(drift), np.hypot(readout.drift, readout.drift_common), rtol=0.15, atol=0.0)
    assert np.max(np.abs(np.diff(drift, axis=0))) < 0.5 * np.std(drift)
    shared = readout.drift_common**2 / (readout.drift_common**2 + readout.drift**2)
    assert_allclose(np.corrcoef(drift.T)[0, 1], shared, rtol=0.0, atol=0.1)


def test_pressure_has_its_own_slower_clock(readout):
    """At 500 scans a second every fifth row has a pressure, on a grid of its step, within its noise."""
    time = np.arange(5000) / 500.0
    column = read_pressure(readout, np.random.default_rng(4), time, np.full(5000, 30.0e3), 0.003)
    fresh = np.flatnonzero(~np.isnan(column))
    assert fresh[0] == 0
    assert set(np.diff(fresh[1:])) <= {4, 5, 6}
    assert_allclose(len(fresh), 1000, rtol=0.0, atol=3.0)
    expected = readout.pressure_gain * 30.0e3 + readout.pressure_offset_pa
    values = column[fresh]
    assert_allclose(np.mean(values), expected, rtol=0.0, atol=6.0)
    steps = values / readout.pressure_step_pa
    assert_allclose(steps, np.round(steps), rtol=0.0, atol=1.0e-6)


def test_stepped_front_end_reads_like_the_whole_recording(readout):
    """Scan by scan the same mean, noise and pressure clock come out as for a recording at once."""
    stepped = FingerReadout(readout._replace(drift=0.0, drift_common=0.0), 4, 0.002, np.random.default_rng(5))
    coils = np.array([stepped.coils(np.full(4, INDUCTANCE_H), np.full(4, 1.1)) for _ in range(2000)])
    whole = read_many(readout, INDUCTANCE_H)
    assert_allclose(np.mean(coils), INDUCTANCE_H, rtol=3.0e-6, atol=0.0)
    assert_allclose(np.std(coils), np.std(whole), rtol=0.06, atol=0.0)
    column = np.array([stepped.pressure(0.002 * k, 30.0e3) for k in range(2000)])
    assert_allclose(np.count_nonzero(~np.isnan(column)), 400, rtol=0.0, atol=2.0)
    assert_allclose(stepped.temperature(22.0), 22.0, rtol=0.0, atol=0.2)


def test_loss_noise_scales_with_the_gate(readout):
    """The loss is read with its stated relative noise."""
    loss = read_loss(readout, np.random.default_rng(6), np.full(20_000, 1.5), 0.25e-3)
    assert_allclose(np.std(loss) / 1.5, 2.0 * readout.loss_noise, rtol=0.03, atol=0.0)
