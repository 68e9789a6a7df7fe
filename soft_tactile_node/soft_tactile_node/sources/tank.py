"""From raw counts to inductance: the LC tank and its counter, described in a small YAML file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from soft_tactile_node.errors import SourceError
from soft_tactile_node.physics.resonator import inductance_from_frequency
from soft_tactile_node.recordings.yaml_files import check_model, read_yaml
from soft_tactile_node.samples import MAX_CHANNELS, Array

_Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
_NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
_Positives = _Positive | Annotated[list[_Positive], Field(min_length=1, max_length=MAX_CHANNELS)]
_NotNegatives = _NotNegative | Annotated[list[_NotNegative], Field(min_length=1, max_length=MAX_CHANNELS)]

_PER_CHANNEL = ("capacitor_f", "parasitic_capacitance_f", "parasitic_inductance_h", "resistance_ohm")


class Tank(BaseModel):
    """LC tank of each coil and the counter that reads it.

    A `reciprocal` counter counts ticks of the reference clock during `divider` periods of the tank: f = divider x
    reference / count. A `gated` counter counts periods of the tank, divided by `divider`, during `gate_ticks` ticks of
    the reference clock: f = divider x count x reference / gate_ticks.

    One count more or less is a step of 1/count in frequency and, because L ~ 1/f^2, of 2/count in inductance: counts of
    1e5 tell 20 ppm. The time behind a reading is count / reference, or gate_ticks / reference: choose `divider` or
    `gate_ticks` so that all coils fit into one scan. A frame carries counts below 2^32.

    Attributes
    ----------
    counter : str
        `reciprocal` or `gated`.
    reference_hz : float
        Reference clock (Hz).
    divider : float
        Periods of the tank to one that is counted (1).
    gate_ticks : float or None
        Length of the gate in ticks of the reference clock (1); only of a gated counter, e.g. 1e6 for 20 ms at 50 MHz.
    capacitor_f : float or list of float
        Capacitor of the tank (F); one value, or one for each channel.
    parasitic_capacitance_f : float or list of float
        Capacitance of coil, leads and input in parallel to it (F).
    parasitic_inductance_h : float or list of float
        Inductance of the leads in series with the coil (H); taken off the result.
    resistance_ohm : float or list of float
        Resistance of coil and leads in series (ohm); used for channels whose loss is not measured.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    counter: Literal["reciprocal", "gated"] = "reciprocal"
    reference_hz: _Positive
    divider: _Positive = 1.0
    gate_ticks: _Positive | None = None
    capacitor_f: _Positives
    parasitic_capacitance_f: _NotNegatives = 0.0
    parasitic_inductance_h: _NotNegatives = 0.0
    resistance_ohm: _NotNegatives = 0.0

    @model_validator(mode="after")
    def _check(self) -> Tank:
        if (self.counter == "gated") != (self.gate_ticks is not None):
            raise PydanticCustomError("gate", "gate_ticks must be given for a gated counter, and only for one")
        lengths = {name: len(value) for name in _PER_CHANNEL if isinstance(value := getattr(self, name), list)}
        if len(set(lengths.values())) > 1:
            told = ", ".join(f"{name} has {length}" for name, length in lengths.items())
            raise PydanticCustomError("lengths", f"lists must have one value for each channel; {told}")
        return self

    @property
    def channels(self) -> int | None:
        """Number of channels it describes; None = any, all alike."""
        return next((len(value) for name in _PER_CHANNEL if isinstance(value := getattr(self, name), list)), None)

    def frequency(self, counts: Array) -> Array:
        """Return the frequency (Hz) of raw `counts` (1), any shape; NaN where the count is 0 = not measured."""
        known = np.where(np.asarray(counts, dtype=np.float64) > 0.0, counts, np.nan)
        if self.counter == "gated":
            return np.asarray(self.divider * known * (self.reference_hz / (self.gate_ticks or 1.0)))
        return np.asarray(self.divider * self.reference_hz / known)

    def inductance(self, counts: Array, loss_ohm: Array | None = None) -> Array:
        """Return the inductance of the coils.

        Parameters
        ----------
        counts : numpy.ndarray, shape (c,) or (n, c)
            Raw counts (1); 0 = not measured.
        loss_ohm : numpy.ndarray, same shape, or None
            Measured loss resistance (ohm), leads included; where it is NaN `resistance_ohm` is used.

        Returns
        -------
        numpy.ndarray, same shape
            Inductance (H); NaN where the count is 0 or no coil could give it.

        Raises
        ------
        SourceError
            The description is of another number of channels.
        """
        return self.inductance_at(self.frequency(counts), loss_ohm)

    def inductance_at(self, frequency_hz: Array, loss_ohm: Array | None = None) -> Array:
        """Return the inductance of coils whose tanks were measured in frequency.

        Parameters
        ----------
        frequency_hz : numpy.ndarray, shape (c,) or (n, c)
            Frequency of the tanks (Hz); NaN = not measured.
        loss_ohm : numpy.ndarray, same shape, or None
            As for `inductance` (ohm).

        Returns
        -------
        numpy.ndarray, same shape
            Inductance (H); NaN where the frequency is NaN or no coil could give it.

        Raises
        ------
        SourceError
            The description is of another number of channels.
        """
        given = np.asarray(frequency_hz, dtype=np.float64)
        if self.channels not in (None, given.shape[-1]):
            raise SourceError(f"the tank is described for {self.channels} channels; got counts of {given.shape[-1]}")
        resistance = np.broadcast_to(np.asarray(self.resistance_ohm, dtype=np.float64), given.shape)
        if loss_ohm is not None:
            resistance = np.where(np.isfinite(loss_ohm) & (np.asarray(loss_ohm) >= 0.0), loss_ohm, resistance)
        capacitance = np.asarray(self.capacitor_f) + np.asarray(self.parasitic_capacitance_f)
        coil = inductance_from_frequency(given, capacitance, resistance) - np.asarray(self.parasitic_inductance_h)
        return np.asarray(np.where(coil > 0.0, coil, np.nan))


def load_tank(path: str | Path) -> Tank:
    """Read the description of the tanks.

    Parameters
    ----------
    path : str or pathlib.Path
        YAML file with the keys of `Tank`.

    Returns
    -------
    Tank
        The description.

    Raises
    ------
    SourceError
        One line: the file, the key, what it must be and what it is.
    """
    hint = f"write lines like `reference_hz: 50.0e6`; keys are {', '.join(Tank.model_fields)}"
    return check_model(path, Tank, read_yaml(path, SourceError, hint), SourceError, hint)
