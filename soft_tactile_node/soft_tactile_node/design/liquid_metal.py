"""Figures of a pad of one coil below a cell that fills with liquid metal."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.design.figures import (
    DesignFigures,
    decibel,
    hysteresis_percent,
    monotonic_range,
    plate_change,
    stand_off,
    zero_slope,
)
from soft_tactile_node.design.liquid_metal_words import describe_limits
from soft_tactile_node.design.materials import Conductor, Silicone
from soft_tactile_node.design.readings import choose_turns, read_inductance, reading_noise, tank_frequency
from soft_tactile_node.design.schema import Design, LiquidMetalPad
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.physics.constants import STANDARD_GRAVITY_M_S2
from soft_tactile_node.physics.eddy_layers import skin_depth
from soft_tactile_node.physics.film_sheet import sheet_ratio
from soft_tactile_node.physics.liquid_metal import MetalFilm, film_impedance_change
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings
from soft_tactile_node.physics.two_cells import CellWall, Duct, gravity_head, settled_volume

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FULLEST = 0.9
"""Share of the press cell's volume that can be pressed out of it (1)."""

_RADII = np.linspace(0.0, 1.0, 41)


@dataclass(frozen=True)
class CellsModel:
    """Coil, cells and metal of one design, ready to be asked for inductances.

    Attributes
    ----------
    pad : LiquidMetalPad
        The description.
    coil : SpiralCoil
        The coil.
    metal : Conductor
        The alloy.
    press, cell : CellWall
        Roofs of press cell and coil cell.
    duct : Duct
        The duct.
    frequency_hz : float
        Frequency of the tank at rest (Hz).
    """

    pad: LiquidMetalPad
    coil: SpiralCoil
    metal: Conductor
    press: CellWall
    cell: CellWall
    duct: Duct
    frequency_hz: float

    @property
    def gap_m(self) -> float:
        """Distance from the coil's plane to the metal (m)."""
        return self.pad.coil.cover_m + self.pad.coil_cell.wall_m

    @property
    def press_volume_m3(self) -> float:
        """Volume of the press cell (m^3)."""
        return math.pi * self.press.radius_m**2 * self.pad.press_cell.height_m

    def volume_m3(self, force_n: Array, head_pa: float = 0.0) -> Array:
        """Return the volume that steady forces press into the coil cell.

        Parameters
        ----------
        force_n : numpy.ndarray, shape (n,)
            Normal forces on the pad (N).
        head_pa : float
            Pressure from elsewhere (Pa).

        Returns
        -------
        numpy.ndarray, shape (n,)
            Volume (m^3), at most what the press cell holds.
        """
        pressed = settled_volume(self.pad.press_cell.load_share * force_n, self.press, self.cell, head_pa=head_pa)
        return np.asarray(np.minimum(pressed, FULLEST * self.press_volume_m3))

    def film(self, volume_m3: float) -> MetalFilm:
        """Return the film in the coil cell for a volume that has come in.

        Parameters
        ----------
        volume_m3 : float
            Volume (m^3); negative = drained.

        Returns
        -------
        MetalFilm
            The film: rest thickness plus the bulge of the roof, never less than nothing.
        """
        bulge = self.cell.profile_m(volume_m3, _RADII * self.cell.radius_m)
        thickness = np.maximum(self.pad.coil_cell.film_m + bulge, 0.0)
        return MetalFilm(self.cell.radius_m, self.gap_m, thickness, self.metal.resistivity_ohm_m)

    def changes(self, volume_m3: Array) -> ComplexArray:
        """Return the complex change of the coil's inductance by the film.

        Parameters
        ----------
        volume_m3 : numpy.ndarray, shape (n,)
            Volumes that have come in (m^3).

        Returns
        -------
        numpy.ndarray of complex, shape (n,)
            Change (H); imaginary part -dR/w.
        """
        each = [
            complex(film_impedance_change(self.coil, self.film(float(v)), self.frequency_hz, across=32, through=5))
            for v in volume_m3
        ]
        return np.array(each)


