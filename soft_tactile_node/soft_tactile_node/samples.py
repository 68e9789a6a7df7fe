"""What flows through the system: scans in, estimates and events out. Plain frozen data in SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from enum import Enum, IntEnum, IntFlag
from typing import Any, Generic, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAX_CHANNELS = 16
"""Most coil channels one finger can have."""

PARTS = np.dtype([("bending", "f8"), ("contact", "f8"), ("drift", "f8")])
"""Parts of one channel's signal (1); see `ChannelParts`."""


class Flag(IntFlag):
    """Why an estimate is to be read with care; the same bits in CSV, messages and diagnostics."""

    TARE = 1  # the tare is being taken, no force yet
    TARE_OLD = 2  # running on the tare of an earlier run
    STALE = 4  # no scan within the coil timeout
    CHANNEL_OPEN = 8  # a channel is missing, NaN or far outside its range
    STUCK = 16  # a channel does not move although it should
    SPIKE = 32  # a channel jumped further than a finger can move it
    REJECTED = 64  # the scan, or a channel of it, failed its gate and was not used
    PRESSURE_MISSING = 128  # pressure is missing, frozen or implausible; the model holds, variance grows
    OUT_OF_RANGE = 256  # pressure, temperature or force beyond the calibrated range
    TIME_JUMP = 512  # the stamp was equal, went backwards or jumped
    OVERLOAD = 1024  # force above the overload limit
    HELD_ELSEWHERE = 2048  # bending is blocked by something that does not touch the pad
    MOTION = 8192  # the finger rings, as when its base moves; touch thresholds raised


class EventKind(str, Enum):
    """Kinds of event, spelled as in event files."""

    CONTACT = "contact"
    RELEASE = "release"
    SLIP = "slip"
    OVERLOAD = "overload"
    FAULT = "fault"
    RECOVERED = "recovered"

    @property
    def number(self) -> int:
        """Number of the kind in messages, from 1 on."""
        return list(EventKind).index(self) + 1


class State(IntEnum):
    """What the estimator is doing."""

    TARING = 0
    FREE = 1
    CONTACT = 2
    HELD_ELSEWHERE = 3
    STALE = 4
    FAULT = 5


@dataclass(frozen=True)
class Scan:
    """One reading of all coil channels.

    Attributes
    ----------
    time_s : float
        Acquisition time (s), any epoch, increasing.
    inductance_h : numpy.ndarray, shape (c,)
        Inductance of each channel (H); NaN = not measured.
    temperature_c : float
        Coil temperature (degC); NaN = not measured.
    loss_ohm : numpy.ndarray, shape (c,), or None
        Loss resistance of each channel (ohm); None = never measured.
    acceleration_m_s2 : numpy.ndarray, shape (3,), or None
        Specific force in the root frame (m/s^2), at rest minus gravity; None = never measured.
    """

    time_s: float
    inductance_h: Array
    temperature_c: float = float("nan")
    loss_ohm: Array | None = None
    acceleration_m_s2: Array | None = None


class ChannelParts(NamedTuple):
    """The split signal of each channel; `change = bending + drift + contact` holds by definition.

    Attributes
    ----------
    raw : numpy.ndarray, shape (c,)
        Inductance (H); NaN = not used.
    split : numpy.ndarray, shape (c,)
        Records of `PARTS`: what a free pad would show at this pressure, what a touch adds, and what is neither (1).
    """

    raw: Array
    split: np.ndarray


@dataclass(frozen=True)
class EstimateField:
    """How one field of an estimate is declared.

    Attributes
    ----------
    name : str
        Its name.
    meaning : str
        What it is, and what NaN means.
    unit : str
        Its unit; empty = no quantity.
    blank : bool, int or float
        Its value while nothing is known; the type is that of the field.
    column : str
        Its column in a file, `{}` where the axis goes.
    """

    name: str
    meaning: str
    unit: str
    blank: Any
    column: str

    @property
    def shape(self) -> tuple[int, ...]:
        """Shape of one value: (3,) for x, y and z of the pad frame, else ()."""
        return (3,) if "{}" in self.column else ()

    @property
    def columns(self) -> tuple[str, ...]:
        """Its columns in a file."""
        return tuple(self.column.format(axis) for axis in "xyz") if self.shape else (self.column,)

    @property
    def may_lack(self) -> bool:
        """Whether a file may lack it: a number, for NaN says that it is not known; without force it is no estimate."""
        return not self.shape and bool(self.blank != self.blank)

    @property
    def message_name(self) -> str:
        """Its name in a message, which has no unit."""
        return self.name.removesuffix("_" + self.unit.lower().replace("^", ""))


