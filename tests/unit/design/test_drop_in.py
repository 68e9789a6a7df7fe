"""A study's pad in the simulator: it responds as the study says, and it can be calibrated."""

from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.design import evaluate, load_study, parse_study
from soft_tactile_node.design.drop_in import simulated_pad
from soft_tactile_node.errors import RangeError
from soft_tactile_node.simulation import simulate
from soft_tactile_node.simulation.gripper import Gripper
from unit.design.studies import IRON_DISC, LIQUID_METAL, SHIPPED, as_drawn, changed

RATES = {"iron_disc": 100.0, "liquid_metal": 200.0}


def shipped(name: str, number: int):
    """Return one design of a shipped study, as drawn."""
    return as_drawn(load_study(SHIPPED / f"{name}.yaml")[1][number - 1].design)


@pytest.fixture(scope="module")
def designs():
    """One good design of each shipped study."""
    return {"iron_disc": shipped("iron_disc", 7), "liquid_metal": shipped("liquid_metal", 1)}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["iron_disc", "liquid_metal"])
def test_simulated_pad_responds_as_designed(designs, name):
    """Inductance at rest and the change under force come out as in the study, within the spread of specimens."""
    design = designs[name]
    figures = evaluate(design)
    recording, _ = simulate("press", pad=simulated_pad(design), seed=3, rate_hz=RATES[name], duration_s=60.0)
    assert recording.channels == (4 if name == "iron_disc" else 1)
    coils = recording.inductance_h
    rest = coils[:100].mean(axis=0)
    np.testing.assert_allclose(rest, figures.inductance_h, rtol=0.06, atol=0)
    assert recording.force_n is not None
    # presses without pressure: the first part of the recording; an empty pressure holds the last one
    seen = np.maximum.accumulate(np.where(np.isnan(recording.pressure_pa), 0, np.arange(len(recording))))
    quiet = np.abs(recording.pressure_pa[seen]) < 1500.0
    assert recording.force_n[quiet, 2].max() > 2.0
    normal, signal = recording.force_n[quiet, 2], (coils - rest).sum(axis=1)[quiet]
    expected = np.interp(normal, figures.force_n, figures.normal_h)
    slope = float(np.dot(expected, signal) / np.dot(expected, expected))
    assert 0.5 < slope < 2.0
    assert np.corrcoef(expected, signal)[0, 1] > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("name", ["iron_disc", "liquid_metal"])
def test_simulated_pad_can_be_calibrated(designs, name):
    """Free-bend and press recordings of a study's pad give a calibration of the right variant."""
    pad = simulated_pad(designs[name])
    free, press = (simulate(scenario, pad=pad, seed=3, rate_hz=RATES[name])[0] for scenario in ("free-bend", "press"))
    calibration = calibrate([free], [press])
    assert calibration.pad == name
    assert calibration.channels == recording_channels(press)


def recording_channels(recording) -> int:
    """Number of channels of a recording."""
    return recording.inductance_h.shape[1]


def test_gripper_takes_a_designed_pad(designs):
    """The stepped gripper reads at rest what the study says, within the spread of specimens."""
    design = designs["liquid_metal"]
    gripper = Gripper(("left_finger",), object="none", pad=simulated_pad(design), rate_hz=200.0)
    rest_h = np.mean([gripper.step([0.0]).scans[0].inductance_h for _ in range(100)], axis=0)
    np.testing.assert_allclose(rest_h, evaluate(design).inductance_h, rtol=0.06, atol=0)


@pytest.mark.parametrize(
    ("study", "line"),
    [
        (changed(IRON_DISC, pad__cushion__gap_m=6e-3, load__points=5), "height of the disc must be"),
        (changed(LIQUID_METAL, pad__coil_cell__wall_m=1.5e-3, load__points=5), "gap from coil to metal must be"),
    ],
)
def test_pad_outside_the_tables_is_refused(study, line):
    """A geometry beyond the simulator's tables is refused by name, not extrapolated."""
    design = parse_study(study)[1][0].design
    with pytest.raises(RangeError, match=line):
        simulate("press", pad=simulated_pad(design), duration_s=5.0)
