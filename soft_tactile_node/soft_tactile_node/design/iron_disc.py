"""Figures of a pad of four coils below a disc of magnetic composite."""

from __future__ import annotations

import math
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
from soft_tactile_node.design.iron_disc_model import DiscPadModel, IronDiscPad, build_model
from soft_tactile_node.design.iron_disc_words import describe_limits
from soft_tactile_node.design.materials import Conductor, Powder, Silicone
from soft_tactile_node.design.pad_study import NamedMaterial, OwnFigure, PadStudy, cast_size
from soft_tactile_node.design.readings import choose_turns, reading_noise, tank_frequency
from soft_tactile_node.design.schema import Design
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.physics.spiral import inductance_rings, mutual_spirals
from soft_tactile_node.simulation.iron_disc_pad import IronDiscDesign

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

COMBINATIONS = np.array([[1, 1, 1, 1], [1, 1, -1, -1], [1, -1, 1, -1]], dtype=float)
"""Normal, x and y signal from coils 1 to 4: tip +y, tip -y, root +y, root -y (1)."""


def evaluate_iron_disc(design: Design) -> DesignFigures:
    """Return the figures of `design`, an iron-disc pad."""
    pad, load = design.pad, design.load
    assert isinstance(pad, IronDiscPad)
    tank_f = design.readout.capacitance_f

    def air_frequency(turns: int) -> float:
        return float(resonance_frequency(inductance_rings(pad.coil.spiral(turns)), tank_f))

    turns = pad.coil.turns or choose_turns(air_frequency, float(pad.frequency_hz or 0.0))
    model = build_model(design, turns)
    copper: Conductor = find_material(design, pad.coil.conductor, Conductor, "pad.coil.conductor")
    silicone: Silicone = find_material(design, pad.cushion.silicone, Silicone, "pad.cushion.silicone")

    force = np.linspace(0.0, load.normal_n, load.points)
    no_shear = np.zeros((force.size, 2))
    curve = model.changes(force, no_shear)
    air = float(inductance_rings(model.coil))
    inductance = air + float(np.mean(curve[0].real))
    frequency = float(resonance_frequency(inductance, tank_f))
    omega = 2.0 * math.pi * frequency
    resistance = coil_resistance(model.coil, frequency, resistivity_ohm_m=copper.resistivity_ohm_m)
    resistance -= omega * float(np.mean(curve[0].imag))
    frequency = tank_frequency(inductance, tank_f, resistance)
    noise = reading_noise(design.readout, inductance, resistance)
    combined_noise = 2.0 * noise.inductance_h  # four independent coils, each with weight one
    normal = _combine(curve)[:, 0]
    normal = normal - normal[0]
    slope = zero_slope(force, normal)
    shear_force, shear = _shear_curve(model, design)
    centred, misplaced = (_crosstalk(model, design, offset) for offset in (0.0, load.misplacement_m))
    lower = _bend_lowering(model, design)
    bend = float(_combine(model.changes(np.zeros(1), np.zeros((1, 2)), lower_m=lower) - curve[:1])[0, 0])
    aside = (load.misplacement_m, 0.0)
    moved = _combine(model.changes(force[[0, 1, 2, -1]], no_shear[:4], aside))[:, 0]
    bent_aside = _combine(model.changes(np.zeros(1), no_shear[:1], aside, lower_m=lower))[0, 0]
    span = float(normal[-1])
    neighbour = mutual_spirals(model.coil, model.coil, (pad.spacing_m, 0.0, 0.0), points=64) / inductance
    down = np.array([model.mechanics.compression_m(0.5 * load.normal_n)])
    tilt = np.array([[0.0, model.mechanics.shear_pose(load.shear_n)[1]]])
    extra = {
        "relative_permeability": model.relative_permeability,
        "gap_at_full_scale_m": pad.cushion.gap_m - model.mechanics.compression_m(load.normal_n),
        "rest_change_percent": 100.0 * float(np.mean(curve[0].real)) / air,
        "shear_before_edge_n": load.shear_n * float(model.tilt_share(down, tilt)[0]),
        "neighbour_coupling": neighbour,
        "disc_loss_ohm": -omega * float(np.mean(curve[0].imag)),
    }
    figures = DesignFigures(
        variant=pad.variant,
        coils=4,
        turns=turns,
        frequency_hz=frequency,
        inductance_h=inductance,
        resistance_ohm=resistance,
        noise=noise,
        force_n=force,
        normal_h=normal,
        normal_noise_h=combined_noise,
        shear_force_n=shear_force,
        shear_h=shear,
        sensitivity_h_n=slope,
        sensitivity_percent_n=100.0 * slope / (4.0 * inductance),
        monotonic_range_n=monotonic_range(force, normal),
        snr_db=decibel(span / combined_noise),
        snr_shear_db=decibel(float(shear[-1]) / combined_noise),
        bend_h=bend,
        bend_apparent_n=abs(bend / slope),
        bend_worst_n=max(abs(bend / slope), abs((bent_aside - moved[0]) / zero_slope(force[:3], moved[:3]))),
        crosstalk_percent=centred,
        crosstalk_misplaced_percent=misplaced,
        hysteresis_percent=hysteresis_percent(load, silicone, force, normal),
        misplaced_gain_percent=100.0 * ((float(moved[3] - moved[0])) / span - 1.0),
        stand_off_m=stand_offs(design, model.coil, 4, model.surface_m, slope, frequency),
        extra=extra,
    )
    return describe_limits(figures, pad, load, find_material(design, pad.disc.powder, Powder, "pad.disc.powder"))


