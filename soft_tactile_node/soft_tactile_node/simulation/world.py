"""The stepped world: fingers, one object, tray, stop, arm and bench stage, advanced scan by scan in fixed substeps."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.bending import step_bending
from soft_tactile_node.simulation.chamber import step_chamber
from soft_tactile_node.simulation.contact import Mount, bend_moment, touch_object, touch_stage
from soft_tactile_node.simulation.metal_flow import step_metal
from soft_tactile_node.simulation.objects import ObjectParameters

LONGEST_SUBSTEP_S = 0.25e-3
"""Stable and converged for the stiffest pair of pads on the lightest object (checked by a test)."""


def new_states(fingers: int) -> tuple[Array, Array]:
    """Return the state arrays of fingers at rest and of the body.

    Parameters
    ----------
    fingers : int
        Number of fingers (1 or 2).

    Returns
    -------
    tuple of numpy.ndarray, shapes (k, FINGER_STATES) and (BODY_STATES,)
        SI units; indices in `simulation.state`.
    """
    states = np.zeros((fingers, at.FINGER_STATES))
    states[:, at.BLOCK_ANGLE] = at.NO_BLOCK_RAD
    return states, np.zeros(at.BODY_STATES)


@compiled
def _step_arm(body: Array, command_m: float, dt_s: float) -> None:
    """Let the arm follow its command, no faster than 0.25 m/s and 3 m/s^2 (it slows down in time: no overshoot)."""
    wanted = min(0.25, max(-0.25, 10.0 * (command_m - body[at.LIFT])))
    pull = min(3.0, max(-3.0, 60.0 * (wanted - body[at.LIFT_RATE])))
    body[at.LIFT_ACCELERATION] = pull
    body[at.LIFT_RATE] += pull * dt_s
    body[at.LIFT] += body[at.LIFT_RATE] * dt_s


@compiled
def _step_stage(body: Array, now: Array, row: Array, dt_s: float) -> tuple[float, float]:
    """Let the bench stage seek the commanded force, never faster than allowed; return its sideways moves (m)."""
    fastest = row[at.COMMAND_SPEED]
    moves = (0.0, 0.0)
    if row[at.COMMAND_STAGE] < 0.5:
        target = -0.4e-3
        body[at.STAGE_Z] += max(-fastest * dt_s, min(fastest * dt_s, target - body[at.STAGE_Z]))
        if now[at.NORMAL] <= 0.0:
            body[at.STAGE_X], body[at.STAGE_Y] = 0.0, 0.0
        return moves
    speed = 6.0e-3 * (row[at.COMMAND_FORCE_Z] - now[at.FORCE_Z])
    if now[at.NORMAL] <= 0.0 and row[at.COMMAND_FORCE_Z] > 0.0:
        speed = max(speed, 1.5e-3)
    body[at.STAGE_Z] += max(-fastest, min(fastest, speed)) * dt_s
    body[at.STAGE_Z] = max(body[at.STAGE_Z], -0.4e-3)
    if now[at.NORMAL] > 0.0:
        along = 12.0e-3 * (row[at.COMMAND_FORCE_X] - now[at.FORCE_X])
        across = 12.0e-3 * (row[at.COMMAND_FORCE_Y] - now[at.FORCE_Y])
        moves = (max(-fastest, min(fastest, along)) * dt_s, max(-fastest, min(fastest, across)) * dt_s)
        body[at.STAGE_X] += moves[0]
        body[at.STAGE_Y] += moves[1]
    return moves


@compiled
def _step_object(body: Array, item: ObjectParameters, mount: Mount, push: Array, gravity: Array, dt_s: float) -> None:
    """Advance the object under the pads' reaction, the tray, the fixed stop and its weight."""
    force_x, force_y, force_z = push[0], push[1], push[2]
    force_x += item.mass_kg * gravity[0]
    force_y += item.mass_kg * gravity[1]
    force_z += item.mass_kg * gravity[2]
    vx, vy, vz = body[at.OBJECT_VX], body[at.OBJECT_VY], body[at.OBJECT_VZ]
    # tray: carries the object from below and holds it by friction
    depth = body[at.OBJECT_X] - (mount.pad_height_m + body[at.LIFT])
    tray = 0.0
    if depth > 0.0:
        rigid = item.mass_kg * 9.0e4
        tray = max(0.0, rigid * depth + 1.2 * item.mass_kg * 300.0 * (vx - body[at.LIFT_RATE]))
        force_x -= tray
        sliding = math.sqrt(vy * vy + vz * vz) + 2.0e-3
        force_y -= mount.tray_friction * tray * vy / sliding
        force_z -= mount.tray_friction * tray * vz / sliding
    body[at.TRAY_FORCE] = tray
    if mount.stop_m > 0.0:
        pressed = -mount.stop_m - (body[at.OBJECT_Z] - item.half_width_m)
        if pressed > 0.0:
            stiffness = min(item.stiffness_n_m, 8.0e3)
            normal = max(0.0, stiffness * pressed - 2.0 * vz)
            force_z += normal
            # the stop's skin sticks and slides like a pad's
            body[at.STOP_X] += vx * dt_s
            body[at.STOP_Y] += vy * dt_s
            hold_x, hold_y = 1500.0 * body[at.STOP_X], 1500.0 * body[at.STOP_Y]
            size = math.sqrt(hold_x * hold_x + hold_y * hold_y)
            limit = item.stop_friction * normal
            if size > limit:
                keep = limit / size
                body[at.STOP_X] *= keep
                body[at.STOP_Y] *= keep
                hold_x, hold_y = keep * hold_x, keep * hold_y
            force_x -= hold_x + 0.4 * min(1.0, normal) * vx
            force_y -= hold_y + 0.4 * min(1.0, normal) * vy
        else:
            body[at.STOP_X], body[at.STOP_Y] = 0.0, 0.0
    body[at.OBJECT_VX] = vx + force_x / item.mass_kg * dt_s
    body[at.OBJECT_VY] = vy + force_y / item.mass_kg * dt_s
    body[at.OBJECT_VZ] = vz + force_z / item.mass_kg * dt_s
    body[at.OBJECT_X] += body[at.OBJECT_VX] * dt_s
    body[at.OBJECT_Y] += body[at.OBJECT_VY] * dt_s
    body[at.OBJECT_Z] += body[at.OBJECT_VZ] * dt_s


