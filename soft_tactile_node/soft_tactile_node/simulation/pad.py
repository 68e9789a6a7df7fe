"""Pad mechanics: nonlinear viscoelastic indentation, shear with friction (stick and slip), tilt under torque.

Quasi-linear viscoelasticity (Fung): an elastic law of the indentation, whose response relaxes through exponential
branches; a released pad therefore recovers slowly. Source: Y. C. Fung, Biomechanics (1981), ch. 7 (recalled).
"""

from __future__ import annotations

import math

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.specimen import (
    PAD_TIMES_S,
    REFERENCE_TEMPERATURE_C,
    SHEAR_TIMES_S,
    FingerParameters,
)

_PAD_TIMES = PAD_TIMES_S
_SHEAR_TIMES = SHEAR_TIMES_S
_REFERENCE_C = REFERENCE_TEMPERATURE_C


@compiled
def pad_elastic(finger: FingerParameters, indent_m: float) -> tuple[float, float]:
    """Return elastic force (N) and stiffness (N/m) of the run-in pad: soft toe (domed surface), then hardening."""
    u = max(indent_m, 0.0)
    toe, cubic = finger.pad_toe_m, finger.pad_cubic_m
    k = finger.pad_stiffness_n_m
    grown = (u / cubic) * (u / cubic)
    force = k * (u * u / (u + toe) + u * grown)
    slope = k * (u * (u + 2.0 * toe) / ((u + toe) * (u + toe)) + 3.0 * grown)
    return force, slope


@compiled
def pad_indent(finger: FingerParameters, force_n: float) -> float:
    """Return the indentation (m) at which the elastic law gives a force (N); the inverse of `pad_elastic`."""
    if force_n <= 0.0:
        return 0.0
    linear = force_n / finger.pad_stiffness_n_m
    u = linear + math.sqrt(linear * finger.pad_toe_m)
    for _ in range(12):
        force, slope = pad_elastic(finger, u)
        step = (force - force_n) / slope
        u -= step
        if abs(step) < 1.0e-12:
            break
    return u


@compiled
def pad_scale(finger: FingerParameters, now: Array, temperature_c: float) -> float:
    """Return the stiffness of the pad over that of `pad_elastic`: run-in, bend, temperature (1)."""
    run_in = 1.0 + finger.pad_softening * (1.0 - now[at.SOFTENING])
    bent = 1.0 + finger.pad_bend_stiffening * now[at.BEND]
    return float(run_in * bent * (1.0 + finger.pad_thermal_per_k * (temperature_c - _REFERENCE_C)))


@compiled
def pad_memory(finger: FingerParameters, now: Array, dt_s: float) -> tuple[float, float]:
    """Return gain G and memory H so that the normal force is scale (G f(u) + H) at the end of the substep.

    Each branch obeys h' = -h/tau + g f'; with f linear over the substep h = a h + g m (f - f_old), m the mean of
    the decay.
    """
    shares = (finger.pad_relax_0, finger.pad_relax_1, finger.pad_relax_2, finger.pad_relax_3)
    gain, memory = 1.0, 0.0
    for k in range(at.PAD_BRANCHES):
        x = dt_s / _PAD_TIMES[k]
        decay = math.exp(-x)
        mean = (1.0 - decay) / x
        gain += shares[k] * (mean - 1.0)
        memory += decay * now[at.PAD_MEMORY + k] - shares[k] * mean * now[at.PAD_ELASTIC]
    return gain, memory


@compiled
def store_pad(finger: FingerParameters, now: Array, indent_m: float, dt_s: float) -> None:
    """Keep the indentation at the end of the substep and advance the branches and the run-in."""
    shares = (finger.pad_relax_0, finger.pad_relax_1, finger.pad_relax_2, finger.pad_relax_3)
    elastic, _ = pad_elastic(finger, indent_m)
    for k in range(at.PAD_BRANCHES):
        x = dt_s / _PAD_TIMES[k]
        decay = math.exp(-x)
        mean = (1.0 - decay) / x
        now[at.PAD_MEMORY + k] = decay * now[at.PAD_MEMORY + k] + shares[k] * mean * (elastic - now[at.PAD_ELASTIC])
    # the run-in follows the work done on the pad: each full load adds about a third of what is left
    work = max(elastic, 0.0) * max(indent_m - now[at.INDENT], 0.0)
    now[at.SOFTENING] += (1.0 - now[at.SOFTENING]) * min(1.0, work / 6.0e-3)
    now[at.PAD_ELASTIC] = elastic
    now[at.INDENT] = indent_m


