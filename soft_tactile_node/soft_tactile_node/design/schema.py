"""What a study file may say: what all pads have, and the sweep. SI units in every key."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from soft_tactile_node.design.conditions import SURROUNDINGS, Finger, Load, Plate, Readout, Tolerances
from soft_tactile_node.design.materials import Material, NotNegative, Positive, Strict
from soft_tactile_node.physics.spiral import SpiralCoil
from soft_tactile_node.registry import PADS

SCHEMA_VERSION = 1
"""Version of the study format."""


def rule(field: str, need: str, value: object) -> PydanticCustomError:
    """Return an error to raise: a `field` of the model, what it must be (`need`), and its `value`; None = missing."""
    return PydanticCustomError("rule", "{rule}", {"rule": need, "field": field, "value": value})


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
            raise rule("outer_radius_m", f"must be > inner_radius_m = {self.inner_radius_m:g}", self.outer_radius_m)
        if self.turns is not None:
            pitch = (self.outer_radius_m - self.inner_radius_m) / self.turns
            if self.trace_width_m > pitch:
                raise rule("trace_width_m", f"must be <= the pitch {pitch:.3g}", self.trace_width_m)
        return self

    def spiral(self, turns: int) -> SpiralCoil:
        """Return the coil with `turns` a layer (1), for the physics modules."""
        return SpiralCoil(
            inner_radius_m=self.inner_radius_m,
            outer_radius_m=self.outer_radius_m,
            turns=turns,
            trace_width_m=self.trace_width_m,
            trace_thickness_m=self.trace_thickness_m,
            layers=self.layers,
            layer_gap_m=self.layer_gap_m,
        )


class PadShape(Strict):
    """What every pad has; each variant adds its own in a class of its own.

    Attributes
    ----------
    variant : str
        A name in `registry.PADS`.
    coil : Coil
        Each coil.
    frequency_hz : float or None
        Frequency wanted (Hz), sets the turns; None = turns are given.
    """

    variant: str
    coil: Coil
    frequency_hz: Positive | None = None

    @model_validator(mode="after")
    def _check_turns(self) -> PadShape:
        if self.coil.turns is None and self.frequency_hz is None:
            raise rule("coil.turns", "must be given, or frequency_hz in its place", None)
        if self.coil.turns is not None and self.frequency_hz is not None:
            need = "must be left out when coil.turns is given (the tank sets it)"
            raise rule("frequency_hz", need, self.frequency_hz)
        return self


def _read_pad(value: object) -> object:
    """Return keys of a pad as the shape of its variant; anything else as it is."""
    if not isinstance(value, Mapping):
        return value
    variant = value.get("variant", "nothing")
    if not isinstance(variant, str) or variant not in PADS:
        raise rule("variant", f"must be one of {', '.join(PADS)}", variant)
    return PADS[variant].load_study().shape.model_validate(value)


Pad = Annotated[PadShape, BeforeValidator(_read_pad)]


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
    pad : PadShape
        The pad, in the shape of its variant.
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
