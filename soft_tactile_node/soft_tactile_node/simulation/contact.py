"""One pad against one surface: who yields how far, so that both carry the same force."""

from __future__ import annotations

import math
from typing import NamedTuple

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.kinematics import pad_position_formula
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.bending import pad_position_rate
from soft_tactile_node.simulation.objects import ObjectParameters, object_elastic, object_indent
from soft_tactile_node.simulation.pad import (
    pad_elastic,
    pad_indent,
    pad_memory,
    pad_scale,
    step_shear,
    step_tilt,
    store_pad,
)
from soft_tactile_node.simulation.specimen import FingerParameters

PAD_REACH_M = 1.2e-3
"""Furthest a leaning surface moves the centre of contact along the pad (m): beyond it the pad lies flat."""


class Mount(NamedTuple):
    """How the fingers sit in the palm and what else is there (SI units).

    Palm frame: x down along the palm, z across it; finger 1 is finger 0 turned by pi about x. The roots are splayed
    outwards by `angle_rad`, so that the pads stand upright at that bend.
    """

    angle_rad: float
    half_opening_m: float  # root of finger 0 at z = +half_opening
    stop_m: float  # the fixed stop of a one-finger gripper, at z = -stop; 0 = none
    tray_friction: float
    gravity_m_s2: float  # along x of the palm when it hangs down
    pad_height_m: float  # x of the object centre when it lies on the tray at lift 0


@compiled
def solve_normal(
    finger: FingerParameters, now: Array, item: ObjectParameters, overlap_m: float, temperature_c: float, dt_s: float
) -> float:
    """Return the normal force (N) at which pad and item together yield by `overlap_m`; stores both indentations.

    scale (G f(u) + H) = G_o f_o(overlap - u) + H_o, solved by Newton's method kept between its brackets.
    """
    gain, memory = pad_memory(finger, now, dt_s)
    scale = pad_scale(finger, now, temperature_c)
    x = dt_s / item.relax_s
    decay = math.exp(-x)
    mean = (1.0 - decay) / x
    item_gain = 1.0 + item.relax_share * (mean - 1.0)
    item_memory = decay * now[at.OBJECT_MEMORY] - item.relax_share * mean * now[at.OBJECT_ELASTIC]
    free_pad = pad_indent(finger, -memory / gain)
    free_item = object_indent(item, -item_memory / item_gain)
    normal = 0.0
    indent, item_indent = free_pad, free_item
    if overlap_m > free_pad + free_item:
        low, high = free_pad, overlap_m - free_item
        indent = min(max(now[at.INDENT], low), high)
        for _ in range(30):
            pad_force, pad_slope = pad_elastic(finger, indent)
            item_force, item_slope = object_elastic(item, overlap_m - indent)
            rest = scale * (gain * pad_force + memory) - item_gain * item_force - item_memory
            if rest > 0.0:
                high = indent
            else:
                low = indent
            trial = indent - rest / (scale * gain * pad_slope + item_gain * item_slope)
            if not low <= trial <= high:
                trial = 0.5 * (low + high)
            step = trial - indent
            indent = trial
            if abs(step) < 1.0e-11:
                break
        pad_force, _ = pad_elastic(finger, indent)
        normal = max(0.0, scale * (gain * pad_force + memory))
        item_indent = overlap_m - indent
    # a little surface damping, never pulling
    if normal > 0.0:
        normal = max(0.0, normal + finger.pad_loss_n_s_m * (indent - now[at.INDENT]) / dt_s)
    store_pad(finger, now, indent, dt_s)
    item_force, _ = object_elastic(item, item_indent)
    now[at.OBJECT_MEMORY] = decay * now[at.OBJECT_MEMORY] + item.relax_share * mean * (
        item_force - now[at.OBJECT_ELASTIC]
    )
    now[at.OBJECT_ELASTIC] = item_force
    now[at.OBJECT_INDENT] = item_indent
    now[at.NORMAL] = normal
    if normal > 0.0:
        now[at.TOUCHED] = 1.0
    return normal


@compiled
def _store_wrench(
    now: Array, force_x: float, force_y: float, force_z: float, arm_x: float, arm_y: float, arm_z: float
) -> None:
    """Keep the force and its torque about the pad origin, both in the pad frame."""
    now[at.FORCE_X], now[at.FORCE_Y], now[at.FORCE_Z] = force_x, force_y, force_z
    now[at.TORQUE_X] = arm_y * force_z - arm_z * force_y
    now[at.TORQUE_Y] = arm_z * force_x - arm_x * force_z
    now[at.TORQUE_Z] = arm_x * force_y - arm_y * force_x


