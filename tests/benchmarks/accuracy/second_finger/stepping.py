"""The compiled time loop: pressure line, finger, pad, contact, friction and metal flow, at 2 kHz.

Laws (own compositions of textbook parts; numbers invented):

- valve: rate-limited fill, vent limited by the root of the pressure (turbulent orifice); line to chamber with flow ~
sign(dp) sqrt(dp); - finger: q'' = w^2 (q_eq - q) - 2 z w q', q_eq from the chain's tables at actuation(p) - relay
moment - fractional moment, both of
  a mix of the chamber's push and the bend that really happens, under the forces at pad, flank and tip;
- pad: quasi-linear viscoelasticity (Fung, Biomechanics, 1993, ch. 7, from memory) with five relaxation times, stiffness
that rises with
  compression and changes with bend and temperature, run-in loss with the work done; a released pad recovers by the same
  memory;
- object: Hertz-like spring in series (force ~ depth^1.5); contact forces balance at every step (Newton);
- shear: viscoelastic stick spring to an anchor that slides when the Stribeck friction limit is reached;
- metal: driven by the force share on the press cell and by bending; quick in, slow back, yield of the oxide skin, cell
memory.
"""

from __future__ import annotations

import numpy as np

from second_finger.laws import (
    A_LOW,
    A_STEP,
    AMBIENT_C,
    BEND,
    BEND_MEMORY,
    CELL_MEMORY,
    CHAMBER,
    COMPRESSION,
    CREEP,
    DEPTH,
    FAR,
    FELT,
    FILL,
    FORCE_STEP,
    FORCE_X,
    FORCE_Z,
    GAP,
    IN_COMMAND,
    IN_DRIVE_X,
    IN_FLANK,
    IN_FRICTION,
    IN_GRAVITY_X,
    IN_GRAVITY_Z,
    IN_HOLD,
    IN_LID,
    IN_OBJECT,
    IN_OFF_X,
    IN_OFF_Y,
    IN_SURFACE,
    IN_TIP,
    IN_WARMTH,
    LID,
    LINE,
    OFF_X,
    OFF_Y,
    OUTPUT_COUNT,
    RELATIVE,
    RELAY,
    RELAY_REST,
    ROUGH,
    SHEAR_X,
    SLID,
    SLIDE_SPEED,
    SPEED,
    STARTED,
    STATE_COUNT,
    STEP_S,
    STRAIN,
    TOUCHING,
    TRAVEL,
    WARMTH,
    WORK,
    State,
)
from second_finger.memory import EVERETT_LOW, STACK, relays_step
from second_finger.specimen import FULL_PRESSURE_PA
from soft_tactile_node.compiled import compiled


@compiled
def look_up(table, x, x_low, x_step, y):  # type: ignore[no-untyped-def]
    """Bilinear look-up; x on a uniform grid, y on the force grid; clamped at the edges of the force only."""
    n, m = table.shape
    a = (x - x_low) / x_step
    i = min(max(int(np.floor(a)), 0), n - 2)
    fa = a - i
    b = min(max(y / FORCE_STEP, 0.0), m - 1.0001)
    j = int(b)
    fb = b - j
    return (table[i, j] * (1 - fa) + table[i + 1, j] * fa) * (1 - fb) + (
        table[i, j + 1] * (1 - fa) + table[i + 1, j + 1] * fa
    ) * fb


@compiled
def actuation(pressure, laws, temperature):  # type: ignore[no-untyped-def]
    """Actuation (1 = full) of a chamber pressure (Pa): a toe while the chamber unfolds, then less and less gain."""
    p = pressure
    toe = p * p / (abs(p) + laws.toe) if p > 0 else 0.3 * p
    x = toe / (FULL_PRESSURE_PA * FULL_PRESSURE_PA / (FULL_PRESSURE_PA + laws.toe))
    a = x * (1.0 + laws.sublinear) / (1.0 + laws.sublinear * x)
    return (
        a * (1.0 + laws.softening * (temperature - AMBIENT_C)) * (1.0 + 0.8 * laws.hysteresis + 0.6 * laws.creep_share)
    )


