"""What a study file may say: both pad variants and the sweep. SI units in every key."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from soft_tactile_node.design.conditions import SURROUNDINGS, Finger, Load, Plate, Readout, Tolerances
from soft_tactile_node.design.materials import Material, NotNegative, Positive, Strict
from soft_tactile_node.physics.spiral import SpiralCoil

SCHEMA_VERSION = 1
"""Version of the study format."""


class Coil(Strict):
    """A flat round coil on a board.

    Attributes
    ----------
    inner_radius_m, outer_radius_m : float
        Inner and outer edge of the winding (m).
    turns : int or None
        Turns of one layer (1); None = as many as `frequency_hz` asks for.
    layers : int
        Layers in series (1).
    layer_gap_m : float
        Distance of neighbouring layers (m).
    trace_width_m : float
        Width of the trace (m); 0 = half the pitch.
    trace_thickness_m : float
        Thickness of the trace (m).
    cover_m : float
        Solder mask or cover between the traces and the silicone (m).
    conductor : str
        Name of a conductor.
    """

    inner_radius_m: Positive
    outer_radius_m: Positive
    turns: Annotated[int, Field(ge=1, le=500)] | None = None
    layers: Annotated[int, Field(ge=1, le=16)] = 1
    layer_gap_m: Positive = 0.2e-3
    trace_width_m: NotNegative = 0.0
    trace_thickness_m: Positive = 35.0e-6
    cover_m: NotNegative = 0.05e-3
    conductor: str = "copper"

    @model_validator(mode="after")
    def _check_radii(self) -> Coil:
        if self.outer_radius_m <= self.inner_radius_m:
            raise _rule("outer_radius_m", f"must be > inner_radius_m = {self.inner_radius_m:g}", self.outer_radius_m)
        if self.turns is not None:
            pitch = (self.outer_radius_m - self.inner_radius_m) / self.turns
            if self.trace_width_m > pitch:
                raise _rule("trace_width_m", f"must be <= the pitch {pitch:.3g}", self.trace_width_m)
        return self

    def spiral(self, turns: int) -> SpiralCoil:
        """Return the coil with a given number of turns a layer.

        Parameters
        ----------
        turns : int
            Turns of one layer (1).

        Returns
        -------
        SpiralCoil
            For the physics modules.
        """
        return SpiralCoil(
            inner_radius_m=self.inner_radius_m,
            outer_radius_m=self.outer_radius_m,
            turns=turns,
            trace_width_m=self.trace_width_m,
            trace_thickness_m=self.trace_thickness_m,
            layers=self.layers,
            layer_gap_m=self.layer_gap_m,
        )


class Disc(Strict):
    """The disc of magnetic composite.

    Attributes
    ----------
    radius_m, thickness_m : float
        Radius and thickness (m).
    powder : str
        Name of a powder.
    fraction : float
        Volume fraction of the powder (1).
    mixing : str
        `maxwell_garnett` (well dispersed spheres, the lower bound) or `bruggeman`.
    relative_permeability : float or None
        Measured relative permeability of the composite (1); None = from the powder.
    """

    radius_m: Positive
    thickness_m: Positive
    powder: str = "iron"
    fraction: Annotated[float, Field(gt=0.0, le=0.6)] = 0.3
    mixing: Literal["maxwell_garnett", "bruggeman"] = "maxwell_garnett"
    relative_permeability: Annotated[float, Field(gt=1.0)] | None = None


class Cushion(Strict):
    """The silicone below and above the disc.

    Attributes
    ----------
    gap_m : float
        Silicone between the coils' cover and the disc at rest (m).
    skin_m : float
        Silicone above the disc (m).
    radius_m : float or None
        Radius of the part that carries the load (m); None = the disc's.
    silicone : str
        Name of a silicone.
    """

    gap_m: Positive
    skin_m: Positive = 1.0e-3
    radius_m: Positive | None = None
    silicone: str = "soft_silicone"


class IronDiscPad(Strict):
    """Four flat coils in a square below a disc of magnetic composite.

    Attributes
    ----------
    variant : str
        `iron_disc`.
    coil : Coil
        Each of the four coils.
    spacing_m : float
        Distance of neighbouring coil centres (m), at least a coil's diameter.
    disc : Disc
        The disc.
    cushion : Cushion
        The silicone.
    frequency_hz : float or None
        Frequency wanted (Hz), sets the turns; None = turns are given.
    """

    variant: Literal["iron_disc"]
    coil: Coil
    spacing_m: Positive
    disc: Disc
    cushion: Cushion
    frequency_hz: Positive | None = None

    @model_validator(mode="after")
    def _check_whole(self) -> IronDiscPad:
        if self.spacing_m < 2.0 * self.coil.outer_radius_m:
            need = f"must be >= the coil's diameter {2.0 * self.coil.outer_radius_m:g}"
            raise _rule("spacing_m", need, self.spacing_m)
        _check_turns(self.coil, self.frequency_hz)
        return self


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


class LiquidMetalPad(Strict):
    """One flat coil below a cell that fills with liquid metal from a press cell.

    Attributes
    ----------
    variant : str
        `liquid_metal`.
    coil : Coil
        The coil.
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
    frequency_hz : float or None
        Frequency wanted (Hz), sets the turns; None = turns are given.
    """

    variant: Literal["liquid_metal"]
    coil: Coil
    press_cell: PressCell
    coil_cell: CoilCell
    duct: DuctShape = DuctShape()
    cells_apart_m: Positive = 15.0e-3
    metal: str = "gallium_indium"
    silicone: str = "medium_silicone"
    frequency_hz: Positive | None = None

    @model_validator(mode="after")
    def _check_whole(self) -> LiquidMetalPad:
        _check_turns(self.coil, self.frequency_hz)
        reach = 0.5 * (self.press_cell.diameter_m + self.coil_cell.diameter_m)
        if self.cells_apart_m < reach:
            raise _rule("cells_apart_m", f"must be >= the cells' mean diameter {reach:g}", self.cells_apart_m)
        return self


Pad = Annotated[IronDiscPad | LiquidMetalPad, Field(discriminator="variant")]


class Sweep(Strict):
    """Which designs the study holds.

    Attributes
    ----------
    grid : dict
        Dotted key to values: every combination is a design.
    entries : list
        Written `list` in the file. Dotted key to value: each entry is a design.
    """

    grid: dict[str, Annotated[list[Any], Field(min_length=1)]] | None = None
    entries: Annotated[list[dict[str, Any]], Field(min_length=1)] | None = Field(default=None, alias="list")

    @model_validator(mode="after")
    def _check_one(self) -> Sweep:
        if (self.grid is None) == (self.entries is None):
            raise PydanticCustomError("one_of", "must have either grid or list")
        return self


class Design(Strict):
    """One design: everything that is needed to compute its figures.

    Attributes
    ----------
    pad : IronDiscPad or LiquidMetalPad
        The pad.
    readout : Readout
        Tank and counter.
    load : Load
        Forces it is judged by.
    finger : Finger
        The finger.
    tolerances : Tolerances
        How far the cast pad may be from it.
    surroundings : tuple of Plate
        Metal near it.
    materials : dict
        The study's own materials by name.
    """

    pad: Pad
    readout: Readout = Readout()
    load: Load = Load()
    finger: Finger = Finger()
    tolerances: Tolerances = Tolerances()
    surroundings: tuple[Plate, ...] = SURROUNDINGS
    materials: dict[str, Material] = Field(default_factory=dict)


class Study(Design):
    """A study file.

    Attributes
    ----------
    schema_version : int
        Version of the format, 1.
    title : str
        Heading of the report.
    note : str
        A sentence about the study, printed with it.
    sweep : Sweep or None
        The designs; None = the one described.
    rank_by : str
        `snr_db`, `monotonic_range_n`, `sensitivity_h_n`, or `bend_worst_n` or `bend_apparent_n`, smallest first.
    """

    schema_version: Literal[1] = 1
    title: str = "Pad design study"
    note: str = ""
    sweep: Sweep | None = None
    rank_by: Literal["snr_db", "monotonic_range_n", "sensitivity_h_n", "bend_worst_n", "bend_apparent_n"] = "snr_db"


def _rule(field: str, rule: str, value: object) -> PydanticCustomError:
    """Return an error that names a field of the model it is raised in."""
    return PydanticCustomError("rule", "{rule}", {"rule": rule, "field": field, "value": value})


def _check_turns(coil: Coil, frequency_hz: float | None) -> None:
    if coil.turns is None and frequency_hz is None:
        raise _rule("coil.turns", "must be given, or frequency_hz in its place", None)
    if coil.turns is not None and frequency_hz is not None:
        raise _rule("frequency_hz", "must be left out when coil.turns is given (the tank sets it)", frequency_hz)
