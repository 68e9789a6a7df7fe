"""The small computations behind a design's figures, against values anyone can work out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soft_tactile_node.design.conditions import Load, Plate, Readout
from soft_tactile_node.design.figures import (
    decibel,
    elastic_cycle,
    hysteresis_percent,
    monotonic_range,
    plate_change,
    stand_off,
    winding,
    zero_slope,
)
from soft_tactile_node.design.materials import MATERIALS, Conductor, Silicone
from soft_tactile_node.design.readings import choose_turns, read_inductance, reading_noise
from soft_tactile_node.physics.eddy_layers import air_inductance
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings

FORCE = np.linspace(0.0, 5.0, 51)


def test_monotonic_range_of_a_parabola():
    """A signal that turns back at 3 N has a range that ends where its slope falls below a twentieth of the first."""
    got = monotonic_range(FORCE, -(6.0 * FORCE - FORCE**2))
    assert got == pytest.approx(2.9, abs=0.1)


def test_monotonic_range_of_a_line_is_all_of_it():
    """A straight line never stops, whichever way it runs."""
    assert monotonic_range(FORCE, 2.0 * FORCE) == 5.0
    assert monotonic_range(FORCE, -2.0 * FORCE) == 5.0


def test_zero_slope():
    """The slope at no load is that of the first part of the curve."""
    np.testing.assert_allclose(zero_slope(FORCE, 3.0 * FORCE - 0.2 * FORCE**2), 3.0, rtol=0.01, atol=0)


def test_decibel():
    """A hundredfold is 40 dB, either sign."""
    assert decibel(-100.0) == pytest.approx(40.0)
    assert decibel(0.0) == -math.inf


def test_noise_is_the_sum_of_its_parts():
    """Clock, gate, counts and inductance give the noise by hand; a lossy tank turns more of it into inductance."""
    noise = reading_noise(Readout(), 10e-6, 1e-3)
    assert noise.step == pytest.approx(1.0e-5)
    assert noise.frequency == pytest.approx(1.0e-5 * math.sqrt(1 / 6 + 1))
    assert noise.inductance_h == pytest.approx(2 * 10e-6 * noise.frequency, rel=1e-6)
    lossy = reading_noise(Readout(), 10e-6, 100.0)
    assert lossy.quality == pytest.approx(math.sqrt(10e-6 / 100e-12) / 100.0)
    assert lossy.inductance_h > noise.inductance_h
    assert math.isnan(reading_noise(Readout(), 10e-6, 1e4).inductance_h)


def test_a_reading_knows_frequency_only():
    """With the loss of rest the reading is the inductance; with less loss it reads lower, as the frequency rises."""
    inductance = np.array([10e-6, 9.9e-6])
    same = read_inductance(Readout(), inductance, np.full(2, 50.0), 50.0)
    np.testing.assert_allclose(same, inductance, rtol=1e-12, atol=0)
    less = read_inductance(Readout(), inductance, np.array([50.0, 30.0]), 50.0)
    assert less[1] < inductance[1]
    # what is read gives the frequency that was counted
    frequency = math.sqrt(1 / (9.9e-6 * 1e-10) - (30.0 / 9.9e-6) ** 2)
    assert math.sqrt(1 / (less[1] * 1e-10) - (50.0 / less[1]) ** 2) == pytest.approx(frequency, rel=1e-12)


def test_noise_grows_with_loss_when_asked():
    """With a reference quality the random part falls with the quality factor; the quantisation does not."""
    readout = Readout(reference_quality=100.0)
    good, bad = reading_noise(readout, 10e-6, 1.0), reading_noise(readout, 10e-6, 10.0)
    assert bad.random == pytest.approx(10.0 * good.random)
    assert bad.quantisation == good.quantisation


def test_elastic_pad_has_no_hysteresis():
    """Without a relaxing branch and without friction the two branches are one."""
    rubber = Silicone(modulus_pa=1e5, branch_share=0.0)
    assert hysteresis_percent(Load(), rubber, FORCE, 2.0 * FORCE) == pytest.approx(0.0, abs=1e-9)


def test_friction_makes_a_parallelogram():
    """Friction alone separates the branches by its full width: 0.2 N of 5 N is 4 %."""
    rubber = Silicone(modulus_pa=1e5, branch_share=0.0)
    assert hysteresis_percent(Load(), rubber, FORCE, FORCE, friction_n=0.1) == pytest.approx(4.0, rel=1e-6)


def test_viscoelastic_loop_against_closed_form():
    """The settled loop of a standard linear solid under a triangle of force has the width of its closed form."""
    share, tau, period = 0.1, 2.0, 10.0
    load = Load(cycle_s=period)
    path, elastic = elastic_cycle(load, Silicone(modulus_pa=1e5, branch_share=share, relaxation_s=tau))
    # the elastic force f obeys f' (1 + share) + (f - F)/tau = F': a lag with the retardation time tau (1 + share)
    late = tau * (1.0 + share)
    rate = load.normal_n / (0.5 * period)
    # d = f - F of the settled triangle obeys d' = -d/late -+ rate share/(1 + share), antisymmetric over half a period
    settled = share * tau * rate
    start = settled * math.tanh(0.25 * period / late)
    np.testing.assert_allclose(elastic[0] - path[0], start, rtol=0.01, atol=0)
    half = (path.size + 1) // 2
    np.testing.assert_allclose(elastic[half - 1] - path[half - 1], -start, rtol=0.01, atol=0)


def test_stand_off_finds_the_distance():
    """A change that falls as 1/z^3 crosses its threshold where it should."""
    got = stand_off(lambda z: -1e-9 * (1e-2 / z) ** 3, 5e-3, 1e-10)
    assert got == pytest.approx(1e-2 * 10 ** (1 / 3) - 5e-3, rel=1e-3)
    assert stand_off(lambda z: -1e-12, 5e-3, 1e-10) == 0.0
    assert stand_off(lambda z: -1e-6, 5e-3, 1e-10) == 0.5


def test_winding_stands_for_the_coil():
    """The even winding that stands for a coil of two layers has its inductance within 3 %."""
    coil = SpiralCoil(1e-3, 4e-3, 12, layers=2)
    np.testing.assert_allclose(air_inductance(winding(coil, 1e-3)), inductance_rings(coil), rtol=0.03, atol=0)


def test_metal_lowers_the_inductance_of_a_coil_at_radio_frequency():
    """Steel and aluminium both lower it at megahertz, steel a little less."""
    coil = SpiralCoil(1e-3, 4e-3, 12)
    changes = {}
    for name in ("steel", "aluminium"):
        metal = MATERIALS[name]
        assert isinstance(metal, Conductor)
        changes[name] = plate_change(coil, Plate(name=name, conductor=name, thickness_m=1e-3), metal, 3e-3, 5e6)
    assert changes["aluminium"] < changes["steel"] < 0.0


def test_turns_are_chosen_to_the_nearest():
    """The turns come within one of the frequency asked for."""
    got = choose_turns(lambda n: 1 / (2 * math.pi * n * math.sqrt(1e-8 * 100e-12)), 5e6)
    exact = math.sqrt(1 / ((2 * math.pi * 5e6) ** 2 * 100e-12 * 1e-8))
    assert abs(got - exact) <= 0.5
