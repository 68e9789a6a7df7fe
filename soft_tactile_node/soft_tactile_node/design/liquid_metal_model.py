"""A pad of one coil below a cell that fills with liquid metal: what a study says of it, and how it fills."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from soft_tactile_node.design.materials import Conductor, NotNegative, Positive, Silicone, Strict
from soft_tactile_node.design.readings import choose_turns, tank_frequency
from soft_tactile_node.design.schema import Design, PadShape, rule
from soft_tactile_node.design.study_file import find_material
from soft_tactile_node.physics.coil_loss import coil_resistance
from soft_tactile_node.physics.liquid_metal import MetalFilm, film_impedance_change
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings
from soft_tactile_node.physics.two_cells import CellWall, Duct, settled_volume

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FULLEST = 0.9
"""Share of the press cell's volume that can be pressed out of it (1)."""

_RADII = np.linspace(0.0, 1.0, 41)


class PressCell(Strict):
    """The cell under the touched surface.

    Attributes
    ----------
    diameter_m : float
        Diameter (m).
    roof_m : float
        Thickness of its roof, the touched skin (m).
    height_m : float
        Height of the cell (m).
    load_share : float
        Share of the normal force that presses on the cell, not on the silicone around it (1).
    """

    diameter_m: Positive
    roof_m: Positive
    height_m: Positive = 1.5e-3
    load_share: Annotated[float, Field(gt=0.0, le=1.0)] = 1.0


class CoilCell(Strict):
    """The cell above the coil.

    Attributes
    ----------
    diameter_m : float
        Diameter (m).
    wall_m : float
        Silicone between the coil's cover and the metal (m).
    film_m : float
        Thickness of the metal at rest (m).
    roof_m : float
        Thickness of its roof (m).
    """

    diameter_m: Positive
    wall_m: Positive
    film_m: Positive
    roof_m: Positive


class DuctShape(Strict):
    """The duct between the cells.

    Attributes
    ----------
    diameter_m, length_m : float
        Diameter and length (m).
    yield_pressure_pa : float
        Pressure difference below which the oxide skin holds the metal still (Pa).
    """

    diameter_m: Positive = 0.6e-3
    length_m: Positive = 8.0e-3
    yield_pressure_pa: NotNegative = 150.0


class LiquidMetalPad(PadShape):
    """One flat coil below a cell that fills with liquid metal from a press cell.

    Attributes
    ----------
    press_cell : PressCell
        The touched cell.
    coil_cell : CoilCell
        The cell above the coil.
    duct : DuctShape
        The duct.
    cells_apart_m : float
        Distance of the cells' centres along the finger (m).
    metal : str
        Name of a liquid conductor.
    silicone : str
        Name of a silicone.
    """

    press_cell: PressCell
    coil_cell: CoilCell
    duct: DuctShape = DuctShape()
    cells_apart_m: Positive = 15.0e-3
    metal: str = "gallium_indium"
    silicone: str = "medium_silicone"

    @model_validator(mode="after")
    def _check_reach(self) -> LiquidMetalPad:
        reach = 0.5 * (self.press_cell.diameter_m + self.coil_cell.diameter_m)
        if self.cells_apart_m < reach:
            raise rule("cells_apart_m", f"must be >= the cells' mean diameter {reach:g}", self.cells_apart_m)
        return self


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
        """Return what steady forces and a head (Pa) press into the coil cell (m^3), at most what the other holds."""
        pressed = settled_volume(self.pad.press_cell.load_share * force_n, self.press, self.cell, head_pa=head_pa)
        return np.asarray(np.minimum(pressed, FULLEST * self.press_volume_m3))

    def film(self, volume_m3: float) -> MetalFilm:
        """Return the film in the coil cell when `volume_m3` (m^3) has come in: at rest plus the bulge of its roof."""
        bulge = self.cell.profile_m(volume_m3, _RADII * self.cell.radius_m)
        thickness = np.maximum(self.pad.coil_cell.film_m + bulge, 0.0)
        return MetalFilm(self.cell.radius_m, self.gap_m, thickness, self.metal.resistivity_ohm_m)

    def changes(self, volume_m3: Array) -> ComplexArray:
        """Return the complex change of inductance by the film (H; imaginary part -dR/w), shape (n,), at each volume."""
        each = [
            complex(film_impedance_change(self.coil, self.film(float(v)), self.frequency_hz, across=32, through=5))
            for v in volume_m3
        ]
        return np.array(each)


def build_model(design: Design) -> CellsModel:
    """Return the model of `design`, a liquid-metal pad, its turns and frequency settled with the metal in place."""
    pad, readout = design.pad, design.readout
    assert isinstance(pad, LiquidMetalPad)
    metal: Conductor = find_material(design, pad.metal, Conductor, "pad.metal")
    copper: Conductor = find_material(design, pad.coil.conductor, Conductor, "pad.coil.conductor")
    silicone: Silicone = find_material(design, pad.silicone, Silicone, "pad.silicone")
    press = CellWall(0.5 * pad.press_cell.diameter_m, pad.press_cell.roof_m, silicone.modulus_pa)
    cell = CellWall(0.5 * pad.coil_cell.diameter_m, pad.coil_cell.roof_m, silicone.modulus_pa)
    duct = Duct(0.5 * pad.duct.diameter_m, pad.duct.length_m, max(metal.viscosity_pa_s, 1.0e-6))
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