def _combine(changes: ComplexArray) -> Array:
    """Return normal, x and y signal (n, 3) (H) from the coils' changes (n, 4) (H)."""
    return np.asarray(changes.real @ COMBINATIONS.T)


def _shear_curve(model: DiscPadModel, design: Design) -> tuple[Array, Array]:
    """Return shear forces (N) and the x signal (H) at half the full normal load."""
    load = design.load
    force = np.linspace(0.0, load.shear_n, max(5, load.points // 2))
    shear = np.stack([force, np.zeros_like(force)], axis=-1)
    signal = _combine(model.changes(np.full_like(force, 0.5 * load.normal_n), shear))[:, 1]
    return force, signal - signal[0]


def _crosstalk(model: DiscPadModel, design: Design, offset_m: float) -> Array:
    """Return the cross-talk table (3, 3) (%): row combination, column load."""
    load = design.load
    half = 0.5 * load.normal_n
    normal = np.array([0.0, load.normal_n, half, half, half])
    shear = np.array([[0, 0], [0, 0], [0, 0], [load.shear_n, 0], [0, load.shear_n]], dtype=float)
    signals = _combine(model.changes(normal, shear, (offset_m, 0.0)))
    by_load = np.stack([signals[1] - signals[0], signals[3] - signals[2], signals[4] - signals[2]], axis=1)
    return np.asarray(100.0 * by_load / np.diag(by_load)[:, None])


def _bend_lowering(model: DiscPadModel, design: Design) -> float:
    """Return how far bending lowers the disc over the coils (m).

    The pad lies on the concave side: it is compressed along the finger by h b/s and thickens by half of that
    (incompressible, free sideways). A board that bends with the finger lifts the coils, which lie off its middle, by
    x^2 b/(2 s) towards a disc that stays flat.
    """
    finger = design.finger
    strain = finger.neutral_height_m / finger.arc_length_m * finger.bend_rad
    lift = (
        0.5 * (0.5 * model.pad.spacing_m) ** 2 * finger.bend_rad / finger.arc_length_m if finger.flexible_board else 0.0
    )
    return lift - 0.5 * strain * model.pad.cushion.gap_m


class IronDiscStudy(PadStudy[IronDiscPad]):
    """The variant `iron_disc` in a study."""

    shape = IronDiscPad
    own: ClassVar = {
        "relative_permeability": OwnFigure("Permeability of the disc", 1.0, ""),
        "gap_at_full_scale_m": OwnFigure("Gap at full scale", 1e3, "mm"),
        "rest_change_percent": OwnFigure("Change by the pad at rest", 1.0, "%"),
        "shear_before_edge_n": OwnFigure("Shear before the disc tips onto the board", 1.0, "N"),
        "neighbour_coupling": OwnFigure("Coupling of neighbouring coils", 1.0, ""),
        "disc_loss_ohm": OwnFigure("Loss of the disc", 1.0, "ohm"),
    }
    evaluate = staticmethod(evaluate_iron_disc)

    def materials(self, pad: IronDiscPad) -> list[NamedMaterial]:
        """Return powder and silicone."""
        return [
            ("pad.disc.powder", pad.disc.powder, Powder),
            ("pad.cushion.silicone", pad.cushion.silicone, Silicone),
        ]

    def cast(self, pad: IronDiscPad, gap_m: float, thickness_m: float) -> IronDiscPad:
        """Return the pad with the gap below its disc and the disc's thickness off by so much (m)."""
        cushion = pad.cushion.model_copy(update={"gap_m": cast_size(pad.cushion.gap_m, gap_m)})
        disc = pad.disc.model_copy(update={"thickness_m": cast_size(pad.disc.thickness_m, thickness_m)})
        return pad.model_copy(update={"cushion": cushion, "disc": disc})

    def simulated(self, design: Design, figures: DesignFigures) -> IronDiscDesign:
        """Return the pad as the simulator takes it."""
        model = build_model(design, figures.turns)
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
            front_end=front_end_of(design, figures),
        )


STUDY = IronDiscStudy()
"""The variant."""
