"""What the simulator asks of a pad: of a variant, invented here, and of a pad of one's own.

A specimen's spread (assembly, batch, hysteresis, creep) stays that of the invented pad; its mean values become those of
the design.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol, TypeVar

import numpy as np

from soft_tactile_node.errors import RangeError
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation.readout import ReadoutParameters
from soft_tactile_node.simulation.specimen import FingerParameters

Parameters = TypeVar("Parameters", bound=NamedTuple)


class PadModel(Protocol):
    """A variant of a pad: how one is drawn, and what its coils are in a state of the finger."""

    @property
    def channels(self) -> int:
        """Number of coils."""

    @property
    def stream(self) -> int:
        """Its own number in the seed of a specimen: never changed, so that a seed keeps its finger."""

    @property
    def readout(self) -> ReadoutParameters:
        """Nominal front end."""

    def draw(self, rng: np.random.Generator) -> Any:
        """Return what the coils of one specimen see, as a NamedTuple."""

    def load_tables(self) -> Any:
        """Return the fields of the invented pad, from the user's cache where they exist; None = needs none."""

    def series(
        self,
        pad: Any,
        tables: Any,
        finger: FingerParameters,
        states: Array,
        temperature_c: Array,
        coil_temperature_c: Array,
        lid_m: Array,
    ) -> tuple[Array, Array]:
        """Return inductance (n, c) (H) and loss (n, c) (ohm); arguments as of `sensors.pad_series`."""


@dataclass(frozen=True)
class FrontEnd:
    """Tank and counter of a pad.

    Attributes
    ----------
    capacitance_f : float
        Tank capacitor (F).
    clock_hz : float
        Reference clock (Hz).
    jitter : float
        Relative random error of frequency over a gate of 1 ms (1).
    resistance_ohm : float
        Loss at rest that the conversion to inductance assumes (ohm).
    coil_resistance_ohm : float
        Loss of the coil alone (ohm).
    """

    capacitance_f: float
    clock_hz: float
    jitter: float
    resistance_ohm: float
    coil_resistance_ohm: float

    def fit_readout(self, nominal: ReadoutParameters) -> ReadoutParameters:
        """Return a front end with this tank, clock and noise.

        Parameters
        ----------
        nominal : ReadoutParameters
            Front end of the invented pad, whose drift and pressure sensor stay.

        Returns
        -------
        ReadoutParameters
            The front end.
        """
        return nominal._replace(
            capacitance_f=self.capacitance_f,
            clock_hz=self.clock_hz,
            jitter=self.jitter,
            resistance_ohm=self.resistance_ohm,
        )


class PadDesign(Protocol):
    """A pad of one's own, as designed."""

    @property
    def name(self) -> str:
        """Its variant."""

    @property
    def front_end(self) -> FrontEnd:
        """Tank and counter."""

    def fit_finger(self, drawn: FingerParameters) -> FingerParameters:
        """Return a drawn finger with the mechanics of this pad and the specimen's own deviations."""

    def fit_pad(self, drawn: Any) -> Any:
        """Return what the coils of a drawn specimen see, with the mean values of this pad."""

    def load_tables(self) -> Any:
        """Return its fields, from the user's cache where they exist; RangeError outside what can be tabulated."""


class _NoSpread:
    """Stands for a random generator that draws the middle every time."""

    def standard_normal(self, size: int | None = None) -> Any:
        """Return zero, or zeros."""
        return 0.0 if size is None else np.zeros(size)


MIDDLE: Any = _NoSpread()
"""In the place of a random generator: every value is its nominal one."""


def retarget(drawn: Parameters, middle: Parameters, **wanted: float) -> Parameters:
    """Return a drawn specimen whose mean values are those wanted; its spread stays.

    Parameters
    ----------
    drawn, middle : NamedTuple
        Parameters of the specimen, and those drawn with `MIDDLE`.
    **wanted : float
        Mean values by name, in their own units.

    Returns
    -------
    NamedTuple
        The specimen.
    """
    scaled = {key: getattr(drawn, key) * (value / getattr(middle, key)) for key, value in wanted.items()}
    return drawn._replace(**scaled)


def check_tabulated(value: float, low: float, high: float, what: str, unit: str) -> None:
    """Refuse a size outside the simulator's tables.

    Parameters
    ----------
    value, low, high : float
        The size and its limits, in `unit`.
    what, unit : str
        For the message.

    Raises
    ------
    RangeError
        Names the size and its limits.
    """
    if not low <= value <= high:
        raise RangeError(f"{what} must be {low:.3g} to {high:.3g} {unit} to be simulated; got {value:.3g} {unit}")
