"""Figures of a pad of one coil below a cell that fills with liquid metal."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.design.drop_in import front_end_of
from soft_tactile_node.design.figures import (
    DesignFigures,
    decibel,
    hysteresis_percent,
    monotonic_range,
    stand_offs,
    zero_slope,
)
from soft_tactile_node.design.liquid_metal_model import CellsModel, LiquidMetalPad, build_model
from soft_tactile_node.design.liquid_metal_words import describe_limits
from soft_tactile_node.design.materials import Conductor, Silicone
from soft_tactile_node.design.pad_study import NamedMaterial, OwnFigure, PadStudy, cast_size
from soft_tactile_node.design.readings import read_inductance, reading_noise
from soft_tactile_node.design.schema import Design
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.physics.constants import STANDARD_GRAVITY_M_S2
from soft_tactile_node.physics.eddy_layers import skin_depth
from soft_tactile_node.physics.film_sheet import sheet_ratio
from soft_tactile_node.physics.spiral import inductance_rings
from soft_tactile_node.physics.two_cells import gravity_head
from soft_tactile_node.simulation.liquid_metal_pad import CoilCell, LiquidMetalDesign

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def evaluate_liquid_metal(design: Design) -> DesignFigures:
    """Return the figures of `design`, a liquid-metal pad."""
    load = design.load
    model = build_model(design)
    pad = model.pad
    copper: Conductor = find_material(design, pad.coil.conductor, Conductor, "pad.coil.conductor")
    silicone: Silicone = find_material(design, pad.silicone, Silicone, "pad.silicone")
    force = np.linspace(0.0, load.normal_n, load.points)
    volume = model.volume_m3(force)
    curve = model.changes(volume)
    air = float(inductance_rings(model.coil))
    omega = 2.0 * math.pi * model.frequency_hz
    inductance = air + float(curve[0].real)
    resistance = coil_resistance(model.coil, model.frequency_hz, resistivity_ohm_m=copper.resistivity_ohm_m)
    film_loss = -omega * float(curve[0].imag)
    noise = reading_noise(design.readout, inductance, resistance + film_loss)

    def read(changes: ComplexArray) -> Array:
        """Return changes of inductance as read (H)."""
        loss = resistance - omega * changes.imag
        return read_inductance(design.readout, air + changes.real, loss, resistance + film_loss) - inductance

    normal = read(curve)
    slope = zero_slope(force, normal)
    bend = float(read(model.changes(model.volume_m3(np.zeros(1), _bend_pressure(model, design))))[0])
    head = float(gravity_head(pad.cells_apart_m, STANDARD_GRAVITY_M_S2, model.metal.density_kg_m3))
    gravity = float(read(model.changes(model.volume_m3(np.zeros(1), head)))[0])
    nothing = np.full((3, 3), math.nan)
    series = model.press.compliance_m3_pa() * model.cell.compliance_m3_pa()
    series /= model.press.compliance_m3_pa() + model.cell.compliance_m3_pa()
    friction = pad.duct.yield_pressure_pa * math.pi * model.press.radius_m**2 / pad.press_cell.load_share
    surface = model.gap_m + pad.coil_cell.film_m + pad.coil_cell.roof_m
    figures = DesignFigures(
        variant=pad.variant,
        coils=1,
        turns=model.coil.turns,
        frequency_hz=model.frequency_hz,
        inductance_h=inductance,
        resistance_ohm=resistance + film_loss,
        noise=noise,
        force_n=force,
        normal_h=normal,
        normal_noise_h=noise.inductance_h,
        shear_force_n=np.zeros(0),
        shear_h=np.zeros(0),
        sensitivity_h_n=slope,
        sensitivity_percent_n=100.0 * slope / inductance,
        monotonic_range_n=monotonic_range(force, normal),
        snr_db=decibel(float(normal[-1]) / noise.inductance_h),
        snr_shear_db=math.nan,
        bend_h=bend,
        bend_apparent_n=abs(bend / slope),
        bend_worst_n=abs(bend / slope),  # a cell off its place weakens touch and bend alike
        crosstalk_percent=nothing,
        crosstalk_misplaced_percent=nothing,
        hysteresis_percent=hysteresis_percent(load, silicone, force, normal, friction),
        misplaced_gain_percent=100.0
        * (_misplaced_span(read, model, load.misplacement_m, volume, curve) / normal[-1] - 1.0),
        stand_off_m=stand_offs(design, model.coil, 1, surface, slope, model.frequency_hz),
        extra={
            "displaced_volume_m3": float(volume[-1]),
            "film_at_full_scale_m": pad.coil_cell.film_m + float(model.cell.profile_m(float(volume[-1]), 0.0)),
            "skin_depth_m": float(skin_depth(model.metal.resistivity_ohm_m, model.frequency_hz)),
            "rest_change_percent": 100.0 * float(curve[0].real) / air,
            "true_change_percent": 100.0 * float(curve[-1].real - curve[0].real) / inductance,
            "film_loss_ohm": film_loss,
            "compliance_ratio": model.press.compliance_m3_pa() / model.cell.compliance_m3_pa(),
            "settling_s": model.duct.resistance_pa_s_m3() * series,
            "gravity_apparent_n": abs(gravity / slope),
        },
    )
    return describe_limits(figures, pad, load)


def _bend_pressure(model: CellsModel, design: Design) -> float:
    """Return the pressure (Pa) in the press cell while bending squeezes it by a share of the finger's strain."""
    finger = design.finger
    strain = finger.neutral_height_m / finger.arc_length_m * finger.bend_rad
    return finger.cell_squeeze * strain * model.press_volume_m3 / model.press.compliance_m3_pa()


