"""What flows through the system: scans in, estimates and events out. Plain frozen data, SI units, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum, IntFlag

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAX_CHANNELS = 16
"""Most coil channels one finger can have."""


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
    """Kinds of event, spelled as in event files and messages."""

    CONTACT = "contact"
    RELEASE = "release"
    SLIP = "slip"
    OVERLOAD = "overload"
    FAULT = "fault"
    RECOVERED = "recovered"


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


@dataclass(frozen=True)
class ChannelParts:
    """The split signal of each channel; `change = bending + drift + contact` holds by definition.

    Attributes
    ----------
    raw : numpy.ndarray, shape (c,)
        Inductance (H); NaN = not used.
    bending : numpy.ndarray, shape (c,)
        What the pad would show at its actual bend with no load (1).
    free_bending : numpy.ndarray, shape (c,)
        The pressure model's prediction of it (1).
    contact : numpy.ndarray, shape (c,)
        change - bending - drift (1).
    drift : numpy.ndarray, shape (c,)
        What is neither bending nor contact (1).
    """

    raw: Array
    bending: Array
    free_bending: Array
    contact: Array
    drift: Array


@dataclass(frozen=True)
class Estimate:
    """What is known about one finger after one scan.

    Attributes
    ----------
    time_s : float
        Time of the scan (s).
    force_n : numpy.ndarray, shape (3,)
        Force on the pad in the pad frame (N); NaN = not observed.
    force_covariance_n2 : numpy.ndarray, shape (3, 3)
        Covariance of the force (N^2); rows of unobserved axes are 0 with -1 on the diagonal.
    torque_variance_n2_m2 : numpy.ndarray, shape (3,)
        Variance of the torque about the pad origin (N^2 m^2), from the unknown contact place; -1 = not observed.
    observed : numpy.ndarray of bool, shape (6,)
        Which of fx, fy, fz, tx, ty, tz are observed.
    contact_probability : float
        Probability of a touch on the pad (1).
    in_contact : bool
        The reported state of the touch.
    contact_id : int
        Number of the present or last contact; 0 = none yet.
    slip_probability : float
        Probability that the object slides (1); NaN = not observed.
    friction_use : float
        Shear over friction limit (1); NaN = not observed.
    bend_rad, bend_variance_rad2 : float
        Bend angle (rad) and its variance (rad^2); NaN without a bend reference in the calibration.
    bend_fraction : float
        Bend over the free bend at the highest calibrated pressure (1).
    pressure_pa : float
        Pressure used (gauge Pa).
    flags : Flag
        See Flag.
    state : State
        See State.
    parts : ChannelParts
        The split signal of each channel.
    """

    time_s: float
    force_n: Array
    force_covariance_n2: Array
    torque_variance_n2_m2: Array
    observed: NDArray[np.bool_]
    contact_probability: float
    in_contact: bool
    contact_id: int
    slip_probability: float
    friction_use: float
    bend_rad: float
    bend_variance_rad2: float
    bend_fraction: float
    pressure_pa: float
    flags: Flag
    state: State
    parts: ChannelParts


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