@compiled
def _put_object(states: Array, body: Array, item: ObjectParameters, mount: Mount) -> None:
    """Put a fresh object on the tray, centred between two fingers or against the stop of one."""
    body[at.OBJECT_X] = mount.pad_height_m + body[at.LIFT] + 9.80665 / 9.0e4
    body[at.OBJECT_Y] = 0.0
    body[at.OBJECT_Z] = item.half_width_m - mount.stop_m if mount.stop_m > 0.0 else 0.0
    body[at.OBJECT_VX], body[at.OBJECT_VY], body[at.OBJECT_VZ] = body[at.LIFT_RATE], 0.0, 0.0
    body[at.STOP_X], body[at.STOP_Y] = 0.0, 0.0
    for i in range(states.shape[0]):
        states[i, at.OBJECT_INDENT] = 0.0
        states[i, at.OBJECT_MEMORY] = 0.0
        states[i, at.OBJECT_ELASTIC] = 0.0


@compiled
def _touch_all(
    fingers: Any, states: Array, body: Array, item: ObjectParameters, mount: Mount, row: Array, push: Array, dt_s: float
) -> None:
    """Advance every pad's touch with the object and sum the reactions on it (palm frame)."""
    push[:] = 0.0
    present = row[at.COMMAND_OBJECT] > 0.5
    for i in range(states.shape[0]):
        side = 1.0 if i == 0 else -1.0
        place = (body[at.OBJECT_X], side * body[at.OBJECT_Y], side * body[at.OBJECT_Z])
        speed = (body[at.OBJECT_VX], side * body[at.OBJECT_VY], side * body[at.OBJECT_VZ])
        force = touch_object(
            fingers[i],
            states[i],
            item,
            mount,
            place,
            speed,
            row[at.COMMAND_OFFSET_X],
            side * row[at.COMMAND_OFFSET_Y],
            present,
            row[at.COMMAND_TEMPERATURE],
            dt_s,
        )
        push[0] -= force[0]
        push[1] -= side * force[1]
        push[2] -= side * force[2]


