"""What the inner loop works on: constants from the calibration, state, and the record of one estimate."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from soft_tactile_node.calibrated import CalibratedFinger
from soft_tactile_node.estimation.departure import new_learnt
from soft_tactile_node.estimation.detector import DETECTOR, TESTS
from soft_tactile_node.estimation.drive import new_drive, rest_terms
from soft_tactile_node.estimation.features import new_filters
from soft_tactile_node.estimation.health import PRESSURE, HealthLimits, new_channels
from soft_tactile_node.estimation.settings import EstimatorSettings
from soft_tactile_node.estimation.slip import new_slip
from soft_tactile_node.estimation.tuning import TUNING, Tuning
from soft_tactile_node.samples import Array, Estimate, declared

ROW = np.dtype(
    [(item.name, "f8" if isinstance(item.blank, float) else "i8", item.shape) for item in declared(Estimate)]
    + [("onset_s", "f8", ()), ("events", "i8", ())]
)
"""One estimate as the inner loop writes it, with the begin of a touch (s) and the bits of what happened."""

CLOCK = np.dtype(
    [
        ("now_s", "f8"),
        ("warm", "f8"),
        ("onset_warm", "f8"),
        ("blind_s", "f8"),
        ("told", "f8"),
        ("quick", "f8"),
        ("owed_s", "f8"),
        ("started", "i8"),
        ("waits", "i8"),
        ("faulty", "i8"),
        ("overloaded", "i8"),
    ]
)
"""Scalars of the inner loop: times (s), warming since the tare (K), pressure that the channels tell (1), force (N)."""


class PadMap(NamedTuple):
    """Coordinates and force map of a pad; see `features`.

    Attributes
    ----------
    directions : numpy.ndarray, shape (k, c)
        Coordinates of a departure (1).
    low, high : numpy.ndarray, shape (k,)
        Range in which a coordinate is believed (1).
    rise, fall : float
        Lag of the pad when loaded and unloaded (s).
    weights : numpy.ndarray, shape (f, 3)
        Force per feature (N); zero for axes that are not observed.
    leverage : numpy.ndarray, shape (2, f, f)
        Inverse normal matrices of the fit, normal force and shear: how far a row is from what was pressed.
    """

    directions: Array
    low: Array
    high: Array
    rise: float
    fall: float
    weights: Array
    leverage: Array


class TouchModel(NamedTuple):
    """Spread and levels of the touch tests; see `detector`.

    Attributes
    ----------
    spread : numpy.ndarray, shape (3, 3)
        Variance of each test: at rest, per squared activity, per squared load carried (N^2, N^2, 1).
    level : numpy.ndarray, shape (3,)
        Thresholds in standard deviations (1).
    floor_n : float
        Least threshold (N).
    """

    spread: Array
    level: Array
    floor_n: float


class RowModel(NamedTuple):
    """Everything constant.

    Attributes
    ----------
    tuning : Tuning
        Times and shares.
    base : numpy.ndarray, shape (m, c)
        Weights of the drive's terms (1).
    rest : numpy.ndarray, shape (c,)
        Free bending at the tare (1).
    stretch : numpy.ndarray, shape (c,)
        Weights of the stretch (1).
    angle_weights : numpy.ndarray, shape (m + 1,)
        Weights of the bend angle, and the angle at rest (rad); empty = no bend reference.
    angle_variance : float
        Variance of the bend angle (rad^2).
    drift : numpy.ndarray, shape (c,)
        Random walk of each channel per square root of a second (1).
    span : numpy.ndarray, shape (c,)
        Bending of each channel at the highest calibrated pressure (1).
    substitute : numpy.ndarray, shape (c, 3 c + 2)
        Each channel from the others, for one that is out (1).
    substitute_variance : numpy.ndarray, shape (c,)
        Variance of that (1).
    told : numpy.ndarray, shape (3 c + 1,)
        Relative pressure from the channels (1); empty = they cannot tell.
    pad : PadMap
        Force map.
    touch : TouchModel
        Touch tests.
    normal_variance : numpy.ndarray, shape (2, 3)
        Variance of the normal force: two models, by 1, force^2 and leverage or squared quick change (N^2).
    shear_variance : numpy.ndarray, shape (2, 3, 3)
        Variance of each shear axis: three models, by 1, force^2 and leverage (N^2).
    gain : numpy.ndarray, shape (3, c)
        Squared force per change of each channel (N^2).
    axes : int
        Observed axes, 1 or 3.
    health : HealthLimits
        What is normal.
    temperature_low, temperature_high, force_normal, force_shear, overload, pressure_low : float
        Calibrated ranges: temperature change (K), force (N), relative pressure (1).
    scale_pa : float
        Highest calibrated pressure (gauge Pa).
    """

    tuning: Tuning
    base: Array
    rest: Array
    stretch: Array
    angle_weights: Array
    angle_variance: float
    drift: Array
    span: Array
    substitute: Array
    substitute_variance: Array
    told: Array
    pad: PadMap
    touch: TouchModel
    normal_variance: Array
    shear_variance: Array
    gain: Array
    axes: int
    health: HealthLimits
    temperature_low: float
    temperature_high: float
    force_normal: float
    force_shear: float
    overload: float
    pressure_low: float
    scale_pa: float


class RowState(NamedTuple):
    """Everything that changes, in arrays so that the loop can write it.

    Attributes
    ----------
    clock, detector, slip, pressure, drive, filters : numpy.ndarray, shape (1,)
        Records of CLOCK, `detector.DETECTOR`, `slip.SLIP`, `health.PRESSURE`, `drive.new_drive`,
        `features.new_filters`.
    channels, learnt : numpy.ndarray, shape (c,)
        Records of `health.CHANNEL` and `departure.LEARNT`.
    terms, features : numpy.ndarray, shape (m,) and (f,)
        Outputs of `drive` (1) and `features` (1).
    free, departure, change : numpy.ndarray, shape (c,)
        Free bending, departure and last good change of each channel (1).
    coordinates : numpy.ndarray, shape (k,)
        Coordinates of the departure (1).
    force : numpy.ndarray, shape (3,)
        Force of the map, zero not taken off (N).
    """

    clock: np.ndarray
    detector: np.ndarray
    slip: np.ndarray
    pressure: np.ndarray
    drive: np.ndarray
    filters: np.ndarray
    channels: np.ndarray
    learnt: np.ndarray
    terms: Array
    features: Array
    free: Array
    departure: Array
    change: Array
    coordinates: Array
    force: Array


def touch_model(finger: CalibratedFinger, settings: EstimatorSettings) -> TouchModel:
    """Return the touch tests of `finger` for the rate of false alarms in `settings`, shared between the tests."""
    touch = finger.touch
    per_second = settings.false_alarms_per_minute / 60.0 / TESTS
    level = np.array(touch.location) - np.array(touch.scale) * math.log(per_second)
    return TouchModel(np.array(touch.spread), level, settings.touch_force_n)


def build_model(
    finger: CalibratedFinger, settings: EstimatorSettings, rest_pressure: float = 0.0, tuning: Tuning | None = None
) -> RowModel:
    """Return the constants of the inner loop.

    Parameters
    ----------
    finger : CalibratedFinger
        Any calibration record with the fields of that protocol.
    settings : EstimatorSettings
        The user's choices.
    rest_pressure : float
        Relative pressure during the tare (1).
    tuning : Tuning, optional
        Times and shares; None = those in use.

    Returns
    -------
    RowModel
        See RowModel.
    """
    tuning = tuning or TUNING
    base, force_map, ranges, health = finger.base, finger.force_map, finger.ranges, finger.health
    weights = np.array(base.weights)
    pad = PadMap(
        directions=np.array(force_map.directions),
        low=np.array(force_map.low),
        high=np.array(force_map.high),
        rise=force_map.rise_s,
        fall=force_map.fall_s,
        weights=np.array(force_map.weights),
        leverage=np.array(force_map.leverage),
    )
    low, high = -math.inf, math.inf
    if ranges.temperature_c is not None:
        # the record keeps absolute temperatures; the loop sees changes since its own tare
        span = ranges.temperature_c[1] - ranges.temperature_c[0]
        low, high = -1.25 * span - 0.2, 1.25 * span + 0.2
    return RowModel(
        tuning=tuning,
        base=weights,
        rest=rest_terms(tuning, rest_pressure) @ weights,
        stretch=np.array(base.stretch),
        angle_weights=np.array(base.angle_weights if base.angle_weights is not None else ()),
        angle_variance=(base.angle_deviation_rad or 0.0) ** 2,
        drift=np.array(base.drift),
        span=rest_terms(tuning, 1.0) @ weights,
        substitute=np.array(finger.substitute.weights),
        substitute_variance=np.array(finger.substitute.deviation) ** 2,
        told=np.array(finger.substitute.pressure),
        pad=pad,
        touch=touch_model(finger, settings),
        normal_variance=np.array(force_map.normal_variance),
        shear_variance=np.array(force_map.shear_variance),
        gain=np.array(force_map.gain),
        axes=force_map.axes,
        health=HealthLimits(
            step_limit=np.array(health.step_limit),
            step_s=health.step_s,
            equal_limit=np.array(health.equal_limit),
            low=np.array(health.low),
            high=np.array(health.high),
            pressure_equal_limit=health.pressure_equal_limit,
            pressure_rate=health.pressure_rate,
            pressure_timeout_s=max(settings.pressure_timeout_s, 5.0 * health.pressure_interval_s),
            pressure_noise=health.pressure_noise,
        ),
        temperature_low=low,
        temperature_high=high,
        force_normal=ranges.force_normal_n,
        force_shear=ranges.force_shear_n,
        overload=min(settings.overload_n, 1.5 * ranges.force_normal_n),
        pressure_low=ranges.pressure_pa[0] / ranges.pressure_pa[1],
        scale_pa=ranges.pressure_pa[1],
    )


def build_state(model: RowModel, finger: CalibratedFinger) -> RowState:
    """Return the state of a `finger` at rest, just tared, for the constants in `model`."""
    channels = model.base.shape[1]
    slope, deviation = np.array(finger.base.slope), np.array(finger.base.slope_deviation)
    return RowState(
        clock=np.zeros(1, CLOCK),
        detector=np.zeros(1, DETECTOR),
        slip=new_slip(),
        pressure=np.zeros(1, PRESSURE),
        drive=new_drive(model.tuning),
        filters=new_filters(model.tuning),
        channels=new_channels(channels),
        learnt=new_learnt(model.drift, slope, deviation),
        terms=np.zeros(model.base.shape[0]),
        features=np.zeros(model.pad.weights.shape[0]),
        free=np.zeros(channels),
        departure=np.zeros(channels),
        change=np.zeros(channels),
        coordinates=np.zeros(model.pad.directions.shape[0]),
        force=np.zeros(3),
    )
