"""Bending actuator: moment balance with hardening, Bouc-Wen hysteresis, stress-driven creep, inertia and gravity."""

from __future__ import annotations

import math

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.specimen import CREEP_TIMES_S, REFERENCE_TEMPERATURE_C, FingerParameters

_CREEP_TIMES = CREEP_TIMES_S
_REFERENCE_C = REFERENCE_TEMPERATURE_C


@compiled
def pad_position_rate(arc_m: float, height_m: float, bend_rad: float) -> tuple[float, float]:
    """Return the derivative of the pad origin's x and z in the root frame by the bend (m/rad)."""
    b = bend_rad
    sine, cosine = math.sin(b), math.cos(b)
    if abs(b) < 1.0e-3:
        return arc_m * (-b / 3.0) - height_m * cosine, arc_m * (-0.5 + b * b / 8.0) + height_m * sine
    return (
        arc_m * (cosine * b - sine) / (b * b) - height_m * cosine,
        -arc_m * (sine * b - (1.0 - cosine)) / (b * b) + height_m * sine,
    )


@compiled
def pressure_moment(finger: FingerParameters, pressure_pa: float) -> float:
    """Return the moment of the pressure (N m); a soft threshold first, a growing area later."""
    p = max(pressure_pa, 0.0)
    return finger.moment_arm_m3 * p * p / (p + finger.threshold_pa) * (1.0 + finger.pressure_growth * p / 60.0e3)


@compiled
def elastic_moment(finger: FingerParameters, elastic_rad: float, temperature_c: float) -> float:
    """Return the moment of the spring (N m) at the elastic part of the bend; the bellows touch when bent backwards."""
    scale = 1.0 + finger.thermal_stiffness_per_k * (temperature_c - _REFERENCE_C)
    moment = finger.stiffness_n_m * elastic_rad * (1.0 + finger.stiffness_cubic * elastic_rad * elastic_rad)
    if elastic_rad < 0.0:
        moment -= finger.stiffness_backward * elastic_rad * elastic_rad
    return scale * moment


@compiled
def _step_creep(finger: FingerParameters, now: Array, moment: float, dt_s: float) -> float:
    """Advance the delayed angles under the present load and return their sum (rad)."""
    strain = moment / finger.stiffness_n_m
    load = min(strain * strain, 2.0)
    speed = 1.0 + finger.creep_stress_rate * load
    compliance = (finger.creep_0, finger.creep_1, finger.creep_2, finger.creep_3, finger.creep_4)
    total = 0.0
    for k in range(at.CREEP_COUNT):
        gap = compliance[k] * strain - now[at.CREEP + k]
        now[at.CREEP + k] += gap * min(1.0, speed * dt_s / _CREEP_TIMES[k])
        total += now[at.CREEP + k]
    return total


@compiled
def _bouc_wen(value: float, turn_rad: float, yield_rad: float, power: int) -> float:
    """Return the next internal state of a Bouc-Wen element (1) after a turn; saturates at +-1.

    dz = dx/y (1 - |z|^n (0.55 sign(z dx) + 0.45)). Source: Ismail, Ikhouane, Rodellar, Arch. Comput. Methods Eng. 16
    (2009) 161 (recalled).
    """
    size = abs(value) if power == 1 else value * value
    same = 1.0 if value * turn_rad >= 0.0 else -1.0
    step = turn_rad / yield_rad * (1.0 - size * (0.55 * same + 0.45))
    return min(1.0, max(-1.0, value + step))


@compiled
def hysteresis_moment(finger: FingerParameters, now: Array) -> float:
    """Return the moment of the two hysteresis elements (N m); inner friction grows with pressure."""
    growth = 1.0 + finger.hysteresis_growth * max(now[at.PRESSURE], 0.0) / 60.0e3
    first = finger.hysteresis_1_n_m * now[at.HYSTERESIS_1]
    return float(growth * (first + finger.hysteresis_2_n_m * now[at.HYSTERESIS_2]))


@compiled
def step_bending(
    finger: FingerParameters,
    now: Array,
    contact_moment: float,
    force_x_m_s2: float,
    force_z_m_s2: float,
    temperature_c: float,
    dt_s: float,
) -> None:
    """Advance bend and bend rate by one substep; gravity minus base acceleration is given in the root frame (m/s^2)."""
    bend, rate = now[at.BEND], now[at.BEND_RATE]
    creep = 0.0
    for k in range(at.CREEP_COUNT):
        creep += now[at.CREEP + k]
    spring = elastic_moment(finger, bend - finger.rest_bend_rad - creep, temperature_c)
    # the weight acts halfway along the arc
    x_rate, z_rate = pad_position_rate(0.5 * finger.arc_length_m, 0.0, 0.5 * bend)
    weight = 0.5 * finger.mass_kg * (force_x_m_s2 * x_rate + force_z_m_s2 * z_rate)
    block = 0.0
    if bend > now[at.BLOCK_ANGLE]:
        block = -9.0 * (bend - now[at.BLOCK_ANGLE]) - 0.02 * max(rate, 0.0)
    moment = (
        pressure_moment(finger, now[at.PRESSURE])
        - spring
        - hysteresis_moment(finger, now)
        - finger.damping_n_m_s * rate
        + weight
        + contact_moment
        + block
    )
    rate += moment / finger.inertia_kg_m2 * dt_s
    turn = rate * dt_s
    now[at.BEND_RATE] = rate
    now[at.BEND] = bend + turn
    now[at.HYSTERESIS_1] = _bouc_wen(now[at.HYSTERESIS_1], turn, finger.yield_1_rad, 1)
    now[at.HYSTERESIS_2] = _bouc_wen(now[at.HYSTERESIS_2], turn, finger.yield_2_rad, 2)
    _step_creep(finger, now, spring, dt_s)