@compiled
def pad_force(compression, stiffness, quadratic, cubic):  # type: ignore[no-untyped-def]
    """Instant elastic force (N) and its slope (N/m) at a compression (m)."""
    d = compression / 1e-3
    force = stiffness * compression * (1.0 + quadratic * d + cubic * d * d)
    slope = stiffness * (1.0 + 2.0 * quadratic * d + 3.0 * cubic * d * d)
    return force, slope


@compiled
def solve_contact(depth, relaxed, stiffness, quadratic, cubic, object_stiffness, start):  # type: ignore[no-untyped-def]
    """Share an indentation between pad and object: pad_force(d) - relaxed = K (depth - d)^1.5; returns d (m)."""
    low, high = 0.0, depth
    d = min(max(start, low), high)
    for _ in range(30):
        force, slope = pad_force(d, stiffness, quadratic, cubic)
        rest = max(depth - d, 0.0)
        gap = force - relaxed - object_stiffness * rest**1.5
        if gap > 0:
            high = d
        else:
            low = d
        new = d - gap / (slope + 1.5 * object_stiffness * np.sqrt(rest))
        if new <= low or new >= high:
            new = 0.5 * (low + high)
        if abs(new - d) < 1e-11:
            return new
        d = new
    return d


@compiled
def read_inputs(knots, at, u):  # type: ignore[no-untyped-def]
    """Inputs between knots, linear; a surface or stop that is absent on one side is absent between them."""
    k = min(int(at), knots.shape[0] - 2)
    f = at - k
    for i in range(u.shape[0]):
        u[i] = knots[k, i] + (knots[k + 1, i] - knots[k, i]) * f
    for i in (IN_SURFACE, IN_FLANK, IN_TIP):
        if max(knots[k, i], knots[k + 1, i]) > 0.5 * FAR:
            u[i] = FAR


@compiled
def step_air(laws, s, u):  # type: ignore[no-untyped-def]
    """Valve and line: rate-limited fill, turbulent vent, turbulent flow to the chamber."""
    line = s.now[LINE]
    wanted = (u[IN_COMMAND] - line) / laws.valve_time
    vent = -2.5 * laws.fill_rate * np.sqrt((max(line, 0.0) + 500.0) / 60e3)
    line += STEP_S * min(max(wanted, vent), laws.fill_rate)
    difference = line - s.now[CHAMBER]
    s.now[CHAMBER] += STEP_S * laws.line_gain * difference / np.sqrt(abs(difference) + 1500.0)
    s.now[LINE] = line


@compiled
def gravity_travel(laws, a, u):  # type: ignore[no-untyped-def]
    """Travel (m) by the specific force beyond the nominal one."""
    at = min(max((a - A_LOW) / A_STEP, 0.0), laws.gravity_travel.shape[1] - 1.001)
    k = int(at)
    f = at - k
    total = 0.0
    for axis in range(2):
        slope = laws.gravity_travel[axis, k] * (1 - f) + laws.gravity_travel[axis, k + 1] * f
        total += slope * u[IN_GRAVITY_X + axis]
    return total


