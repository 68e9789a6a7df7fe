"""From the calibration record to the arrays the inner loop works on."""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.estimation.bending import count_memory, count_terms
from soft_tactile_node.estimation.decision_state import Thresholds, new_decision_state
from soft_tactile_node.estimation.health import HealthLimits, new_health_state
from soft_tactile_node.estimation.layout import UNOBSERVED_N, RowModel, RowState
from soft_tactile_node.estimation.pad import PadMap
from soft_tactile_node.estimation.separation import SeparationModel
from soft_tactile_node.estimation.settings import EstimatorSettings
from soft_tactile_node.estimation.slip import new_slip_state
from soft_tactile_node.estimation.types import CalibratedFinger
from soft_tactile_node.samples import Array


def touch_threshold(false_alarms_per_minute: float, memory_s: float, tail: float) -> float:
    """Return the level a stationary test statistic crosses upwards at a stated rate.

    Rice's formula for a Gaussian process whose correlation time is the memory's, stretched by the measured tail.

    Parameters
    ----------
    false_alarms_per_minute : float
        Rate of upward crossings (1/min), > 0.
    memory_s : float
        Memory of the drift bank that sets the correlation time (s).
    tail : float
        Measured 99.9 % quantile over the Gaussian one (1).

    Returns
    -------
    float
        Threshold in standard deviations (1).

    Notes
    -----
    Source: Rice, Bell System Technical Journal 24 (1945) 46-156, sec. 3.3 (from memory).
    """
    crossings_per_minute = 60.0 / (2.0 * math.pi * memory_s * 0.2)
    return tail * math.sqrt(2.0 * math.log(max(crossings_per_minute / false_alarms_per_minute, math.e)))


def build_model(finger: CalibratedFinger, settings: EstimatorSettings) -> RowModel:
    """Return the constants of the inner loop.

    Parameters
    ----------
    finger : CalibratedFinger
        Any calibration record with the fields of that protocol.
    settings : EstimatorSettings
        The user's choices.

    Returns
    -------
    RowModel
        See RowModel.
    """
    noise = finger.noise
    wander_s = np.array(noise.wander_s)
    touch_z = np.array(
        [
            touch_threshold(settings.false_alarms_per_minute / len(wander_s), memory, tail)
            for memory, tail in zip(noise.wander_s, noise.tail, strict=True)
        ]
    )
    pad = finger.pad_model
    separation = SeparationModel(
        pad=PadMap(
            scale=np.array(pad.scale),
            lean=np.array(pad.lean),
            low=np.array(pad.low),
            high=np.array(pad.high),
            weights=np.array(pad.weights),
            lag_s=np.array(pad.lag_s),
            fill=np.array(pad.fill),
            empty=np.array(pad.empty),
        ),
        directions=np.array(pad.directions),
        pattern=np.array(pad.pattern),
        noise=np.array(noise.white),
        noise_gain=np.array(pad.noise_gain),
        wander_s=wander_s,
        wander_rest=np.array(noise.wander_rest),
        wander_active=np.array(noise.wander_active),
        wander_loaded=np.array(noise.wander_loaded),
        error_floor=np.array(pad.error_floor),
        error_relative=np.array(pad.error_relative),
        shear_ratio=math.hypot(*pad.shear_ratio),
        force_rate_n=pad.force_rate_n,
        touch_z=touch_z,
    )
    ranges = finger.ranges
    health = finger.health
    scale = ranges.pressure_pa[1]
    temperature = ranges.temperature_c
    reference = finger.tare_temperature_c
    low, high = -math.inf, math.inf
    if temperature is not None and reference is not None:
        # the record keeps absolute temperatures; the loop sees changes since its own tare
        low, high = temperature[0] - temperature[1], temperature[1] - temperature[0]
    return RowModel(
        lag_s=np.array(finger.bending.lag_s),
        play_radius=np.array(finger.bending.play_radius),
        bending_weights=np.array(finger.bending.weights),
        angle_weights=np.array(finger.bending.angle_weights if finger.bending.angle_weights is not None else ()),
        angle_variance=(finger.bending.angle_deviation_rad or 0.0) ** 2,
        slope_load=np.array(finger.bending.slope_load),
        slope=np.array(finger.bending.slope),
        observable=observable_axes(separation),
        load_low=ranges.pressure_pa[0] / scale,
        load_high=1.0,
        temperature_low=low,
        temperature_high=high,
        force_normal=ranges.force_normal_n,
        force_shear=ranges.force_shear_n,
        overload=min(settings.overload_n, 1.5 * ranges.force_normal_n),
        compliance=pad.compliance,
        separation=separation,
        thresholds=Thresholds(
            touch_n=settings.touch_force_n,
            release_n=0.6 * settings.touch_force_n,
            release_z=1.2,
            release_share=0.08,
            claim_s=0.004,
            release_s=0.03,
            weak_n=2.0 * settings.touch_force_n,
            weak_s=3.0,
        ),
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
    )


def observable_axes(separation: SeparationModel) -> Array:
    """Return which force axes the pad can tell.

    Parameters
    ----------
    separation : SeparationModel
        The calibrated model.

    Returns
    -------
    numpy.ndarray, shape (3,)
        1 for observed axes x, y, z (1).
    """
    observed = np.zeros(3)
    axes = separation.error_floor.size
    error = np.hypot(separation.error_floor, separation.error_relative)  # at 1 N
    observed[3 - axes :] = error < UNOBSERVED_N
    return observed


def build_state(model: RowModel) -> RowState:
    """Return the state of a finger at rest, just tared.

    Parameters
    ----------
    model : RowModel
        The constants.

    Returns
    -------
    RowState
        See RowState.
    """
    channels = model.bending_weights.shape[1]
    lags, plays = model.lag_s.size, model.play_radius.size
    return RowState(
        clock=np.zeros(8),
        memory=np.zeros(count_memory(lags, plays)),
        terms=np.zeros(count_terms(lags, plays)),
        actual_memory=np.zeros(count_memory(lags, plays)),
        actual_terms=np.zeros(count_terms(lags, plays)),
        expected=np.zeros(channels),
        activity=np.zeros(model.separation.wander_s.size),
        used=np.ones(channels),
        decision=new_decision_state(model.separation),
        health=new_health_state(channels),
        slip=new_slip_state(),
    )
