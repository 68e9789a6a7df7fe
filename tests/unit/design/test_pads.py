"""Figures of single pads: what must hold for any design."""

from __future__ import annotations

import math

import numpy as np
import pytest

from soft_tactile_node.design import Study, evaluate, parse_study, rank, run_study
from soft_tactile_node.design.iron_disc_model import CushionMechanics, build_model
from soft_tactile_node.design.schema import Design
from soft_tactile_node.physics.two_cells import CellWall
from unit.design.studies import IRON_DISC, LIQUID_METAL, changed


def figures_of(study):
    """Return the figures of a study's only design."""
    return evaluate(parse_study(study)[1][0].design)


def design_of(study) -> Design:
    """Return a study's only design."""
    return parse_study(study)[1][0].design


@pytest.fixture(scope="module")
def disc_pad():
    """The figures of the iron-disc pad."""
    return figures_of(IRON_DISC)


@pytest.fixture(scope="module")
def metal_pad():
    """The figures of the liquid-metal pad."""
    return figures_of(LIQUID_METAL)


def test_iron_disc_rises(disc_pad):
    """Pressing raises the inductance, over all of the range; sum and differences are loud enough to count."""
    assert np.all(np.diff(disc_pad.normal_h) > 0.0)
    assert disc_pad.monotonic_range_n == 5.0
    assert disc_pad.snr_db > 30.0
    assert disc_pad.snr_shear_db > 30.0


def test_liquid_metal_falls(metal_pad):
    """Pressing lowers the inductance in the thin-film regime; shear is not sensed."""
    assert np.all(np.diff(metal_pad.normal_h) < 0.0)
    assert math.isnan(metal_pad.snr_shear_db)
    assert np.all(np.isnan(metal_pad.crosstalk_percent))


def test_snr_is_change_over_noise(disc_pad, metal_pad):
    """The ratio printed is the change at full scale over the noise of the signal it is measured with."""
    for pad, coils in ((disc_pad, 4), (metal_pad, 1)):
        noise = pad.noise.inductance_h * math.sqrt(coils)
        np.testing.assert_allclose(pad.snr_db, 20 * math.log10(abs(pad.normal_h[-1]) / noise), rtol=1e-12, atol=0)


def test_tank_frequency_is_that_of_its_parts(disc_pad, metal_pad):
    """Frequency, inductance at rest and capacitor belong together; the frequency asked for is met within a turn."""
    for pad, capacitance in ((disc_pad, 470e-12), (metal_pad, 100e-12)):
        ideal = 1 / (2 * math.pi * math.sqrt(pad.inductance_h * capacitance))
        expected = ideal * math.sqrt(1 - 1 / pad.noise.quality**2)
        np.testing.assert_allclose(pad.frequency_hz, expected, rtol=2e-3, atol=0)
    assert abs(metal_pad.frequency_hz / 1.2e6 - 1) < 0.04


def test_square_of_coils_is_symmetric(disc_pad):
    """A centred pad treats x and y alike, and its differences do not see the normal force."""
    table = disc_pad.crosstalk_percent
    np.testing.assert_allclose(np.diag(table), 100.0, rtol=1e-9, atol=0)
    np.testing.assert_allclose(table[0, 1], table[0, 2], rtol=2e-3, atol=0.05)
    np.testing.assert_allclose([table[1, 0], table[2, 0], table[1, 2], table[2, 1]], 0.0, rtol=0, atol=0.1)
    # misplaced along x, the x difference does see the normal force and the y difference does not
    moved = disc_pad.crosstalk_misplaced_percent
    assert abs(moved[1, 0]) > 1.0
    assert abs(moved[2, 0]) < 0.1


def test_three_combinations_tell_three_forces_apart(disc_pad):
    """One sum and two differences suffice for three axes: their table can be inverted, well conditioned."""
    table = disc_pad.crosstalk_percent / 100.0
    assert np.linalg.cond(table) < 20.0


def test_cushion_inverts_the_block_law():
    """The compression found gives back the force, and stays within the gap however hard one presses."""
    from soft_tactile_node.physics.elastomer import block_force_formula

    cushion = CushionMechanics(4e-3, 2e-3, 3e-3, 1e5)
    for force in (0.01, 1.0, 5.0):
        u = cushion.compression_m(force)
        back = block_force_formula(1e5, cushion.area_m2, 2e-3, cushion.shape_factor, u)
        np.testing.assert_allclose(back, force, rtol=1e-5, atol=0)
    assert cushion.compression_m(1e6) < 2e-3


def test_shear_and_tilt_raise_the_coils_ahead():
    """Shear along +x moves the disc over the coils at +x and tips it towards them: they rise, the others fall."""
    model = build_model(design_of(IRON_DISC), 9)
    rest, pushed = model.changes(np.array([2.5, 2.5]), np.array([[0.0, 0.0], [0.5, 0.0]])).real
    assert np.all((pushed - rest)[:2] > 0.0)
    assert np.all((pushed - rest)[2:] < 0.0)
    across = model.changes(np.array([2.5]), np.array([[0.0, 0.5]])).real[0]
    np.testing.assert_allclose(across[[0, 1]], pushed[[0, 2]], rtol=2e-3, atol=0)