@compiled
def bend_moment(finger: FingerParameters, now: Array) -> float:
    """Return the generalised moment of the touch on the bend (N m), by virtual work; unbending is negative."""
    bend = now[at.BEND]
    x_rate, z_rate = pad_position_rate(finger.arc_length_m, finger.neutral_height_m, bend)
    sine, cosine = math.sin(bend), math.cos(bend)
    root_x = cosine * now[at.FORCE_X] + sine * now[at.FORCE_Z]
    root_z = -sine * now[at.FORCE_X] + cosine * now[at.FORCE_Z]
    return float(root_x * x_rate + root_z * z_rate + now[at.TORQUE_Y])


@compiled
def touch_object(
    finger: FingerParameters,
    now: Array,
    item: ObjectParameters,
    mount: Mount,
    place: tuple[float, float, float],
    speed: tuple[float, float, float],
    offset_x_m: float,
    offset_y_m: float,
    present: bool,
    temperature_c: float,
    dt_s: float,
) -> tuple[float, float, float]:
    """Advance the touch between a pad and the object; return the force on the pad in the finger's palm frame (N).

    `place` and `speed` are the object centre's, in the palm frame as this finger sees it. The pad surface is slightly
    domed: where the object's surface is tilted against the pad, it touches off-centre.
    """
    bend, rate = now[at.BEND], now[at.BEND_RATE]
    tilt = bend - mount.angle_rad
    root_x, root_z = pad_position_formula(bend, finger.arc_length_m, finger.neutral_height_m)
    dx, dz = pad_position_rate(finger.arc_length_m, finger.neutral_height_m, bend)
    sin_m, cos_m = math.sin(mount.angle_rad), math.cos(mount.angle_rad)
    pad_x = cos_m * root_x - sin_m * root_z
    pad_z = sin_m * root_x + cos_m * root_z + mount.half_opening_m
    pad_vx = (cos_m * dx - sin_m * dz) * rate
    pad_vz = (sin_m * dx + cos_m * dz) * rate
    # the item's surface at the pad's height, and how much it is tilted there
    height = pad_x - place[0]
    slope = min(0.6, max(-0.6, item.curvature_1_m * height))
    sin_n, cos_n = math.sin(slope), math.cos(slope)
    lean = tilt - slope
    domed_x = PAD_REACH_M * math.tanh(finger.crown_radius_m * math.sin(lean) / PAD_REACH_M)
    domed_z = finger.crown_radius_m * (1.0 - math.cos(lean))
    surface = place[2] + item.half_width_m - 0.5 * item.curvature_1_m * height * height
    overlap = (surface - pad_z) * cos_n + domed_z
    beside = abs(height) < item.half_height_m + 6.0e-3
    # a pad that slid off the edge stays off until it has opened clear of the object
    if not present or overlap < 0.0:
        now[at.PASSED] = 0.0
    elif not beside:
        now[at.PASSED] = 1.0
    if not present or now[at.PASSED] > 0.5:
        overlap = -1.0
    normal = solve_normal(finger, now, item, overlap, temperature_c, dt_s)
    # material velocities at the touching point
    sin_t, cos_t = math.sin(tilt), math.cos(tilt)
    arm_x = cos_t * domed_x
    arm_z = -sin_t * domed_x
    slide_x = (speed[0] - pad_vx - rate * arm_z) * cos_n - (speed[2] - pad_vz + rate * arm_x) * sin_n
    along, across = step_shear(
        finger, now, slide_x * dt_s, speed[1] * dt_s, normal, item.friction_static, item.friction_kinetic, dt_s
    )
    force_x = normal * sin_n + along * cos_n
    force_z = normal * cos_n - along * sin_n
    pad_force_x = cos_t * force_x - sin_t * force_z
    pad_force_z = sin_t * force_x + cos_t * force_z
    now[at.GEOMETRIC_X] = pad_force_x - along
    _store_wrench(now, pad_force_x, across, pad_force_z, domed_x + offset_x_m, offset_y_m, domed_z)
    step_tilt(finger, now, dt_s)
    return force_x, across, force_z


@compiled
def touch_stage(
    finger: FingerParameters,
    now: Array,
    item: ObjectParameters,
    depth_m: float,
    move_x_m: float,
    move_y_m: float,
    offset_x_m: float,
    offset_y_m: float,
    temperature_c: float,
    dt_s: float,
) -> None:
    """Advance the touch between a pad and the bench stage, whose gimballed probe follows the pad."""
    normal = solve_normal(finger, now, item, depth_m, temperature_c, dt_s)
    along, across = step_shear(
        finger, now, move_x_m, move_y_m, normal, item.friction_static, item.friction_kinetic, dt_s
    )
    now[at.GEOMETRIC_X] = 0.0
    _store_wrench(now, along, across, normal, offset_x_m, offset_y_m, 0.0)
    step_tilt(finger, now, dt_s)
