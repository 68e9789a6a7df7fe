"""The compiled time loop: pressure line, finger, pad, contact, friction and metal flow, at 2 kHz.

Laws (own compositions of textbook parts; numbers invented):

- valve: rate-limited fill, vent limited by the root of the pressure (turbulent orifice); line to chamber with flow ~ sign(dp) sqrt(dp);
- finger: q'' = w^2 (q_eq - q) - 2 z w q', q_eq from the chain's tables at actuation(p) - relay moment - fractional moment, both of
  a mix of the chamber's push and the bend that really happens, under the forces at pad, flank and tip;
- pad: quasi-linear viscoelasticity (Fung, Biomechanics, 1993, ch. 7, from memory) with five relaxation times, stiffness that rises with
  compression and changes with bend and temperature, run-in loss with the work done; a released pad recovers by the same memory;
- object: Hertz-like spring in series (force ~ depth^1.5); contact forces balance at every step (Newton);
- shear: viscoelastic stick spring to an anchor that slides when the Stribeck friction limit is reached;
- metal: driven by the force share on the press cell and by bending; quick in, slow back, yield of the oxide skin, cell memory.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np
from numpy.typing import NDArray
from soft_tactile_node.compiled import compiled

from second_finger.chain import ACTUATION, FORCE, ChainTables
from second_finger.memory import EVERETT_LOW, STACK, creep_nodes, relays_step, tabulate_everett
from second_finger.specimen import FULL_PRESSURE_PA, Specimen

Array = NDArray[np.float64]

STEP_S = 0.5e-3
AMBIENT_C = 23.0

INPUTS = (
    "command_pa",
    "surface_m",  # object surface on the closing coordinate; FAR = none
    "object_stiffness",  # N/m^1.5
    "drive_x_m",
    "drive_y_m",
    "hold_stiffness",  # N/m, how firmly the object is held sideways
    "friction",  # factor on the pad's friction
    "off_x_m",
    "off_y_m",
    "flank_m",  # stop at the flank on the closing coordinate
    "tip_m",  # stop at the tip
    "gravity_x",  # specific force beyond the nominal one (m/s^2), along the straight finger
    "gravity_z",  # towards the object
    "temperature_c",
    "lid",  # 1 = the object carries a steel lid
)
FAR = 1.0
OUTPUTS = (
    "compression_m",
    "off_x_m",
    "off_y_m",
    "shear_x_m",
    "shear_y_m",
    "relative_bend",
    "chamber_pa",
    "line_pa",
    "bend_rad",
    "travel_m",
    "force_x_n",
    "force_y_n",
    "force_z_n",
    "slid_m",
    "fill",
    "surface_gap_m",
    "temperature_c",
    "lid",
)

Laws = namedtuple(
    "Laws",
    "travel bend curvature q_low q_step gravity_travel everett creep_rates creep_weights "
    "omega damping hysteresis memory_bend creep_share full_bend toe sublinear softening "
    "fill_rate valve_time line_gain "
    "pad_stiffness pad_quadratic pad_cubic pad_bend relax_times relax_shares run_in_loss run_in_energy "
    "shear_stiffness shear_stiffening shear_times shear_shares mu_static mu_kinetic mu_speed roll "
    "local_share bend_share bend_time metal",
)


def make_laws(s: Specimen, chain: ChainTables) -> Laws:
    """Gather what the compiled loop needs of a specimen."""
    rates, weights = creep_nodes(s.creep_order)
    names = ("force_scale", "force_curve", "cell_cubic", "time_in", "time_out", "yield_drive", "memory_share", "memory_time",
             "bend_fill", "bend_fill_square", "gravity_fill", "expansion_per_k")  # fmt: skip
    metal = np.array([s.metal.get(name, 1.0) for name in names])
    return Laws(
        chain.travel, chain.bend, chain.curvature, chain.travel_grid[0], chain.travel_grid[1] - chain.travel_grid[0],
        chain.gravity_travel, tabulate_everett(s.relay_centre, s.relay_width), rates, weights,
        2.0 * np.pi * s.natural_frequency, s.damping_ratio, s.hysteresis, s.memory_bend_share, s.creep_share, s.full_bend, s.toe_pressure,
        s.sublinear, s.softening_per_k, s.fill_rate, s.valve_time, s.line_gain, s.pad_stiffness, s.pad_quadratic,
        s.pad_cubic, s.pad_bend_stiffening, s.relax_times, s.relax_shares, s.run_in_loss, s.run_in_energy,
        s.shear_stiffness, s.shear_stiffening, s.shear_relax_times, s.shear_relax_shares, s.friction_static,
        s.friction_kinetic, s.friction_speed, s.roll, s.bend_local_share, s.bend_memory_share, s.bend_memory_time, metal,
    )  # fmt: skip


@compiled
def look_up(table, x, x_low, x_step, y):  # type: ignore[no-untyped-def]
    """Bilinear look-up; x on a uniform grid, y on the force grid; clamped at the edges of the force only."""
    n, m = table.shape
    a = (x - x_low) / x_step
    i = min(max(int(np.floor(a)), 0), n - 2)
    fa = a - i
    b = min(max(y * (m - 1) / 12.0, 0.0), m - 1.0001)
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
    return a * (1.0 + laws.softening * (temperature - AMBIENT_C)) * (1.0 + 0.8 * laws.hysteresis + 0.6 * laws.creep_share)


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
def run(laws, knots, knot_step, scan_times, run_in_start, seed):  # type: ignore[no-untyped-def]
    """Step the world and sample it at `scan_times`.

    Parameters: laws; knots (k, inputs) every `knot_step` s, linear between; scan_times (n,) s, increasing; run-in work done
    before (J); seed of the friction's roughness. Returns (outputs (n, 18), run-in work at the end).
    """
    np.random.seed(seed)
    n_out = scan_times.shape[0]
    out = np.zeros((n_out, 18))
    n_in = knots.shape[1]
    u = np.zeros(n_in)
    now, before = np.zeros(18), np.zeros(18)
    stack = np.full(STACK, EVERETT_LOW)
    stack[0] = EVERETT_LOW
    depth = 1
    # at rest, with the relays as a vented finger leaves them
    _, depth = relays_step(laws.everett, stack, depth, 0.9)
    _, depth = relays_step(laws.everett, stack, depth, 0.0)
    relay_rest, depth = relays_step(laws.everett, stack, depth, 0.0)
    relay = relay_rest
    creep = np.zeros(laws.creep_rates.shape[0])
    creep_decay = np.exp(-laws.creep_rates * STEP_S)
    creep_gain = (1.0 - creep_decay) / (laws.creep_rates * STEP_S) * laws.creep_weights
    creep_moment = 0.0
    temperature = knots[0, 13]
    line = chamber = 0.0
    q = v = 0.0
    strain_before = 0.0
    n_relax = laws.relax_times.shape[0]
    relaxed = np.zeros(n_relax)
    relax_decay = np.exp(-STEP_S / laws.relax_times)
    n_shear = laws.shear_times.shape[0]
    shear_memory = np.zeros((n_shear, 2))
    shear_decay = np.exp(-STEP_S / laws.shear_times)
    compression = 0.0
    work = run_in_start
    force = 0.0
    touching = False
    anchor, place, drive, shear, tangent = np.zeros(2), np.zeros(2), np.zeros(2), np.zeros(2), np.zeros(2)
    slid = 0.0
    slide_speed = 0.0
    rough = 0.0
    off_x = off_y = 0.0
    fill = cell_memory = bend_memory = 0.0
    first = True
    scan = 0
    a_low, a_step = -0.3, 1.9 / 95.0
    steps = int(scan_times[-1] / STEP_S) + 2
    for step in range(steps):
        t = step * STEP_S
        # inputs
        at = t / knot_step
        k = min(int(at), knots.shape[0] - 2)
        f = at - k
        for i in range(n_in):
            low, high = knots[k, i], knots[k + 1, i]
            u[i] = low + (high - low) * f
        if knots[k, 1] > 0.5 or knots[k + 1, 1] > 0.5:  # no object on either side: never sweep one in from far away
            u[1] = 1.0
        if knots[k, 9] > 0.5 or knots[k + 1, 9] > 0.5:
            u[9] = 1.0
        if knots[k, 10] > 0.5 or knots[k + 1, 10] > 0.5:
            u[10] = 1.0
        temperature = u[13]
        # pressure
        wanted = (u[0] - line) / laws.valve_time
        vent = -2.5 * laws.fill_rate * np.sqrt((max(line, 0.0) + 500.0) / 60e3)
        line += STEP_S * min(max(wanted, vent), laws.fill_rate)
        difference = line - chamber
        chamber += STEP_S * laws.line_gain * difference / np.sqrt(abs(difference) + 1500.0)
        # finger
        push = actuation(chamber, laws, temperature)
        a = push - laws.hysteresis * (relay - relay_rest) - laws.creep_share * creep_moment
        flank = max(1500.0 * (q - u[9]) + 6.0 * v, 0.0) if q > u[9] else 0.0
        tip = max(900.0 * (q - u[10]) + 5.0 * v, 0.0) if q > u[10] else 0.0
        q_free = look_up(laws.travel[0], a, a_low, a_step, 0.0)
        q_eq = look_up(laws.travel[0], a, a_low, a_step, force)
        if flank > 0:
            q_eq += look_up(laws.travel[1], a, a_low, a_step, flank) - q_free
        if tip > 0:
            q_eq += look_up(laws.travel[2], a, a_low, a_step, tip) - q_free
        g_at = min(max((a - a_low) / a_step, 0.0), 94.999)
        g_k = int(g_at)
        g_f = g_at - g_k
        for axis in range(2):
            g = laws.gravity_travel[axis, g_k] * (1 - g_f) + laws.gravity_travel[axis, g_k + 1] * g_f
            q_eq += g * u[11 + axis]
        v += STEP_S * (laws.omega**2 * (q_eq - q) - 2.0 * laws.damping * laws.omega * v)
        q += STEP_S * v
        bend = look_up(laws.bend[0], q, laws.q_low, laws.q_step, force)
        curvature = look_up(laws.curvature[0], q, laws.q_low, laws.q_step, force)
        if flank > 0:
            bend += look_up(laws.bend[1], q, laws.q_low, laws.q_step, flank) - look_up(
                laws.bend[0], q, laws.q_low, laws.q_step, 0.0)
            curvature += look_up(laws.curvature[1], q, laws.q_low, laws.q_step, flank) - look_up(
                laws.curvature[0], q, laws.q_low, laws.q_step, 0.0)
        if tip > 0:
            bend += look_up(laws.bend[2], q, laws.q_low, laws.q_step, tip) - look_up(
                laws.bend[0], q, laws.q_low, laws.q_step, 0.0)
            curvature += look_up(laws.curvature[2], q, laws.q_low, laws.q_step, tip) - look_up(
                laws.curvature[0], q, laws.q_low, laws.q_step, 0.0)
        relative = bend / laws.full_bend
        strain = laws.memory_bend * relative + (1.0 - laws.memory_bend) * push / (1.0 + 0.8 * laws.hysteresis + 0.6 * laws.creep_share)
        if first:
            strain_before = strain
        relay, depth = relays_step(laws.everett, stack, depth, strain)
        creep_moment = 0.0
        for i in range(creep.shape[0]):
            creep[i] = creep[i] * creep_decay[i] + creep_gain[i] * (strain - strain_before)
            creep_moment += creep[i]
        strain_before = strain
        felt = (1.0 - laws.local_share) * relative + laws.local_share * curvature
        bend_memory += STEP_S / laws.bend_time * (felt - bend_memory)
        felt_slow = felt - laws.bend_share * (felt - bend_memory)
        # pad
        softened = 1.0 - laws.run_in_loss * (1.0 - np.exp(-work / laws.run_in_energy))
        stiffness = laws.pad_stiffness * softened * (1.0 + laws.pad_bend * relative) * (1.0 - 0.003 * (temperature - AMBIENT_C))
        off = np.sqrt(u[7] ** 2 + u[8] ** 2) / 5e-3
        stiffness *= 1.0 - 0.05 * off * off
        memory = 0.0
        for i in range(n_relax):
            memory += relaxed[i]
        # residual compression of the free surface
        free = compression
        for _ in range(20):
            value, slope = pad_force(free, stiffness, laws.pad_quadratic, laws.pad_cubic)
            change = (value - memory) / slope
            free = max(free - change, 0.0)
            if abs(change) < 1e-12:
                break
        indentation = q - u[1]
        compression_before = compression
        if indentation > free:
            compression = solve_contact(indentation, memory, stiffness, laws.pad_quadratic, laws.pad_cubic, u[2], compression)
            value, slope = pad_force(compression, stiffness, laws.pad_quadratic, laws.pad_cubic)
            force = max(value - memory, 0.0)
            if compression > compression_before:
                work += force * (compression - compression_before)
            if not touching:
                touching = True
                off_x, off_y = u[7], u[8]
                for axis in range(2):
                    drive_at = u[3 + axis] + (laws.roll * q if axis == 0 else 0.0)
                    place[axis] = drive_at
                    drive[axis] = drive_at
                    anchor[axis] = drive_at - shear[axis]
            off_x += 0.002 * (u[7] - off_x)
            off_y += 0.002 * (u[8] - off_y)
        else:
            compression = free
            value = memory
            force = 0.0
            touching = False
        for i in range(n_relax):
            relaxed[i] = relaxed[i] * relax_decay[i] + (1.0 - relax_decay[i]) * laws.relax_shares[i] * value
        # shear
        k_shear = laws.shear_stiffness * (1.0 + laws.shear_stiffening * compression)
        if touching:
            k_hold, c = u[5], 4.0
            trial = np.zeros(2)
            new_place = np.zeros(2)
            norm = 0.0
            for axis in range(2):
                drive[axis] = u[3 + axis] + (laws.roll * q if axis == 0 else 0.0)
                past = shear_memory[0, axis] + shear_memory[1, axis]
                new_place[axis] = (c / STEP_S * place[axis] + k_hold * drive[axis] + k_shear * anchor[axis] + past) / (
                    c / STEP_S + k_hold + k_shear)
                trial[axis] = k_shear * (new_place[axis] - anchor[axis]) - past
                norm += trial[axis] ** 2
            norm = np.sqrt(norm)
            rough += STEP_S / 0.004 * (-rough) + np.sqrt(2.0 * STEP_S / 0.004) * np.random.normal()
            mu = laws.mu_kinetic + (laws.mu_static - laws.mu_kinetic) * np.exp(-slide_speed / laws.mu_speed)
            if slide_speed > 1e-4:
                mu *= 1.0 + 0.03 * rough
            limit = u[6] * mu * force
            speed = 0.0
            if norm > limit:
                moved = 0.0
                for axis in range(2):
                    past = shear_memory[0, axis] + shear_memory[1, axis]
                    tangent[axis] = trial[axis] / norm * limit
                    new_place[axis] = (c / STEP_S * place[axis] + k_hold * drive[axis] - tangent[axis]) / (c / STEP_S + k_hold)
                    shear[axis] = (tangent[axis] + past) / k_shear
                    moved += (new_place[axis] - shear[axis] - anchor[axis]) ** 2
                    anchor[axis] = new_place[axis] - shear[axis]
                    place[axis] = new_place[axis]
                speed = np.sqrt(moved) / STEP_S
                slid += np.sqrt(moved)
            else:
                for axis in range(2):
                    tangent[axis] = trial[axis]
                    place[axis] = new_place[axis]
                    shear[axis] = place[axis] - anchor[axis]
            slide_speed += STEP_S / 0.003 * (speed - slide_speed)
        else:
            slide_speed = 0.0
            for axis in range(2):
                tangent[axis] = 0.0
                target = (shear_memory[0, axis] + shear_memory[1, axis]) / k_shear
                shear[axis] += STEP_S / 0.008 * (target - shear[axis])
        for axis in range(2):
            for i in range(n_shear):
                shear_memory[i, axis] = shear_memory[i, axis] * shear_decay[i] + (1.0 - shear_decay[i]) * laws.shear_shares[
                    i] * k_shear * shear[axis]
        # metal
        m = laws.metal
        load = force / m[0]
        load = load * (1.0 + m[1]) / (1.0 + m[1] * load)
        want = load + m[8] * felt_slow + m[9] * felt_slow * felt_slow + m[10] * u[12] + m[11] * (temperature - AMBIENT_C)
        back = fill + m[2] * fill * fill * fill - cell_memory
        over = want - back
        rate = 0.0
        if first:
            fill = want
        elif abs(over) > m[5]:
            rate = (over - m[5] if over > 0 else over + m[5]) / (m[3] if over > 0 else m[4])
        fill += STEP_S * rate
        cell_memory += STEP_S / m[7] * (m[6] * fill - cell_memory)
        # sample
        for i in range(18):
            before[i] = now[i]
        now[0], now[1], now[2], now[3], now[4] = compression, off_x, off_y, shear[0], shear[1]
        now[5], now[6], now[7], now[8], now[9] = felt_slow, chamber, line, bend, q
        now[10], now[11], now[12], now[13], now[14] = tangent[0], tangent[1], force, slid, fill
        now[15] = min(u[1] - q + (compression if touching else 0.0), FAR)
        if touching:
            now[15] = -compression
        now[16], now[17] = temperature, u[14]
        if first:
            for i in range(18):
                before[i] = now[i]
        first = False
        while scan < n_out and scan_times[scan] <= t:
            w = min(max((scan_times[scan] - (t - STEP_S)) / STEP_S, 0.0), 1.0)
            for i in range(18):
                out[scan, i] = before[i] + w * (now[i] - before[i])
            scan += 1
    return out, work


assert len(OUTPUTS) == 18 and len(INPUTS) == 15 and ACTUATION[0] == -0.3 and FORCE[-1] == 12.0