def build_model(design: Design) -> CellsModel:
    """Return the model of a design, its turns and frequency settled with the metal in place.

    Parameters
    ----------
    design : Design
        The design; its pad is a liquid-metal pad.

    Returns
    -------
    CellsModel
        The model.
    """
    pad, readout = design.pad, design.readout
    assert isinstance(pad, LiquidMetalPad)
    metal: Conductor = find_material(design, pad.metal, Conductor, "pad.metal")
    copper: Conductor = find_material(design, pad.coil.conductor, Conductor, "pad.coil.conductor")
    silicone: Silicone = find_material(design, pad.silicone, Silicone, "pad.silicone")
    press = CellWall(0.5 * pad.press_cell.diameter_m, pad.press_cell.roof_m, silicone.modulus_pa)
    cell = CellWall(0.5 * pad.coil_cell.diameter_m, pad.coil_cell.roof_m, silicone.modulus_pa)
    duct = Duct(
        0.5 * pad.duct.diameter_m,
        pad.duct.length_m,
        max(metal.viscosity_pa_s, 1.0e-6),
        pad.duct.yield_pressure_pa,
        metal.density_kg_m3,
    )
    film = MetalFilm(
        cell.radius_m, pad.coil.cover_m + pad.coil_cell.wall_m, pad.coil_cell.film_m, metal.resistivity_ohm_m
    )

    def rest_frequency(turns: int, frequency_hz: float) -> float:
        coil = pad.coil.spiral(turns)
        change = complex(film_impedance_change(coil, film, frequency_hz, across=24, through=4))
        loss = coil_resistance(coil, frequency_hz, resistivity_ohm_m=copper.resistivity_ohm_m)
        loss -= 2.0 * math.pi * frequency_hz * change.imag
        return tank_frequency(float(inductance_rings(coil)) + change.real, readout.capacitance_f, loss)

    if pad.coil.turns is None:
        wanted = float(pad.frequency_hz or 0.0)
        turns = choose_turns(lambda n: rest_frequency(n, wanted), wanted)
        frequency = wanted
    else:
        turns = pad.coil.turns
        frequency = float(resonance_frequency(inductance_rings(pad.coil.spiral(turns)), readout.capacitance_f))
    for _ in range(4):  # the metal's effect depends a little on the frequency it sets
        frequency = rest_frequency(turns, frequency)
    return CellsModel(pad, pad.coil.spiral(turns), metal, press, cell, duct, frequency)


def evaluate_liquid_metal(design: Design) -> DesignFigures:
    """Return the figures of a liquid-metal pad.

    Parameters
    ----------
    design : Design
        The design; its pad is a liquid-metal pad.

    Returns
    -------
    DesignFigures
        Its figures.
    """
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
    stand_offs = {}
    for plate in design.surroundings:
        metal: Conductor = find_material(design, plate.conductor, Conductor, "surroundings")
        stand_offs[plate.name] = stand_off(
            lambda z, plate=plate, metal=metal: plate_change(model.coil, plate, metal, z, model.frequency_hz),  # type: ignore[misc]
            surface,
            load.detection_n * abs(slope),
        )
    figures = DesignFigures(
        variant="liquid_metal",
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
        stand_off_m=stand_offs,
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


def response_volume_per_force(press: CellWall, cell: CellWall) -> float:
    """Return the volume displaced per newton at small force (m^3/N): C_p C_c / ((C_p + C_c) A).

    Parameters
    ----------
    press, cell : CellWall
        Roofs of press cell and coil cell.

    Returns
    -------
    float
        Volume per force (m^3/N).
    """
    one, two = press.compliance_m3_pa(), cell.compliance_m3_pa()
    return one * two / ((one + two) * math.pi * press.radius_m**2)


def best_press_radius(press: CellWall, cell: CellWall) -> float:
    """Return the press-cell radius at which a small force displaces most metal, everything else held.

    Parameters
    ----------
    press, cell : CellWall
        Roofs of press cell and coil cell.

    Returns
    -------
    float
        Radius (m), found on a fine grid from a third to three times the present one.
    """
    radii = press.radius_m * np.geomspace(1.0 / 3.0, 3.0, 241)
    volumes = [response_volume_per_force(replace(press, radius_m=float(r)), cell) for r in radii]
    return float(radii[int(np.argmax(volumes))])