@compiled
def step_finger(laws, s, u):  # type: ignore[no-untyped-def]
    """Chain under actuation, memory, contact forces and gravity; second-order motion; memory of push and bend."""
    now = s.now
    push = actuation(now[CHAMBER], laws, u[IN_WARMTH])
    a = push - laws.hysteresis * (now[RELAY] - now[RELAY_REST]) - laws.creep_share * now[CREEP]
    q, v, force = now[TRAVEL], now[SPEED], now[FORCE_Z]
    flank = max(1500.0 * (q - u[IN_FLANK]) + 6.0 * v, 0.0) if q > u[IN_FLANK] else 0.0
    tip = max(900.0 * (q - u[IN_TIP]) + 5.0 * v, 0.0) if q > u[IN_TIP] else 0.0
    q_eq = look_up(laws.travel[0], a, A_LOW, A_STEP, force) + gravity_travel(laws, a, u)
    for place, stop in ((1, flank), (2, tip)):
        if stop > 0.0:
            q_eq += look_up(laws.travel[place], a, A_LOW, A_STEP, stop) - look_up(laws.travel[0], a, A_LOW, A_STEP, 0.0)
    v += STEP_S * (laws.omega**2 * (q_eq - q) - 2.0 * laws.damping * laws.omega * v)
    q += STEP_S * v
    bend = look_up(laws.bend[0], q, laws.q_low, laws.q_step, force)
    curvature = look_up(laws.curvature[0], q, laws.q_low, laws.q_step, force)
    for place, stop in ((1, flank), (2, tip)):
        if stop > 0.0:
            bend += look_up(laws.bend[place], q, laws.q_low, laws.q_step, stop)
            bend -= look_up(laws.bend[0], q, laws.q_low, laws.q_step, 0.0)
            curvature += look_up(laws.curvature[place], q, laws.q_low, laws.q_step, stop)
            curvature -= look_up(laws.curvature[0], q, laws.q_low, laws.q_step, 0.0)
    relative = bend / laws.full_bend
    full = 1.0 + 0.8 * laws.hysteresis + 0.6 * laws.creep_share
    strain = laws.memory_bend * relative + (1.0 - laws.memory_bend) * push / full
    if now[STARTED] == 0.0:
        now[STRAIN] = strain
    relay, depth = relays_step(laws.everett, s.stack, int(now[DEPTH]), strain)
    creep = 0.0
    for i in range(s.creep.shape[0]):
        s.creep[i] = s.creep[i] * laws.creep_decay[i] + laws.creep_gain[i] * (strain - now[STRAIN])
        creep += s.creep[i]
    felt = (1.0 - laws.local_share) * relative + laws.local_share * curvature
    now[BEND_MEMORY] += STEP_S / laws.bend_time * (felt - now[BEND_MEMORY])
    now[FELT] = felt - laws.bend_share * (felt - now[BEND_MEMORY])
    now[TRAVEL], now[SPEED], now[BEND], now[RELATIVE] = q, v, bend, relative
    now[RELAY], now[DEPTH], now[STRAIN], now[CREEP] = relay, depth, strain, creep


@compiled
def touch(laws, s, u):  # type: ignore[no-untyped-def]
    """A touch begins: the shear spring's anchor is where the object is now."""
    now = s.now
    now[TOUCHING] = 1.0
    now[OFF_X], now[OFF_Y] = u[IN_OFF_X], u[IN_OFF_Y]
    for axis in range(2):
        s.place[axis] = u[IN_DRIVE_X + axis] + (laws.roll * now[TRAVEL] if axis == 0 else 0.0)
        s.anchor[axis] = s.place[axis] - now[SHEAR_X + axis]


@compiled
def step_pad(laws, s, u):  # type: ignore[no-untyped-def]
    """Compression and normal force: elastic law less memory, in series with the object; recovery without one."""
    now = s.now
    softened = 1.0 - laws.run_in_loss * (1.0 - np.exp(-now[WORK] / laws.run_in_energy))
    stiffness = laws.pad_stiffness * softened * (1.0 + laws.pad_bend * now[RELATIVE])
    stiffness *= 1.0 - 0.003 * (u[IN_WARMTH] - AMBIENT_C)
    stiffness *= 1.0 - 0.05 * (u[IN_OFF_X] ** 2 + u[IN_OFF_Y] ** 2) / 5e-3**2
    memory = 0.0
    for i in range(s.relaxed.shape[0]):
        memory += s.relaxed[i]
    free = now[COMPRESSION]  # what is left of the compression of a surface nobody touches
    for _ in range(20):
        value, slope = pad_force(free, stiffness, laws.pad_quadratic, laws.pad_cubic)
        change = (value - memory) / slope
        free = max(free - change, 0.0)
        if abs(change) < 1e-12:
            break
    indentation = now[TRAVEL] - u[IN_SURFACE]
    if indentation > free:
        before = now[COMPRESSION]
        compression = solve_contact(
            indentation, memory, stiffness, laws.pad_quadratic, laws.pad_cubic, u[IN_OBJECT], before
        )
        value, _ = pad_force(compression, stiffness, laws.pad_quadratic, laws.pad_cubic)
        now[FORCE_Z] = max(value - memory, 0.0)
        now[WORK] += now[FORCE_Z] * max(compression - before, 0.0)
        now[COMPRESSION] = compression
        if now[TOUCHING] == 0.0:
            touch(laws, s, u)
        now[OFF_X] += 0.002 * (u[IN_OFF_X] - now[OFF_X])
        now[OFF_Y] += 0.002 * (u[IN_OFF_Y] - now[OFF_Y])
    else:
        now[COMPRESSION], now[FORCE_Z], now[TOUCHING] = free, 0.0, 0.0
        value = memory
    for i in range(s.relaxed.shape[0]):
        decay = laws.relax_decay[i]
        s.relaxed[i] = s.relaxed[i] * decay + (1.0 - decay) * laws.relax_shares[i] * value
    now[GAP] = -now[COMPRESSION] if now[TOUCHING] else min(u[IN_SURFACE] - now[TRAVEL], FAR)


