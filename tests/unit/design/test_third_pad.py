"""A pad is known in one place: a third one, made up here, goes from simulation to design study without another edit."""

from __future__ import annotations

import ast
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pytest

from architecture.project import PACKAGE, modules, tree
from soft_tactile_node.calibration import calibrate
from soft_tactile_node.design import evaluate, parse_study, rank, run_study
from soft_tactile_node.design.drop_in import front_end_of, simulated_pad
from soft_tactile_node.design.figures import DesignFigures, decibel
from soft_tactile_node.design.materials import Positive, Silicone
from soft_tactile_node.design.pad_study import OwnFigure, PadStudy, cast_size
from soft_tactile_node.design.readings import reading_noise
from soft_tactile_node.design.schema import PadShape
from soft_tactile_node.errors import CalibrationError, RangeError, StudyError
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.registry import PADS, PadVariant, likely_pad
from soft_tactile_node.reports.design_report import build_page
from soft_tactile_node.scoring import score
from soft_tactile_node.scoring.verdict import judge_score
from soft_tactile_node.simulation import simulate
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.gripper import Gripper
from soft_tactile_node.simulation.pad_design import FrontEnd
from soft_tactile_node.simulation.readout import ReadoutParameters
from soft_tactile_node.simulation.sensors import draw_specimen
from soft_tactile_node.simulation.specimen import draw_finger
from unit.design.studies import changed

RISE = 0.05
"""Relative rise of the inductance when the gap closes (1)."""

STUDIED = {
    "pad": {
        "variant": "spring_plate",
        "gap_m": 2.0e-3,
        "silicone": "soft_silicone",
        "coil": {"inner_radius_m": 1e-3, "outer_radius_m": 4e-3, "turns": 10},
    },
    "sweep": {"grid": {"pad.gap_m": [1.0e-3, 2.0e-3]}},
}


class Plate(NamedTuple):
    """What the two coils see."""

    inductance_h: float
    gap_m: float


class SpringPlate:
    """Two coils that see the same plate: it comes down under a press, and lifts a little when the finger bends."""

    channels = 2
    stream = 2
    readout = ReadoutParameters(470.0e-12, jitter=8.0e-6, drift=5.0e-5, drift_common=8.0e-5, resistance_ohm=1.0)

    def draw(self, rng):
        """Return one pad."""
        return Plate(1.8e-6, 2.0e-3 * (1.0 + 0.02 * float(rng.standard_normal())))

    def load_tables(self):
        """Return nothing: the law is a formula."""

    def series(self, pad, tables, finger, states, temperature_c, coil_temperature_c, lid_m):
        """Return inductance and loss."""
        closed = (states[:, at.INDENT] - 0.1e-3 * states[:, at.BEND]) / pad.gap_m
        both = np.stack([1.0 + RISE * closed, 1.0 + 0.8 * RISE * closed], axis=1)
        return pad.inductance_h * both, np.ones_like(both)


@dataclass(frozen=True)
class PlateDesign:
    """A plate of one's own."""

    gap_m: float
    front_end: FrontEnd
    name = "spring_plate"

    def fit_finger(self, drawn):
        """Return the finger as it is."""
        return drawn

    def fit_pad(self, drawn):
        """Return the plate at this gap."""
        return drawn._replace(gap_m=self.gap_m)

    def load_tables(self):
        """Return nothing."""


class PlateShape(PadShape):
    """What a study says of it."""

    gap_m: Positive
    silicone: str


class PlateStudy(PadStudy[PlateShape]):
    """The plate in a study: it comes down by a millimetre at 10 N."""

    shape = PlateShape
    own = {"closed_percent": OwnFigure("Gap closed at full scale", 1.0, "%")}  # noqa: RUF012
    curve_note = "Upwards is a plate that comes down."

    @staticmethod
    def evaluate(design):
        """Return its figures."""
        force = np.linspace(0.0, design.load.normal_n, design.load.points)
        closed = force * 1.0e-4 / design.pad.gap_m
        normal = 2.0 * 1.8e-6 * RISE * closed
        noise = reading_noise(design.readout, 1.8e-6, 1.0)
        slope = float(normal[-1] / force[-1])
        return DesignFigures(
            design.pad.variant, 2, design.pad.coil.turns, 5.0e6, 1.8e-6, 1.0, noise, force, normal,
            noise.inductance_h * math.sqrt(2.0), np.zeros(0), np.zeros(0), slope, 100.0 * slope / 3.6e-6, force[-1],
            decibel(normal[-1] / noise.inductance_h), math.nan, 0.1 * slope, 0.1, 2e-4 / design.pad.gap_m,
            np.full((3, 3), math.nan), np.full((3, 3), math.nan), 1.0, 0.0, {}, {"closed_percent": 100.0 * closed[-1]},
        )  # fmt: skip

    def materials(self, pad):
        """Return the silicone."""
        return [("pad.silicone", pad.silicone, Silicone)]

    def cast(self, pad, gap_m, thickness_m):
        """Return it with another gap."""
        return pad.model_copy(update={"gap_m": cast_size(pad.gap_m, gap_m)})

    def simulated(self, design, figures):
        """Return it for the simulator."""
        return PlateDesign(design.pad.gap_m, front_end_of(design, figures))