@compiled
def advance_scan(
    fingers: Any,
    states: Array,
    body: Array,
    item: ObjectParameters,
    mount: Mount,
    row: Array,
    bench: bool,
    scan_s: float,
    substeps: int,
) -> None:
    """Advance everything by one scan under one row of commands; states and body are changed in place.

    `fingers` is a tuple of FingerParameters, one a row of `states`; `bench` replaces the object by the bench stage.
    """
    dt = scan_s / substeps
    push = np.zeros(3)
    gravity = np.zeros(3)
    if row[at.COMMAND_OBJECT] > 1.5:
        _put_object(states, body, item, mount)
    for i in range(states.shape[0]):
        states[i, at.SLIP_DISTANCE] = 0.0
        states[i, at.TOUCHED] = 0.0
    sin_m, cos_m = math.sin(mount.angle_rad), math.cos(mount.angle_rad)
    for _ in range(substeps):
        _step_arm(body, row[at.COMMAND_LIFT], dt)
        gravity[0] = mount.gravity_m_s2 * math.cos(row[at.COMMAND_TILT]) + body[at.LIFT_ACCELERATION]
        gravity[1] = -row[at.COMMAND_SWAY]
        gravity[2] = mount.gravity_m_s2 * math.sin(row[at.COMMAND_TILT])
        if bench:
            moves = _step_stage(body, states[0], row, dt)
            touch_stage(
                fingers[0],
                states[0],
                item,
                body[at.STAGE_Z],
                moves[0],
                moves[1],
                row[at.COMMAND_OFFSET_X],
                row[at.COMMAND_OFFSET_Y],
                row[at.COMMAND_TEMPERATURE],
                dt,
            )
        else:
            _touch_all(fingers, states, body, item, mount, row, push, dt)
            if row[at.COMMAND_OBJECT] > 0.5:
                _step_object(body, item, mount, push, gravity, dt)
        for i in range(states.shape[0]):
            now = states[i]
            side = 1.0 if i == 0 else -1.0
            step_chamber(fingers[i], now, row[at.COMMAND_PRESSURE + i], dt)
            along = cos_m * gravity[0] + sin_m * side * gravity[2]
            inward = -sin_m * gravity[0] + cos_m * side * gravity[2]
            moment = bend_moment(fingers[i], now)
            step_bending(fingers[i], now, moment, along, inward, row[at.COMMAND_TEMPERATURE], dt)
            slope = math.cos(now[at.BEND]) * along - math.sin(now[at.BEND]) * inward
            step_metal(fingers[i], now, slope, dt)


@compiled
def run_scans(
    fingers: Any,
    states: Array,
    body: Array,
    item: ObjectParameters,
    mount: Mount,
    commands: Array,
    bench: bool,
    scan_s: float,
    substeps: int,
) -> tuple[Array, Array]:
    """Advance through all rows of commands; return the finger states (n, k, s) and body states (n, s) at each scan."""
    n = commands.shape[0]
    out = np.empty((n, states.shape[0], states.shape[1]))
    out_body = np.empty((n, body.shape[0]))
    for k in range(n):
        # the first row is the state before anything moves
        if k > 0:
            advance_scan(fingers, states, body, item, mount, commands[k], bench, scan_s, substeps)
        out[k] = states
        out_body[k] = body
    return out, out_body