@compiled
def friction_limit(laws, s, u, noise):  # type: ignore[no-untyped-def]
    """Largest shear (N): Stribeck friction, rough while it slides."""
    now = s.now
    now[ROUGH] += -STEP_S / 0.004 * now[ROUGH] + np.sqrt(2.0 * STEP_S / 0.004) * noise
    mu = laws.mu_kinetic + (laws.mu_static - laws.mu_kinetic) * np.exp(-now[SLIDE_SPEED] / laws.mu_speed)
    if now[SLIDE_SPEED] > 1e-4:
        mu *= 1.0 + 0.03 * now[ROUGH]
    return u[IN_FRICTION] * mu * now[FORCE_Z]


@compiled
def step_shear(laws, s, u, noise):  # type: ignore[no-untyped-def]
    """Shear while touching: the object, held sideways by a spring, sticks to the anchor or drags it along."""
    now = s.now
    stiff = laws.shear_stiffness * (1.0 + laws.shear_stiffening * now[COMPRESSION])
    hold, drag = u[IN_HOLD], 4.0 / STEP_S
    trial, new_place, past, drive = np.zeros(2), np.zeros(2), np.zeros(2), np.zeros(2)
    for axis in range(2):
        drive[axis] = u[IN_DRIVE_X + axis] + (laws.roll * now[TRAVEL] if axis == 0 else 0.0)
        past[axis] = s.shear_memory[0, axis] + s.shear_memory[1, axis]
        pull = drag * s.place[axis] + hold * drive[axis] + stiff * s.anchor[axis] + past[axis]
        new_place[axis] = pull / (drag + hold + stiff)
        trial[axis] = stiff * (new_place[axis] - s.anchor[axis]) - past[axis]
    norm = np.sqrt(trial[0] ** 2 + trial[1] ** 2)
    limit = friction_limit(laws, s, u, noise)
    moved = 0.0
    for axis in range(2):
        if norm > limit:
            now[FORCE_X + axis] = trial[axis] / norm * limit
            new_place[axis] = (drag * s.place[axis] + hold * drive[axis] - now[FORCE_X + axis]) / (drag + hold)
            now[SHEAR_X + axis] = (now[FORCE_X + axis] + past[axis]) / stiff
            anchor = new_place[axis] - now[SHEAR_X + axis]
            moved += (anchor - s.anchor[axis]) ** 2
            s.anchor[axis] = anchor
        else:
            now[FORCE_X + axis] = trial[axis]
            now[SHEAR_X + axis] = new_place[axis] - s.anchor[axis]
        s.place[axis] = new_place[axis]
    moved = np.sqrt(moved)
    now[SLID] += moved
    now[SLIDE_SPEED] += STEP_S / 0.003 * (moved / STEP_S - now[SLIDE_SPEED])
    return stiff


@compiled
def free_shear(laws, s):  # type: ignore[no-untyped-def]
    """Shear without contact: back to what its memory holds within milliseconds."""
    now = s.now
    stiff = laws.shear_stiffness * (1.0 + laws.shear_stiffening * now[COMPRESSION])
    now[SLIDE_SPEED] = 0.0
    for axis in range(2):
        now[FORCE_X + axis] = 0.0
        target = (s.shear_memory[0, axis] + s.shear_memory[1, axis]) / stiff
        now[SHEAR_X + axis] += STEP_S / 0.008 * (target - now[SHEAR_X + axis])
    return stiff


