"""Pad variant iron_disc: signs, directions, and the table against the field integral it stands for."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reference.formulas import diagonal_change
from soft_tactile_node.physics.demagnetisation import demagnetised_response
from soft_tactile_node.physics.iron_disc import CoilField, board_inductance_change
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.iron_disc_pad import (
    CENTRES_M,
    COIL,
    DISC,
    disc_inductance,
    draw_iron_disc,
    load_iron_disc_tables,
)
from soft_tactile_node.simulation.sensors import draw_specimen
from soft_tactile_node.simulation.timeline import Timeline
from unit.simulation.bench import P, ideal_inductance, press_script, run_bench

NO_LID_M = 1.0


def nominal_pad():
    """Return a pad without tolerances."""
    pad = draw_iron_disc(np.random.default_rng(0))
    return pad._replace(coil_scale=np.ones(4), disc_scale=1.0, copper_ppm_per_k=np.zeros(4))


def inductance_of(pose, pad=None, lid_m=NO_LID_M):
    """Return the inductance of the four coils (H) at a pose of the disc."""
    out, loss = np.empty(4), np.empty(4)
    disc_inductance(pad or nominal_pad(), load_iron_disc_tables(), pose, 22.0, lid_m, out, loss)
    return out


@pytest.mark.parametrize(
    "pose",
    [
        (2.2e-3, 0.0, 0.0, 0.0, 0.0),
        (1.5e-3, 0.6e-3, -0.4e-3, 0.0, 0.0),
        (1.8e-3, 0.0, 0.0, 0.05, -0.08),
        (1.4e-3, -0.8e-3, 0.5e-3, -0.06, 0.07),
    ],
)
def test_table_stands_for_the_field_integral(pose):
    """The tabulated coil agrees with the direct solution of the whole board within 0.02 % of the inductance.

    Source: coil field on the magnetised disc with its demagnetisation, the same integral without a table; the pad frame
    is turned by pi about x into the board's.
    """
    height, x, y, tilt_x, tilt_y = pose
    coils = np.array(CENTRES_M) * [1.0, -1.0]
    centre = [x, -y, height + 0.5 * DISC.thickness_m]
    response = demagnetised_response(DISC, rings=14, orders=10)
    field = CoilField(COIL, 0.05e-3, 12.0e-3, 22.0e-3)
    expected = diagonal_change(board_inductance_change(response, field, coils, centre, (tilt_x, -tilt_y)))
    air = load_iron_disc_tables().air_h
    assert_allclose(inductance_of(pose) - air, expected, rtol=0.0, atol=2.0e-4 * air)


def test_inductance_rises_as_the_disc_comes_nearer():
    """A pressed disc raises all four inductances alike; far away it changes nothing."""
    low, high = inductance_of((1.2e-3, 0.0, 0.0, 0.0, 0.0)), inductance_of((2.4e-3, 0.0, 0.0, 0.0, 0.0))
    air = load_iron_disc_tables().air_h
    assert np.all(low > 1.01 * high)
    assert np.all(high > air)
    assert np.ptp(low) < 1.0e-4 * air


def test_shear_and_tilt_are_seen_as_differences():
    """Moved towards the tip the disc favours the tip's coils, towards +y those of +y; tilted, the lowered side."""
    tip, plus_y = np.array([1, 1, -1, -1]), np.array([1, -1, 1, -1])
    still = inductance_of((2.0e-3, 0.0, 0.0, 0.0, 0.0))
    for pose, pattern in (
        ((2.0e-3, 0.5e-3, 0.0, 0.0, 0.0), tip),
        ((2.0e-3, 0.0, 0.5e-3, 0.0, 0.0), plus_y),
        # about +y the tip's side (x > 0) goes to -z: away from the coils, which lie inwards
        ((2.0e-3, 0.0, 0.0, 0.0, 0.04), -tip),
        # about +x the side of +y goes to +z: towards the coils
        ((2.0e-3, 0.0, 0.0, 0.04, 0.0), plus_y),
    ):
        change = inductance_of(pose) - still
        assert np.all(change * pattern > 5.0e-4 * still)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_force_raises_the_sum(seed):
    """Pressed with 4 N all channels together rise by a per cent or more, by far more than noise and temperature."""
    specimen = draw_specimen(seed, "iron_disc")
    course = run_bench(specimen, press_script((0.0, 0.0, 4.0)))
    coils = ideal_inductance(specimen, course)
    change = np.mean(coils[3000] / coils[1500] - 1.0)
    assert 0.008 < change < 0.05


def test_shear_force_moves_the_differences():
    """A force towards the tip raises the tip's coils against the root's; sideways it raises those of that side."""
    specimen = draw_specimen(3, "iron_disc")
    straight = ideal_inductance(specimen, run_bench(specimen, press_script((0.0, 0.0, 3.0))))[3000]
    along = ideal_inductance(specimen, run_bench(specimen, press_script((1.2, 0.0, 3.0))))[3000] / straight - 1.0
    across = ideal_inductance(specimen, run_bench(specimen, press_script((0.0, 1.2, 3.0))))[3000] / straight - 1.0
    assert along[:2].min() > along[2:].max() + 1.0e-3
    assert across[[0, 2]].min() > across[[1, 3]].max() + 1.0e-3


def test_bending_looks_like_a_force():
    """Free bending raises the sum like a press of one to some newtons, and the tip's coils most (shear and tilt)."""
    specimen = draw_specimen(4, "iron_disc")
    script = Timeline(22.0)
    script.move(P, 60.0e3, 1.0)
    script.wait(3.0)
    bent = ideal_inductance(specimen, run_bench(specimen, script))
    pressed = ideal_inductance(specimen, run_bench(specimen, press_script((0.0, 0.0, 2.0))))
    per_newton = np.mean(pressed[3000] / pressed[1500] - 1.0) / 2.0
    change = bent[-1] / bent[0] - 1.0
    assert 0.8 < np.mean(change) / per_newton < 5.0
    assert change[:2].min() > change[2:].max() + 3.0e-3


def test_temperature_drifts_by_about_a_hundred_ppm_per_kelvin():
    """Warming without contact moves every channel by some 100 ppm/K.

    Source: common practice, no source.
    """
    specimen = draw_specimen(5, "iron_disc")
    script = Timeline(18.0)
    script.wait(1.0)
    script.ramp(at.COMMAND_TEMPERATURE, 28.0, 1.0)
    script.wait(2.0)
    coils = ideal_inductance(specimen, run_bench(specimen, script))
    slope = (coils[-1] / coils[0] - 1.0) / 10.0
    assert np.all((slope > 40.0e-6) & (slope < 180.0e-6))


def test_a_steel_lid_lowers_the_inductance():
    """Steel near the pad lowers L, more the nearer it is: the opposite of a press.

    Source: eddy-current screening at megahertz, Dodd & Deeds, J. Appl. Phys. 39 (1968) 2829 (recalled).
    """
    pose = (2.0e-3, 0.0, 0.0, 0.0, 0.0)
    none, far, near = (float(np.mean(inductance_of(pose, lid_m=lid))) for lid in (NO_LID_M, 22.0e-3, 3.0e-3))
    assert near < far < none
    assert near < none * (1.0 - 2.0e-4)
    # the jar's lid of the picks counts for less than some hundredths of a newton
    assert far > none * (1.0 - 3.0e-4)
