"""From a design study to the simulator: a design's pad as the simulated finger would carry it."""

from __future__ import annotations

import math

from soft_tactile_node.design.figures import DesignFigures
from soft_tactile_node.design.iron_disc import build_model as build_disc
from soft_tactile_node.design.liquid_metal import build_model as build_cells
from soft_tactile_node.design.materials import Conductor
from soft_tactile_node.design.run import evaluate
from soft_tactile_node.design.schema import Design, IronDiscPad
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.simulation.liquid_metal_pad import CoilCell
from soft_tactile_node.simulation.pad_design import FrontEnd, IronDiscDesign, LiquidMetalDesign, PadDesign


def simulated_pad(design: Design) -> PadDesign:
    """Return a design's pad for `simulate(..., pad=...)` and `Gripper(..., pad=...)`.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    IronDiscDesign or LiquidMetalDesign
        Geometry, mechanics and readout of the design.
    """
    figures = evaluate(design)
    return _disc(design, figures) if isinstance(design.pad, IronDiscPad) else _cells(design, figures)


def _front_end(design: Design, figures: DesignFigures) -> FrontEnd:
    readout, copper = design.readout, find_material(design, design.pad.coil.conductor, Conductor, "pad.coil.conductor")
    coil = design.pad.coil.spiral(figures.turns)
    # the random error is a number of counts in the gate; over another gate it goes with the root of its length
    jitter = figures.noise.random * math.sqrt(readout.gate_s / 1.0e-3)
    alone = coil_resistance(coil, figures.frequency_hz, resistivity_ohm_m=copper.resistivity_ohm_m)
    return FrontEnd(readout.capacitance_f, readout.reference_hz, jitter, figures.resistance_ohm, alone)


def _disc(design: Design, figures: DesignFigures) -> IronDiscDesign:
    model = build_disc(design, figures.turns)
    pad, mechanics = model.pad, model.mechanics
    shift, tilt = mechanics.shear_pose(1.0)
    return IronDiscDesign(
        coil=model.coil,
        disc=model.disc,
        spacing_m=pad.spacing_m,
        height_m=pad.coil.cover_m + pad.cushion.gap_m,
        travel_m=mechanics.compression_m(design.load.normal_n),
        shift_m_n=shift,
        tilt_rad_n_m=tilt / mechanics.lever_m,
        lever_m=mechanics.lever_m,
        front_end=_front_end(design, figures),
    )


def _cells(design: Design, figures: DesignFigures) -> LiquidMetalDesign:
    model = build_cells(design)
    finger = design.finger
    strain = finger.neutral_height_m / finger.arc_length_m
    return LiquidMetalDesign(
        coil=model.coil,
        cell=CoilCell(model.cell.radius_m, model.pad.coil_cell.film_m, model.metal.resistivity_ohm_m),
        gap_m=model.gap_m,
        frequency_hz=model.frequency_hz,
        area_m2=math.pi * model.press.radius_m**2 / model.pad.press_cell.load_share,
        press_pa_m3=1.0 / model.press.compliance_m3_pa(),
        coil_pa_m3=1.0 / model.cell.compliance_m3_pa(),
        cubic_pa_m9=model.press.stiffening_pa_m9() + model.cell.stiffening_pa_m9(),
        duct_pa_s_m3=model.duct.resistance_pa_s_m3(),
        bend_pa_rad=finger.cell_squeeze * strain * model.press_volume_m3 / model.press.compliance_m3_pa(),
        column_m=model.pad.cells_apart_m,
        front_end=_front_end(design, figures),
    )