def _misplaced_span(
    read: Callable[[ComplexArray], Array], model: CellsModel, offset_m: float, volume_m3: Array, curve: ComplexArray
) -> float:
    """Return the response at full scale (H) when the soft body lies beside its place."""
    ratios = [
        sheet_ratio(model.coil, model.film(float(v)), model.frequency_hz, (offset_m, 0.0), across=40)
        for v in volume_m3[[0, -1]]
    ]
    rest, full = read(np.array(ratios) * curve[[0, -1]])
    return float(full - rest)


class LiquidMetalStudy(PadStudy[LiquidMetalPad]):
    """The variant `liquid_metal` in a study."""

    shape = LiquidMetalPad
    own: ClassVar = {
        "displaced_volume_m3": OwnFigure("Volume displaced at full scale", 1e9, "mm^3"),
        "film_at_full_scale_m": OwnFigure("Film at full scale, middle", 1e3, "mm"),
        "skin_depth_m": OwnFigure("Skin depth", 1e3, "mm"),
        "rest_change_percent": OwnFigure("Change by the pad at rest", 1.0, "%"),
        "true_change_percent": OwnFigure("Change of inductance itself at full scale", 1.0, "%"),
        "film_loss_ohm": OwnFigure("Loss of the film", 1.0, "ohm"),
        "compliance_ratio": OwnFigure("Compliance, press cell over coil cell", 1.0, ""),
        "settling_s": OwnFigure("Time constant of the duct", 1e3, "ms"),
        "gravity_apparent_n": OwnFigure("Gravity along the finger looks like", 1.0, "N", looks_like_force=True),
    }
    curve_note = "Downwards is what more metal should do; a curve that turns back has a film past its best thickness."
    evaluate = staticmethod(evaluate_liquid_metal)

    def materials(self, pad: LiquidMetalPad) -> list[NamedMaterial]:
        """Return alloy and silicone."""
        return [("pad.metal", pad.metal, Conductor), ("pad.silicone", pad.silicone, Silicone)]

    def cast(self, pad: LiquidMetalPad, gap_m: float, thickness_m: float) -> LiquidMetalPad:
        """Return the pad with the wall below its metal and the roof of its press cell off by so much (m)."""
        cell = pad.coil_cell.model_copy(update={"wall_m": cast_size(pad.coil_cell.wall_m, gap_m)})
        press = pad.press_cell.model_copy(update={"roof_m": cast_size(pad.press_cell.roof_m, thickness_m)})
        return pad.model_copy(update={"coil_cell": cell, "press_cell": press})

    def simulated(self, design: Design, figures: DesignFigures) -> LiquidMetalDesign:
        """Return the pad as the simulator takes it."""
        model = build_model(design)
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
            front_end=front_end_of(design, figures),
        )


STUDY = LiquidMetalStudy()
"""The variant."""
