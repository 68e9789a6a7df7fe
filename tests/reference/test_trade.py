"""Facts of the trade, each marked "common practice, no source": what every maker of such pads expects to see."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from soft_tactile_node.design import evaluate, load_study, parse_study, run_study
from soft_tactile_node.design.iron_disc_model import build_model
from soft_tactile_node.physics.eddy_layers import Layer, SheetCoil, impedance_change, skin_depth
from soft_tactile_node.physics.liquid_metal import MetalFilm, film_impedance_change
from soft_tactile_node.physics.spiral import SpiralCoil
from unit.design.studies import IRON_DISC, LIQUID_METAL, SHIPPED, as_drawn, changed

TRADE = "common practice, no source"
MM = 1e-3
ALLOY = 1 / 29.4e-8


def figures_of(study):
    """Return the figures of a study's only design."""
    return evaluate(parse_study(study)[1][0].design)


def test_disc_nearer_raises_the_inductance(table):
    """The nearer the disc, the higher the inductance, at every force."""
    pad = figures_of(IRON_DISC)
    table.between("least rise per step of force (nH)", float(np.min(np.diff(pad.normal_h))) * 1e9, 1e-4, 1e3, TRADE)


def test_fuller_coil_cell_lowers_the_inductance(table):
    """More metal over the coil lowers it where the film is much thinner than the skin depth (CSV grid, 100 kHz)."""
    coil = SheetCoil(2 * MM, 6 * MM, 0.5 * MM, 0.6 * MM, 20)
    thin = [impedance_change(coil, Layer(ALLOY, t * MM), 1e5)[0] * 1e6 for t in (0.05, 0.1, 0.2, 0.5)]
    table.between(
        "greatest step of dL, 0.05 to 0.5 mm at 100 kHz (uH)", float(np.max(np.diff(thin))), -10.0, -1e-3, TRADE
    )
    coil_s = SpiralCoil(2 * MM, 6 * MM, 20)
    wet = [
        complex(film_impedance_change(coil_s, MetalFilm(7 * MM, 0.5 * MM, t * MM), 1e5)).real * 1e6
        for t in (0.02, 0.05, 0.1, 0.2)
    ]
    table.between("the same in a finite cell (uH)", float(np.max(np.diff(wet))), -10.0, -1e-3, TRADE)


def test_fuller_coil_cell_does_not_where_the_film_is_thick(table):
    """At 3 MHz the skin depth is 0.16 mm, and from 0.1 mm on more metal RAISES the inductance again."""
    table.close(
        "skin depth at 3 MHz (mm)", skin_depth(1 / ALLOY, 3e6) * 1e3, 0.158, "Dodd & Deeds warning [NUM]", rtol=0.01
    )
    coil = SheetCoil(2 * MM, 6 * MM, 0.5 * MM, 0.6 * MM, 20)
    got = [impedance_change(coil, Layer(ALLOY, t * MM), 3e6)[0] * 1e6 for t in (0.05, 0.1, 0.2, 0.5, 1.0)]
    table.close("dL at 3 MHz, 0.05 to 1 mm (uH)", got, [-1.939, -1.979, -1.950, -1.926, -1.927], "[NUM]", rtol=5e-4)
    assert got[1] < got[0]
    assert got[1] < got[2] < got[3]


def test_wider_press_cell_responds_more_up_to_its_optimum(table):
    """A wider press cell gives more response and SNR, up to the optimum; beyond it less. Both sides are shown."""
    snr, change = [], []
    for diameter in (8 * MM, 12 * MM, 28 * MM):
        # one newton in a small-signal regime: the formula of the optimum holds there
        study = changed(
            LIQUID_METAL,
            load={"points": 5, "normal_n": 0.2},
            pad__press_cell={"diameter_m": diameter, "roof_m": 2.5 * MM, "load_share": 0.6, "height_m": 3 * MM},
            pad__cells_apart_m=24 * MM,
        )
        pad = figures_of(study)
        snr.append(pad.snr_db)
        change.append(abs(float(pad.normal_h[-1])))
    table.between("gain of SNR, 8 to 12 mm (dB)", snr[1] - snr[0], 1.0, 20.0, TRADE)
    table.between("loss of SNR, 12 to 28 mm (dB)", snr[2] - snr[1], -40.0, -1.0, TRADE)
    assert change[1] > change[0]
    assert change[1] > change[2]


