"""From a design study to the simulator: a design's pad as the simulated finger would carry it."""

from __future__ import annotations

import math

from soft_tactile_node.design.figures import DesignFigures
from soft_tactile_node.design.materials import Conductor
from soft_tactile_node.design.run import evaluate
from soft_tactile_node.design.schema import Design
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.registry import PADS
from soft_tactile_node.simulation.pad_design import FrontEnd, PadDesign


def simulated_pad(design: Design) -> PadDesign:
    """Return the pad of `design` for `simulate(..., pad=...)` and `Gripper(..., pad=...)`."""
    found: PadDesign = PADS[design.pad.variant].load_study().simulated(design, evaluate(design))
    return found


def front_end_of(design: Design, figures: DesignFigures) -> FrontEnd:
    """Return tank and counter of the pad of `design`, which has these `figures`, for the simulator."""
    readout, copper = design.readout, find_material(design, design.pad.coil.conductor, Conductor, "pad.coil.conductor")
    coil = design.pad.coil.spiral(figures.turns)
    # the random error is a number of counts in the gate; over another gate it goes with the root of its length
    jitter = figures.noise.random * math.sqrt(readout.gate_s / 1.0e-3)
    alone = coil_resistance(coil, figures.frequency_hz, resistivity_ohm_m=copper.resistivity_ohm_m)
    return FrontEnd(readout.capacitance_f, readout.reference_hz, jitter, figures.resistance_ohm, alone)