PAD, STUDY = SpringPlate(), PlateStudy()


@pytest.fixture(autouse=True)
def third_pad(monkeypatch):
    """Register the plate: one line."""
    monkeypatch.setitem(PADS, "spring_plate", PadVariant("spring_plate", "spring plate", 1, +1, __name__, __name__))


def test_third_pad_is_simulated_calibrated_and_replayed():
    """Its presses are simulated and calibrated under its own name, and the force is found in another recording."""
    free, press = (simulate(name, pad="spring_plate", seed=2, rate_hz=50.0)[0] for name in ("free-bend", "press"))
    assert press.channels == 2
    calibration = calibrate([free], [press])
    assert (calibration.pad, calibration.force_map.axes) == ("spring_plate", 1)
    touched = simulate("pick-roll", pad="spring_plate", seed=5, specimen_seed=2, rate_hz=50.0, duration_s=20.0)
    recording, truth = touched
    estimates, _ = Estimator(calibration).replay(recording)
    pressed = truth.force_n[:, 2] > 0.5
    assert np.corrcoef(estimates.force_n[pressed, 2], truth.force_n[pressed, 2])[0, 1] > 0.9
    verdict = judge_score(score([(estimates, truth)]), calibration.pad)
    assert (verdict.limits.pad, verdict.limits.force_z_rmse_n) == ("spring plate", 0.07)


def test_third_pad_is_designed_and_reported():
    """A study of it is read, swept, ranked and reported in its own words, and its pad goes back into the simulator."""
    study, cases = parse_study(STUDIED)
    ranked = rank(run_study(cases, jobs=1), study)
    assert [one.case.design.pad.gap_m for one in ranked] == [1.0e-3, 2.0e-3]
    assert ranked[0].figures.bend_worst_n > ranked[0].figures.bend_apparent_n  # the pad as cast has a smaller gap
    page = build_page(study, ranked).render()
    assert "Gap closed at full scale" in page
    assert "Second formula (%)" in page
    assert "Upwards is a plate that comes down." in page
    gripper = Gripper(("finger",), "none", pad=simulated_pad(cases[0].design), rate_hz=50.0)
    assert gripper.step([0.0]).scans[0].inductance_h == pytest.approx(1.8e-6, rel=1e-2)
    assert evaluate(cases[0].design).variant == "spring_plate"


def test_choices_name_the_third_pad():
    """Whoever names a pad that is not there is told of the third one, too."""
    with pytest.raises(RangeError, match=r"pad must be one of iron_disc, liquid_metal, spring_plate; got 'magnet'"):
        simulate("press", pad="magnet")
    with pytest.raises(StudyError, match=r"pad.variant must be one of iron_disc, liquid_metal, spring_plate; got 'x'"):
        parse_study(changed(STUDIED, pad__variant="x"))
    with pytest.raises(StudyError, match=r"pad.gap is not a known key; known there: coil, frequency_hz, gap_m"):
        parse_study(changed(STUDIED, pad__gap=1.0))


def test_only_a_variant_and_the_registry_know_its_name():
    """No other module holds the name of a variant as a word of its own."""
    knowing = {
        str(path.relative_to(PACKAGE))
        for path in modules()
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Constant) and node.value in ("iron_disc", "liquid_metal")
    }
    assert knowing == {"registry.py", "simulation/iron_disc_pad.py", "simulation/liquid_metal_pad.py"}


def test_pads_that_presses_do_not_tell_apart_must_be_named(monkeypatch):
    """Between two pads of one sign and number of axes nobody guesses; the only one of a sign is taken in any case."""
    assert likely_pad(1.0, 1).name == "spring_plate"
    assert likely_pad(-1.0, 3).name == "liquid_metal"
    monkeypatch.setitem(PADS, "twin", PADS["spring_plate"]._replace(name="twin"))
    with pytest.raises(CalibrationError, match=r"pad may be spring_plate or twin: .* say which with --pad-info"):
        likely_pad(1.0, 1)
    assert likely_pad(1.0, 3).name == "iron_disc"


@pytest.mark.parametrize(("pad", "number"), [("iron_disc", 0), ("liquid_metal", 1), ("spring_plate", 2)])
def test_a_seed_keeps_its_finger(pad, number):
    """A specimen is drawn from the seed and the pad's own number, wherever the pad stands in the registry."""
    assert draw_specimen(3, pad).finger == draw_finger(np.random.default_rng([3, number, 5]))


def test_calibration_asks_a_pad_for_no_more_axes_than_it_tells(monkeypatch):
    """Where the pad is named and tells normal force alone, shear is not fitted, however many coils it has."""
    free, press = (simulate(name, seed=2, rate_hz=50.0)[0] for name in ("free-bend", "press"))
    monkeypatch.setitem(PADS, "iron_disc", PADS["iron_disc"]._replace(axes=1))
    assert calibrate([free], [press], pad="iron_disc").force_map.axes == 1
