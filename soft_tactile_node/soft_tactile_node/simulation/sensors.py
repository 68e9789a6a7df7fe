"""A specimen: finger, pad and front end, drawn together from one seed, and the signal the pad gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from soft_tactile_node.checks import check_range
from soft_tactile_node.registry import PadVariant, find_pad
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation.pad_design import PadDesign, PadModel
from soft_tactile_node.simulation.readout import ReadoutParameters, draw_readout
from soft_tactile_node.simulation.specimen import FingerParameters, draw_finger


@dataclass(frozen=True)
class Specimen:
    """One finger as built.

    Attributes
    ----------
    model : PadModel
        Variant of the pad.
    finger : FingerParameters
        Chamber, actuator, pad mechanics.
    pad : NamedTuple
        What the coils see, as the variant draws it.
    readout : ReadoutParameters
        Front end.
    tables : NamedTuple or None
        Fields of a pad of one's own; None = those of the invented pad.
    """

    model: PadModel
    finger: FingerParameters
    pad: Any
    readout: ReadoutParameters
    tables: Any = None

    @property
    def channels(self) -> int:
        """Number of coil channels."""
        return self.model.channels


def draw_specimen(seed: int, pad: str | PadDesign) -> Specimen:
    """Return a specimen.

    Parameters
    ----------
    seed : int
        Picks the specimen, >= 0.
    pad : str or PadDesign
        Variant of an invented pad, or a pad of one's own.

    Returns
    -------
    Specimen
        Same seed, same specimen.

    Raises
    ------
    RangeError
        The pad is unknown or the seed negative.
    """
    model: PadModel = variant_of(pad).load_simulator()
    check_range(seed, 0, name="specimen seed")
    rng = np.random.default_rng([seed, model.stream, 5])
    body, field = draw_finger(rng), model.draw(rng)
    if isinstance(pad, str):
        return Specimen(model, body, field, draw_readout(rng, model.readout))
    readout = draw_readout(rng, pad.front_end.fit_readout(model.readout))
    return Specimen(model, pad.fit_finger(body), pad.fit_pad(field), readout, pad.load_tables())


def variant_of(pad: str | PadDesign) -> PadVariant:
    """Return the entry in the registry of `pad`, a variant or a pad of one's own; RangeError where unknown."""
    return find_pad(pad if isinstance(pad, str) else pad.name)


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
    model = specimen.model
    tables = model.load_tables() if specimen.tables is None else specimen.tables
    found = model.series(specimen.pad, tables, specimen.finger, states, temperature_c, coil_temperature_c, lid_m)
    return np.asarray(found[0]), np.asarray(found[1])
