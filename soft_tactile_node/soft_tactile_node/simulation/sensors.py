"""A specimen: finger, pad and front end, drawn together from one seed, and the signal the pad gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation.iron_disc_pad import (
    IronDiscParameters,
    IronDiscTables,
    draw_iron_disc,
    iron_disc_series,
    load_iron_disc_tables,
)
from soft_tactile_node.simulation.liquid_metal_pad import (
    LiquidMetalParameters,
    LiquidMetalTables,
    draw_liquid_metal,
    liquid_metal_series,
    load_liquid_metal_tables,
)
from soft_tactile_node.simulation.pad_design import PadDesign, design_finger, design_pad, design_readout, design_tables
from soft_tactile_node.simulation.readout import ReadoutParameters, draw_readout
from soft_tactile_node.simulation.specimen import FingerParameters, draw_finger
from soft_tactile_node.words import PAD_NAMES


@dataclass(frozen=True)
class Specimen:
    """One finger as built.

    Attributes
    ----------
    finger : FingerParameters
        Chamber, actuator, pad mechanics.
    pad : IronDiscParameters or LiquidMetalParameters
        What the coils see.
    readout : ReadoutParameters
        Front end.
    tables : IronDiscTables, LiquidMetalTables or None
        Fields of a pad of one's own; None = those of the invented pad.
    """

    finger: FingerParameters
    pad: IronDiscParameters | LiquidMetalParameters
    readout: ReadoutParameters
    tables: IronDiscTables | LiquidMetalTables | None = None

    @property
    def channels(self) -> int:
        """Number of coil channels."""
        return len(self.pad.coil_x) if isinstance(self.pad, IronDiscParameters) else 1


def draw_specimen(seed: int, pad: str | PadDesign) -> Specimen:
    """Return a specimen.

    Parameters
    ----------
    seed : int
        Picks the specimen, >= 0.
    pad : str, IronDiscDesign or LiquidMetalDesign
        "iron_disc" or "liquid_metal" for the invented pads, or a pad of one's own.

    Returns
    -------
    Specimen
        Same seed, same specimen.

    Raises
    ------
    RangeError
        The pad is unknown or the seed negative.
    """
    variant = check_pad(pad)
    check_range(seed, 0, name="specimen seed")
    rng = np.random.default_rng([seed, PAD_NAMES.index(variant), 5])
    body = draw_finger(rng)
    field = draw_iron_disc(rng) if variant == "iron_disc" else draw_liquid_metal(rng)
    if isinstance(pad, str):
        return Specimen(body, field, draw_readout(rng, pad))
    tables = design_tables(pad)
    return Specimen(design_finger(body, pad), design_pad(field, pad), design_readout(rng, pad), tables)


def check_pad(pad: str | PadDesign) -> str:
    """Return the variant of a pad.

    Parameters
    ----------
    pad : str, IronDiscDesign or LiquidMetalDesign
        Name of an invented pad, or a pad of one's own.

    Returns
    -------
    str
        "iron_disc" or "liquid_metal".

    Raises
    ------
    RangeError
        The pad is unknown.
    """
    variant = pad if isinstance(pad, str) else pad.name
    if variant not in PAD_NAMES:
        raise RangeError(f"pad must be one of {', '.join(PAD_NAMES)}; got {variant!r}")
    return variant


def pad_series(
    specimen: Specimen, states: Array, temperature_c: Array, coil_temperature_c: Array, lid_m: Array
) -> tuple[Array, Array]:
    """Return what the coils are, without noise.

    Parameters
    ----------
    specimen : Specimen
        Finger and pad.
    states : numpy.ndarray, shape (n, s)
        States of the finger.
    temperature_c, coil_temperature_c : numpy.ndarray, shape (n,)
        Temperature of the soft body and of the coils (degC).
    lid_m : numpy.ndarray, shape (n,)
        Distance of a steel lid's edge from the pad centre (m); >= 0.5 = none.

    Returns
    -------
    tuple of numpy.ndarray, shape (n, c)
        Inductance (H) and loss resistance (ohm).
    """
    arguments: tuple[Any, ...] = (temperature_c, coil_temperature_c, lid_m)
    if isinstance(specimen.pad, IronDiscParameters):
        tables = specimen.tables if isinstance(specimen.tables, IronDiscTables) else load_iron_disc_tables()
        found = iron_disc_series(specimen.pad, tables, specimen.finger, states, *arguments)
    else:
        metal = specimen.tables if isinstance(specimen.tables, LiquidMetalTables) else load_liquid_metal_tables()
        found = liquid_metal_series(specimen.pad, metal, states, *arguments)
    return np.asarray(found[0]), np.asarray(found[1])