def test_metal_stand_off_grows_with_deafness(disc_pad):
    """A stiffer pad reads less per newton, so metal must stay further away."""
    stiff = figures_of(changed(IRON_DISC, pad__cushion__silicone="medium_silicone"))
    assert abs(stiff.sensitivity_h_n) < abs(disc_pad.sensitivity_h_n)
    for name, value in disc_pad.stand_off_m.items():
        assert stiff.stand_off_m[name] > value > 0.0


def test_friction_of_the_oxide_adds_hysteresis(metal_pad):
    """A higher yield pressure in the duct widens the loop."""
    sticky = figures_of(changed(LIQUID_METAL, pad__duct={"yield_pressure_pa": 1500.0}))
    assert sticky.hysteresis_percent > metal_pad.hysteresis_percent + 1.0


def test_words_name_what_limits():
    """A film beyond the skin depth, a small press cell, a thick wall, a far disc: each is said in words."""
    metal, disc = changed(LIQUID_METAL, load__points=6), changed(IRON_DISC, load__points=6)
    thick = figures_of(changed(metal, pad__coil_cell__film_m=0.4e-3))
    assert any("thicker than the skin depth" in remark for remark in thick.remarks)
    assert any("RAISES" in remark for remark in thick.remarks)
    wide = figures_of(changed(metal, pad__press_cell__diameter_m=18e-3))
    assert any("past its optimum diameter" in remark for remark in wide.remarks)
    far = figures_of(changed(metal, pad__coil_cell__wall_m=4e-3))
    assert any("large against the coil's radius" in remark for remark in far.remarks)
    lean = figures_of(changed(disc, pad__cushion__gap_m=4e-3, pad__disc__fraction=0.1))
    assert any("large against the coil's radius" in remark for remark in lean.remarks)
    empty = figures_of(changed(metal, pad__press_cell__height_m=0.1e-3))
    assert any("squeezed empty" in remark for remark in empty.remarks)
    assert not empty.usable
    stiff = figures_of(changed(disc, pad__disc__radius_m=6e-3, pad__cushion__gap_m=1e-3))
    assert any("moves only" in remark for remark in stiff.remarks)


def test_optimum_of_the_press_cell():
    """Volume per newton peaks where the press cell's roof is twice as compliant as the coil cell's (thin plates)."""
    cell = CellWall(5e-3, 0.3e-3, 3e5).compliance_m3_pa()
    radii = 4e-3 * np.geomspace(1.0 / 3.0, 3.0, 241)
    press = np.array([CellWall(float(radius), 0.2e-3, 3e5).compliance_m3_pa() for radius in radii])
    best = int(np.argmax(press * cell / ((press + cell) * radii**2)))
    assert 0 < best < radii.size - 1
    assert press[best] / cell == pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize("study", [IRON_DISC, LIQUID_METAL], ids=["iron_disc", "liquid_metal"])
def test_second_formula_agrees(study):
    """Turn by turn or as one even winding, the inductance of the coil alone is the same within 5 %."""
    assert abs(figures_of(study).second_formula_percent) < 5.0


def test_ranking_puts_deaf_designs_last():
    """Usable designs come first, each group by the figure asked for."""
    grid = {"pad.press_cell.height_m": [1.5e-3, 0.1e-3], "pad.coil_cell.wall_m": [0.4e-3, 1.2e-3]}
    study, cases = parse_study(changed(LIQUID_METAL, sweep={"grid": grid}, load__points=6))
    results = run_study(cases, jobs=1)
    ranked = rank(results, study)
    assert [one.figures.usable for one in ranked] == [True, True, False, False]
    assert ranked[0].figures.snr_db > ranked[1].figures.snr_db
    by_bend = rank(results, Study.model_validate({**LIQUID_METAL, "rank_by": "bend_apparent_n"}))
    assert by_bend[0].figures.bend_apparent_n <= by_bend[1].figures.bend_apparent_n


def test_bending_at_worst_is_that_of_the_worst_gap():
    """Where bending changes its sign with the gap it hardly reads as drawn, but within the tolerances it does."""
    wide = changed(IRON_DISC, pad__spacing_m=8.4e-3, load__misplacement_m=1e-9)
    exact, loose = ({"gap_m": gap_m, "thickness_m": 0.0} for gap_m in (0.0, 0.1e-3))
    low, drawn, high = (
        figures_of(changed(wide, pad__cushion__gap_m=gap_m, tolerances=exact)) for gap_m in (1.4e-3, 1.5e-3, 1.6e-3)
    )
    cast = figures_of(changed(wide, pad__cushion__gap_m=1.5e-3, tolerances=loose))
    assert low.bend_h * high.bend_h < 0.0
    assert cast.bend_apparent_n == drawn.bend_apparent_n
    assert cast.bend_worst_n == pytest.approx(max(low.bend_apparent_n, high.bend_apparent_n), rel=1e-3)
    assert cast.bend_worst_n > 3.0 * cast.bend_apparent_n


@pytest.mark.parametrize("study", [IRON_DISC, LIQUID_METAL], ids=["iron_disc", "liquid_metal"])
def test_looser_tolerances_are_worse(study):
    """What bending looks like at worst grows with each tolerance; it is never below that of the pad as drawn."""
    sizes = [{"gap_m": gap, "thickness_m": thick} for gap, thick in ((0.0, 0.0), (1e-4, 0.0), (1e-4, 2e-4))]
    found = [figures_of(changed(study, tolerances=size)) for size in sizes]
    assert found[0].bend_worst_n >= found[0].bend_apparent_n
    assert found[0].bend_worst_n < found[1].bend_worst_n < found[2].bend_worst_n