@pytest.fixture(scope="module")
def sixteen():
    """The results of the shipped study of sixteen."""
    _, cases = load_study(SHIPPED / "liquid_metal.yaml")
    assert len(cases) == 16
    return run_study([replace(case, design=as_drawn(case.design)) for case in cases], jobs=1)


@pytest.mark.slow
def test_good_prototype_is_near_65_db(table, sixteen):
    """The best of the sixteen lies between 55 and 75 dB, the noise computed again here from four numbers."""
    # reference clock, gate time, tank capacitor, counts rms: nothing else
    reference_hz, gate_s, capacitance_f, counts = 50e6, 2e-3, 100e-12, 1.0
    relative = math.sqrt(1.0 / 6.0 + counts**2) / (reference_hz * gate_s)
    own = []
    for result in sixteen:
        readout = result.case.design.readout
        assert (readout.reference_hz, readout.gate_s) == (reference_hz, gate_s)
        assert (readout.capacitance_f, readout.noise_counts) == (capacitance_f, counts)
        figures = result.figures
        # L from the frequency and the capacitor with the tank's loss, as in E3, and dL/L over df/f of such a tank
        damping = 1.0 / figures.noise.quality**2
        inductance = (1.0 - damping) / ((2.0 * math.pi * figures.frequency_hz) ** 2 * capacitance_f)
        factor = 2.0 * (1.0 - damping) / (1.0 - 2.0 * damping)
        own.append(20.0 * math.log10(abs(float(figures.normal_h[-1])) / (factor * inductance * relative)))
    table.between("best of sixteen, noise from four numbers (dB)", max(own), 55.0, 75.0, TRADE)
    best = max(result.figures.snr_db for result in sixteen)
    table.between("best of sixteen, as reported (dB)", best, 55.0, 75.0, TRADE)
    np.testing.assert_allclose([result.figures.snr_db for result in sixteen], own, rtol=0, atol=0.05)


@pytest.mark.slow
def test_sixteen_show_both_regimes(table, sixteen):
    """The study holds designs that fall and designs whose film is past its best, and says so."""
    falling = [r for r in sixteen if r.figures.usable and r.figures.normal_h[-1] < 0.0]
    raised = [r for r in sixteen if any("RAISES" in text for text in r.figures.remarks)]
    table.between("usable designs in which metal lowers L", len(falling), 1, 15, TRADE)
    table.between("designs past the best film thickness", len(raised), 1, 15, TRADE)


def test_one_sum_and_two_differences_give_three_axes(table):
    """Forces over the whole range come back from one sum and two differences of four coils, each to a few per cent.

    The map back is a polynomial of second order fitted to half of the samples and judged on the others.
    """
    design = parse_study(IRON_DISC)[1][0].design
    model = build_model(design, 9)
    rng = np.random.default_rng(12)
    normal = rng.uniform(0.5, 5.0, 160)
    shear = rng.uniform(-0.3, 0.3, (160, 2)) * normal[:, None] * 0.5
    changes = model.changes(normal, shear).real
    combos = np.stack([changes.sum(1), changes @ [1, 1, -1, -1], changes @ [1, -1, 1, -1]], axis=1)
    combos = combos / combos.std(axis=0)
    terms = np.column_stack(
        [np.ones(160), combos]
        + [combos[:, i] * combos[:, j] for i in range(3) for j in range(i, 3)]
        + [combos[:, i] * combos[:, j] * combos[:, k] for i in range(3) for j in range(i, 3) for k in range(j, 3)]
    )
    force = np.column_stack([shear, normal])
    fit, *_ = np.linalg.lstsq(terms[:80], force[:80], rcond=None)
    error = np.sqrt(np.mean((terms[80:] @ fit - force[80:]) ** 2, axis=0)) / np.ptp(force, axis=0)
    for axis, value in zip("xyz", error):
        table.between(f"rms error of force {axis} from three combinations (of range)", float(value), 0.0, 0.03, TRADE)


def test_steel_and_aluminium_lower_the_inductance(table):
    """A steel lid and an aluminium tray near the pad both lower the inductance at megahertz."""
    coil = SheetCoil(1 * MM, 4 * MM, 6 * MM, 6.1 * MM, 20)
    for name, layer in (("steel lid", Layer(7e6, 0.2 * MM, 100.0)), ("aluminium tray", Layer(3.6e7, 1 * MM))):
        got = impedance_change(coil, layer, 5e6)[0] * 1e9
        table.between(f"{name} at 6 mm (nH)", got, -1e3, -0.1, TRADE)