def declare(meaning: str, unit: str = "", *, blank: Any = math.nan, column: str = "") -> Any:
    """Declare a field of an estimate.

    Parameters
    ----------
    meaning, unit, blank, column
        As in `EstimateField`; a column that is not given has the field's own name.

    Returns
    -------
    dataclasses.Field
        The field, which is blank if it is not given.
    """
    metadata = {"meaning": meaning, "unit": unit, "blank": blank, "column": column}
    if "{}" in column:
        return field(default_factory=lambda: np.full(3, blank), metadata=metadata)
    return field(default=blank, metadata=metadata)


def declared(kind: type) -> tuple[EstimateField, ...]:
    """Return the fields that a kind of estimate has beside its time.

    Parameters
    ----------
    kind : type
        `Estimate`, or the table of estimates.

    Returns
    -------
    tuple of EstimateField
        In order.
    """
    return tuple(
        EstimateField(item.name, **{**item.metadata, "column": item.metadata["column"] or item.name})
        for item in fields(kind)
        if item.metadata
    )


Number = TypeVar("Number")
YesNo = TypeVar("YesNo")
Bits = TypeVar("Bits")


@dataclass(frozen=True, eq=False)
class Estimated(Generic[Number, YesNo, Bits]):
    """What is estimated, of one scan or of many.

    The fields of an estimate are declared here and in `Estimate`, and nowhere else: one that stands here is in the row
    of the compiled loop, in `Estimate`, in the table in memory and in files; one that stands there is in the row and in
    `Estimate` alone. A field of that name, unit left out, in `PadEstimate.msg` publishes it.
    """

    time_s: Number
    force_n: Array = declare("force on the pad in the pad frame; NaN = not observed", "N", column="force_{}_n")
    force_variance_n2: Array = declare("its variance; NaN = not observed", "N^2", column="force_{}_var_n2")
    contact_probability: Number = declare("probability of a touch on the pad", "1", blank=0.0)
    in_contact: YesNo = declare("the reported state of the touch", blank=False)
    bend_rad: Number = declare("bend angle; NaN without a bend reference in the calibration", "rad")
    flags: Bits = declare("why it is to be read with care; see Flag", blank=Flag(0))


@dataclass(frozen=True)
class Estimate(Estimated[float, bool, Flag]):
    """What is known about one finger after one scan; what is not given is not known.

    Attributes
    ----------
    time_s : float
        Time of the scan (s).
    parts : ChannelParts
        The split signal of each channel.
    """

    contact_id: int = declare("number of the present or last contact; 0 = none yet", blank=0)
    slip_probability: float = declare("0.5 while a rise of shear is judged, 1 while it slides; NaN = not observed", "1")
    friction_use: float = declare("shear over the friction limit; NaN = this contact has not slid yet", "1")
    bend_variance_rad2: float = declare("variance of the bend; NaN as the bend", "rad^2")
    bend_fraction: float = declare("bend over the free bend at the highest calibrated pressure", "1")
    pressure_pa: float = declare("pressure used (gauge)", "Pa")
    state: State = declare("what the estimator is doing; see State", blank=State.TARING)
    parts: ChannelParts = field(kw_only=True)


def _describe(kind: type) -> None:
    """Add the declared fields to what `help` shows of a kind of estimate."""
    lines = [f"    {item.name} : {item.meaning}{f' ({item.unit})' * bool(item.unit)}" for item in declared(kind)]
    kind.__doc__ = "\n".join([f"{kind.__doc__}", "    Declared fields; forces are of shape (3,):", "", *lines, ""])


_describe(Estimated)
_describe(Estimate)


@dataclass(frozen=True)
class ContactEvent:
    """Something that happened: a touch, a release, a slip, an overload, a fault or its end.

    Attributes
    ----------
    time_s : float
        When it was reported (s).
    onset_s : float
        When it is estimated to have begun (s); NaN = not estimated.
    kind : EventKind
        See EventKind.
    contact_id : int
        Number of the contact it belongs to; 0 = none.
    force_n : numpy.ndarray, shape (3,)
        Force at the time of the report (N, pad frame); NaN = not observed.
    contact_probability : float
        Probability of a touch at the time of the report (1).
    bend_fraction : float
        See Estimate.
    detail : str
        One sentence for a person, e.g. which channel failed; not in event files.
    """

    time_s: float
    onset_s: float
    kind: EventKind
    contact_id: int
    force_n: Array
    contact_probability: float
    bend_fraction: float = float("nan")
    detail: str = ""
