"""Command scripts with an object: picks of the bakery items with lifts and drops, and long holds."""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.physics.constants import STANDARD_GRAVITY_M_S2
from soft_tactile_node.physics.kinematics import pad_position_formula
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.bending import elastic_moment, pressure_moment
from soft_tactile_node.simulation.contact import Mount
from soft_tactile_node.simulation.objects import ObjectParameters, object_indent
from soft_tactile_node.simulation.pad import pad_indent
from soft_tactile_node.simulation.specimen import WORKING_PRESSURE_PA, FingerParameters
from soft_tactile_node.simulation.timeline import Timeline

REST_S = 2.0
MOUNT_ANGLE_RAD = 0.35
HALF_OPENING_M = 0.030
STOP_M = 0.030
TRIAL_LIFT_M = 0.018
"""How far a grip that looks too weak is lifted at most (m); let go up there."""
P = at.COMMAND_PRESSURE


def _palm_position(finger: FingerParameters, bend_rad: float) -> tuple[float, float]:
    """Return x and z of the pad origin in the palm frame, measured from the middle (m)."""
    x, z = pad_position_formula(bend_rad, finger.arc_length_m, finger.neutral_height_m)
    sine, cosine = math.sin(MOUNT_ANGLE_RAD), math.cos(MOUNT_ANGLE_RAD)
    return cosine * x - sine * z, sine * x + cosine * z + HALF_OPENING_M


def make_mount(finger: FingerParameters, fingers: int, height_m: float = 0.0) -> Mount:
    """Return the palm of a one-finger gripper with a fixed stop or of a two-finger gripper, hanging down.

    Parameters
    ----------
    finger : FingerParameters
        Finger whose arc decides where the objects lie.
    fingers : int
        1 or 2.
    height_m : float
        How far the object centre lies below the pad centres (m).

    Returns
    -------
    Mount
        See there.
    """
    x, _ = _palm_position(finger, MOUNT_ANGLE_RAD)
    return Mount(
        angle_rad=MOUNT_ANGLE_RAD,
        half_opening_m=HALF_OPENING_M,
        stop_m=STOP_M if fingers == 1 else 0.0,
        tray_friction=0.25,
        gravity_m_s2=STANDARD_GRAVITY_M_S2,
        pad_height_m=x + height_m,
    )


def _surface_at(item: ObjectParameters, mount: Mount) -> float:
    """Return how far the item stands from the middle on the finger's side (m); against a stop it is off the middle."""
    return 2.0 * item.half_width_m - mount.stop_m if mount.stop_m > 0.0 else item.half_width_m


def lid_way(
    finger: FingerParameters, bend_rad: float, object_x_m: float, item: ObjectParameters, mount: Mount
) -> float:
    """Return how much further a jar's lid edge is from the pad centre than when pad and jar are level and touch (m).

    Parameters
    ----------
    finger : FingerParameters
        The finger.
    bend_rad : float
        Its bend (rad).
    object_x_m : float
        The object centre's x in the palm frame (m).
    item, mount
        What lies where.

    Returns
    -------
    float
        Way along the palm, plus what the open finger is away (m).
    """
    x, z = _palm_position(finger, bend_rad)
    apart = max(0.0, z - _surface_at(item, mount))
    return math.hypot(x - object_x_m + item.lid_distance_m, apart) - item.lid_distance_m


def _hold_pressure(finger: FingerParameters, item: ObjectParameters, mount: Mount, force_n: float) -> float:
    """Return the pressure (Pa) that presses an item with a force, from the loading side of the finger's hysteresis.

    Static balance without creep; the true force differs by some tenths of a newton, as on a real gripper.
    """
    yielding = pad_indent(finger, force_n) + object_indent(item, force_n)
    if mount.stop_m > 0.0 and item.stiffness_n_m < 1.0e5:
        yielding += force_n / min(item.stiffness_n_m, 8.0e3)
    surface = _surface_at(item, mount) - yielding
    low, high = 0.0, 1.3
    for _ in range(40):
        bend = 0.5 * (low + high)
        low, high = (bend, high) if _palm_position(finger, bend)[1] > surface else (low, bend)
    ahead, behind = _palm_position(finger, bend + 1.0e-4)[1], _palm_position(finger, bend - 1.0e-4)[1]
    lever = (behind - ahead) / 2.0e-4
    inner = finger.hysteresis_1_n_m + 0.8 * finger.hysteresis_2_n_m
    wanted = elastic_moment(finger, bend - finger.rest_bend_rad, 22.0) + inner + force_n * lever
    low, high = 0.0, WORKING_PRESSURE_PA
    for _ in range(40):
        pressure = 0.5 * (low + high)
        low, high = (pressure, high) if pressure_moment(finger, pressure) < wanted else (low, pressure)
    return pressure