@compiled
def step_metal(laws, s, u):  # type: ignore[no-untyped-def]
    """Metal over the coil: driven by force and bending, quick in, slow back, held by the yield of its skin."""
    now, m = s.now, laws.metal
    load = now[FORCE_Z] / m.force_scale
    load = load * (1.0 + m.force_curve) / (1.0 + m.force_curve * load)
    felt = now[FELT]
    want = load + m.bend_fill * felt + m.bend_fill_square * felt * felt
    want += m.gravity_fill * u[IN_GRAVITY_Z] + m.expansion_per_k * (u[IN_WARMTH] - AMBIENT_C)
    if now[STARTED] == 0.0:
        now[FILL] = want
    over = want - (now[FILL] + m.cell_cubic * now[FILL] ** 3 - now[CELL_MEMORY])
    if over > m.yield_drive:
        now[FILL] += STEP_S * (over - m.yield_drive) / m.time_in
    elif over < -m.yield_drive:
        now[FILL] += STEP_S * (over + m.yield_drive) / m.time_out
    now[CELL_MEMORY] += STEP_S / m.memory_time * (m.memory_share * now[FILL] - now[CELL_MEMORY])


@compiled
def start_state(laws, run_in_start):  # type: ignore[no-untyped-def]
    """A vented, untouched finger, its relays as a bend and a return leave them."""
    now = np.zeros(STATE_COUNT)
    stack = np.full(STACK, EVERETT_LOW)
    _, depth = relays_step(laws.everett, stack, 1, 0.9)
    relay, depth = relays_step(laws.everett, stack, depth, 0.0)
    now[RELAY], now[RELAY_REST], now[DEPTH], now[WORK] = relay, relay, depth, run_in_start
    creep, relaxed = np.zeros(laws.creep_decay.shape[0]), np.zeros(laws.relax_decay.shape[0])
    return State(now, stack, creep, relaxed, np.zeros((2, 2)), np.zeros(2), np.zeros(2))


@compiled
def run(laws, knots, knot_step, scan_times, run_in_start, roughness):  # type: ignore[no-untyped-def]
    """Step the world and sample it at `scan_times`.

    Parameters: laws; knots (k, inputs) every `knot_step` s, linear between; scan_times (n,) s, increasing; run-in work
    done before (J); roughness, normal numbers used in turn while something touches. Returns (outputs (n, 18), run-in
    work at the end).
    """
    out = np.zeros((scan_times.shape[0], OUTPUT_COUNT))
    u = np.zeros(knots.shape[1])
    s = start_state(laws, run_in_start)
    before = s.now[:OUTPUT_COUNT].copy()
    scan = drawn = 0
    for step in range(int(scan_times[-1] / STEP_S) + 2):
        t = step * STEP_S
        before[:] = s.now[:OUTPUT_COUNT]
        read_inputs(knots, t / knot_step, u)
        step_air(laws, s, u)
        step_finger(laws, s, u)
        step_pad(laws, s, u)
        if s.now[TOUCHING]:
            stiff = step_shear(laws, s, u, roughness[drawn % roughness.shape[0]])
            drawn += 1
        else:
            stiff = free_shear(laws, s)
        for i in range(2):
            share = (1.0 - laws.shear_decay[i]) * laws.shear_shares[i] * stiff
            for axis in range(2):
                s.shear_memory[i, axis] = s.shear_memory[i, axis] * laws.shear_decay[i] + share * s.now[SHEAR_X + axis]
        step_metal(laws, s, u)
        s.now[WARMTH], s.now[LID] = u[IN_WARMTH], u[IN_LID]
        if s.now[STARTED] == 0.0:
            before[:] = s.now[:OUTPUT_COUNT]
            s.now[STARTED] = 1.0
        while scan < scan_times.shape[0] and scan_times[scan] <= t:
            w = min(max((scan_times[scan] - (t - STEP_S)) / STEP_S, 0.0), 1.0)
            for i in range(OUTPUT_COUNT):
                out[scan, i] = before[i] + w * (s.now[i] - before[i])
            scan += 1
    return out, s.now[WORK]