@compiled
def friction_coefficient(static: float, kinetic: float, speed_m_s: float) -> float:
    """Return the friction coefficient at a sliding speed (1): falls from static to kinetic within some mm/s."""
    return kinetic + (static - kinetic) * math.exp(-speed_m_s / 2.0e-3)


@compiled
def step_shear(
    finger: FingerParameters,
    now: Array,
    move_x_m: float,
    move_y_m: float,
    normal_n: float,
    static: float,
    kinetic: float,
    dt_s: float,
) -> tuple[float, float]:
    """Advance the shear deflection as the touching surface moves; return the friction forces along x and y (N).

    The surface sticks while the shear force stays within the friction limit, else it slides by the excess (return
    mapping onto the limit).
    """
    shares = (finger.shear_relax_0, finger.shear_relax_1)
    stiffness = finger.shear_stiffness_n_m * (1.0 + finger.shear_bend_stiffening * now[at.BEND])
    stiffness *= 1.0 + 0.25 * min(now[at.INDENT] / 1.0e-3, 2.0)
    gain = 1.0
    memory_x, memory_y = 0.0, 0.0
    old_x, old_y = now[at.SHEAR_X], now[at.SHEAR_Y]
    for k in range(at.SHEAR_BRANCHES):
        x = dt_s / _SHEAR_TIMES[k]
        decay = math.exp(-x)
        mean = (1.0 - decay) / x
        gain += shares[k] * (mean - 1.0)
        memory_x += decay * now[at.SHEAR_MEMORY + 2 * k] - shares[k] * mean * old_x
        memory_y += decay * now[at.SHEAR_MEMORY + 2 * k + 1] - shares[k] * mean * old_y
    limit = friction_coefficient(static, kinetic, now[at.SLIP_SMOOTH]) * normal_n
    trial_x, trial_y = old_x + move_x_m, old_y + move_y_m
    force_x = stiffness * (gain * trial_x + memory_x)
    force_y = stiffness * (gain * trial_y + memory_y)
    size = math.sqrt(force_x * force_x + force_y * force_y)
    slid = 0.0
    if size > limit:
        keep = limit / size
        force_x, force_y = keep * force_x, keep * force_y
        new_x = (force_x / stiffness - memory_x) / gain
        new_y = (force_y / stiffness - memory_y) / gain
        slid = math.sqrt((trial_x - new_x) ** 2 + (trial_y - new_y) ** 2)
        trial_x, trial_y = new_x, new_y
        if limit > 0.0:
            now[at.FRICTION_WORK] += limit * slid
    for k in range(at.SHEAR_BRANCHES):
        x = dt_s / _SHEAR_TIMES[k]
        decay = math.exp(-x)
        mean = (1.0 - decay) / x
        i = at.SHEAR_MEMORY + 2 * k
        now[i] = decay * now[i] + shares[k] * mean * (trial_x - old_x)
        now[i + 1] = decay * now[i + 1] + shares[k] * mean * (trial_y - old_y)
    now[at.SHEAR_X], now[at.SHEAR_Y] = trial_x, trial_y
    speed = slid / dt_s if normal_n > 0.0 else 0.0
    now[at.SLIP_SPEED] = speed
    now[at.SLIP_SMOOTH] += (speed - now[at.SLIP_SMOOTH]) * (1.0 - math.exp(-dt_s / 4.0e-3))
    if normal_n > 0.0:
        now[at.SLIP_DISTANCE] += slid
    return force_x, force_y


@compiled
def step_tilt(finger: FingerParameters, now: Array, dt_s: float) -> None:
    """Advance the tilt of the pad's inside (the disc) under the torque of the touch about the disc's height."""
    stiffness = finger.tilt_stiffness_n_m * (1.0 + 0.2 * max(now[at.FORCE_Z], 0.0))
    wanted_x = (now[at.TORQUE_X] + finger.disc_height_m * now[at.FORCE_Y]) / stiffness
    wanted_y = (now[at.TORQUE_Y] - finger.disc_height_m * now[at.FORCE_X]) / stiffness
    slow = 1.0 - math.exp(-dt_s / 1.5)
    now[at.TILT_SLOW_X] += (wanted_x - now[at.TILT_SLOW_X]) * slow
    now[at.TILT_SLOW_Y] += (wanted_y - now[at.TILT_SLOW_Y]) * slow
    share = finger.tilt_slow_share
    now[at.TILT_X] = (1.0 - share) * wanted_x + share * now[at.TILT_SLOW_X]
    now[at.TILT_Y] = (1.0 - share) * wanted_y + share * now[at.TILT_SLOW_Y]