def _draw_force(rng: np.random.Generator, name: str, cap_n: float, index: int) -> float:
    """Return the force of a pick: a third above 3 N where the cap allows, the jar sometimes too weak to lift."""
    if cap_n > 3.0 and index % 3 == 2:
        return float(rng.uniform(3.05, cap_n))
    if name == "jar" and index % 3 == 0:
        return float(rng.uniform(0.9, 1.6))
    return float(rng.uniform(0.5, min(2.9, cap_n)))


def _pick(
    script: Timeline, rng: np.random.Generator, touch_pa: float, hold_pa: float, lift_m: float, with_object: bool
) -> None:
    """Vent, close, touch, hold, lift, lower, release."""
    if with_object:
        script.place_object()
    script.wait(0.6)
    script.move(P, touch_pa, float(rng.uniform(0.9, 1.8)))
    if rng.uniform() < 0.5:
        script.wait(float(rng.uniform(0.1, 0.5)))
    script.move(P, hold_pa, float(rng.uniform(0.4, 1.2)))
    script.wait(float(rng.uniform(0.6, 1.4)))
    if lift_m > 0.0:
        script.ramp(at.COMMAND_SWAY, float(rng.uniform(-0.6, 0.6)), 0.3)
        script.move(at.COMMAND_LIFT, lift_m, max(lift_m / 0.1, 0.3) * float(rng.uniform(0.9, 1.3)))
        script.ramp(at.COMMAND_SWAY, 0.0, 0.3)
        script.wait(float(rng.uniform(0.6, 1.5)))
        if lift_m > TRIAL_LIFT_M:
            script.move(at.COMMAND_LIFT, 0.0, float(rng.uniform(0.7, 1.2)))
            script.wait(float(rng.uniform(0.3, 0.6)))
    quick = 0.0 < lift_m <= TRIAL_LIFT_M
    script.move(P, 0.0, 0.02 if quick else float(rng.uniform(0.15, 0.6)))
    script.wait(0.3)
    script.remove_object()
    script.ramp(at.COMMAND_LIFT, 0.0, 0.5)
    script.wait(float(rng.uniform(0.8, 1.8)))


def script_picks(
    script: Timeline,
    rng: np.random.Generator,
    duration_s: float,
    finger: FingerParameters,
    item: ObjectParameters,
    mount: Mount,
    name: str,
    cap_n: float,
) -> None:
    """Write picks of one item with random forces, among them an empty grasp.

    Parameters
    ----------
    script, rng, duration_s
        As in `bench_scripts.script_free_bend`.
    finger, item, mount
        Who picks what, where.
    name : str
        Name of the item.
    cap_n : float
        Largest normal force aimed at (N).
    """
    script.warm(float(rng.uniform(-1.0, 1.0)), duration_s)
    script.wait(REST_S)
    touch = _hold_pressure(finger, item, mount, 0.0)
    index = 0
    shift = int(rng.integers(0, 3))
    while script.now_s < duration_s - 9.0:
        if index % 4 == 2:
            _pick(script, rng, touch, float(rng.uniform(0.6, 1.0)) * WORKING_PRESSURE_PA, 0.0, False)
        script.aim(float(rng.uniform(-1.0e-3, 1.0e-3)), float(rng.uniform(-1.8e-3, 1.8e-3)))
        force = _draw_force(rng, name, cap_n, index + shift)
        pressure = _hold_pressure(finger, item, mount, force)
        lift = float(rng.uniform(0.05, 0.12))
        if force * (item.friction_static + item.stop_friction) < 1.35 * item.mass_kg * STANDARD_GRAVITY_M_S2:
            # a grip this weak is only tried: a short lift, along which the object slides
            lift = float(rng.uniform(0.75, 1.0)) * TRIAL_LIFT_M
        _pick(script, rng, touch * float(rng.uniform(0.9, 1.0)), pressure, lift, True)
        index += 1


def script_hold(
    script: Timeline,
    rng: np.random.Generator,
    duration_s: float,
    finger: FingerParameters,
    item: ObjectParameters,
    mount: Mount,
) -> None:
    """Write one contact held for a minute, lifted.

    Parameters
    ----------
    script, rng, duration_s
        As in `bench_scripts.script_free_bend`.
    finger, item, mount
        Who holds what, where.
    """
    script.warm(float(rng.uniform(-1.0, 1.0)), duration_s)
    script.wait(REST_S)
    script.place_object()
    script.wait(0.5)
    force = float(rng.uniform(1.5, 4.0))
    script.move(P, _hold_pressure(finger, item, mount, force), 1.5)
    script.wait(2.0)
    script.move(at.COMMAND_LIFT, 0.08, 1.0)
    script.wait(max(duration_s - 16.0, 1.0))
    script.move(at.COMMAND_LIFT, 0.0, 1.0)
    script.wait(0.5)
    script.move(P, 0.0, 0.5)
    script.wait(0.4)
    script.remove_object()
    script.wait(6.0)
