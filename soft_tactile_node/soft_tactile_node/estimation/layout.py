"""What the inner loop works on: its constants, its state, and the columns of its output rows."""

from __future__ import annotations

from typing import NamedTuple

from soft_tactile_node.estimation.decision_state import DecisionState, Thresholds
from soft_tactile_node.estimation.health import HealthLimits, HealthState
from soft_tactile_node.estimation.separation import SeparationModel
from soft_tactile_node.estimation.slip import SlipState
from soft_tactile_node.samples import Array

# Columns of an output row.
FORCE = 0  # fx, fy, fz (N)
COVARIANCE = 3  # nine numbers, row-major (N^2)
CONTACT_PROBABILITY = 12
IN_CONTACT = 13
CONTACT_ID = 14
SLIP_PROBABILITY = 15
FRICTION_USE = 16
BEND = 17  # rad
BEND_VARIANCE = 18  # rad^2
BEND_FRACTION = 19
PRESSURE = 20  # relative (1)
FLAGS = 21
STATE = 22
EVENTS = 23  # bit set, see below
EVENT_ONSET = 24  # s
PARTS = 25  # bending, free_bending, contact, drift: c numbers each
FIXED = 25

# Event bits.
EVENT_CONTACT = 1
EVENT_RELEASE = 2
EVENT_SLIP = 4
EVENT_OVERLOAD = 8
EVENT_FAULT = 16
EVENT_RECOVERED = 32

# Flag bits, equal to samples.Flag (a test compares them).
FLAG_CHANNEL_OPEN = 8
FLAG_STUCK = 16
FLAG_SPIKE = 32
FLAG_REJECTED = 64
FLAG_PRESSURE_MISSING = 128
FLAG_OUT_OF_RANGE = 256
FLAG_TIME_JUMP = 512
FLAG_OVERLOAD = 1024
FLAG_HELD_ELSEWHERE = 2048

STATE_FREE = 1
STATE_CONTACT = 2
STATE_HELD = 3
STATE_FAULT = 5

UNOBSERVED_N = 0.5
"""Standard deviation above which a force counts as not observed (N)."""


class RowModel(NamedTuple):
    """Everything constant: the calibrated models and the user's limits.

    Attributes
    ----------
    lag_s, play_radius : numpy.ndarray
        See `advance_bending`.
    bending_weights : numpy.ndarray, shape (m, c)
        Free-bend weights (1).
    angle_weights : numpy.ndarray, shape (m,)
        Weights of the bend angle (rad); empty = no bend reference.
    angle_variance : float
        Variance of the bend angle while free (rad^2).
    slope_load : numpy.ndarray, shape (g,)
        Relative pressures of the slope table (1), rising.
    slope : numpy.ndarray, shape (g, c)
        Change of each channel per relative pressure along the free-bend curve (1).
    observable : numpy.ndarray, shape (3,)
        1 for axes the whole pad can observe.
    load_low, load_high, temperature_low, temperature_high, force_normal, force_shear, overload : float
        Calibrated ranges: relative pressure (1), temperature change (K), force (N).
    compliance : float
        Relative pressure that a newton on the pad takes from the finger's drive (1/N).
    separation, thresholds, health : see their classes
    """

    lag_s: Array
    play_radius: Array
    bending_weights: Array
    angle_weights: Array
    angle_variance: float
    slope_load: Array
    slope: Array
    observable: Array
    load_low: float
    load_high: float
    temperature_low: float
    temperature_high: float
    force_normal: float
    force_shear: float
    overload: float
    compliance: float
    separation: SeparationModel
    thresholds: Thresholds
    health: HealthLimits


class RowState(NamedTuple):
    """Everything that changes; arrays are changed in place.

    Attributes
    ----------
    clock : numpy.ndarray, shape (8,)
        See the index constants below.
    memory, terms : numpy.ndarray
        Free-bend recursion, driven by the pressure.
    actual_memory, actual_terms : numpy.ndarray
        The same recursion driven by the pressure less what the force on the pad takes off: the actual bend. One
        hysteresis for both makes a finger that closes on an object differ from one that is pushed back, as it does.
    expected : numpy.ndarray, shape (c,)
        Prediction at the actual bend at the last scan (1).
    activity : numpy.ndarray, shape (w,)
        Mean squared pressure rate over each memory (1/s^2).
    used : numpy.ndarray, shape (c,)
        Channels used in the last scan.
    decision, health, slip : see their classes
    """

    clock: Array
    memory: Array
    terms: Array
    actual_memory: Array
    actual_terms: Array
    expected: Array
    activity: Array
    used: Array
    decision: DecisionState
    health: HealthState
    slip: SlipState


NOW = 0  # time of the last accepted scan (s)
STARTED = 1
CONTACTS = 2  # contacts so far
OVERLOADED = 3
TEMPERATURE = 4  # last temperature change (K)
FAULTY = 5  # bit set of faults already reported
