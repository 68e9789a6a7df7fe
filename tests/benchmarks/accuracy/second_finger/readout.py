"""From the state of the world to what a bench would have recorded.

Coils, counting, clocks, drift, and faults on purpose.

Inductance from an LC tank by frequency counting: f = 1 / (2 pi sqrt(L C)), noise and counts on f, then L back from f.
Pressure has its own 100 Hz clock; rows without a new reading are NaN. Stamps jitter.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from second_finger.specimen import IRON_DISC, Specimen
from second_finger.world import Script, World
from soft_tactile_node.recordings import Recording, Truth

Array = NDArray[np.float64]

CAPACITANCE = 100e-12
SLIP_SPEED, SLIP_FORCE_N, SLIP_WINDOW_S = 1e-3, 0.03, 0.02
PRESSURE_RATE_HZ, PRESSURE_NOISE_PA, PRESSURE_COUNT_PA = 100.0, 40.0, 20.0
COIL_TO_SURFACE_M = 5.0e-3
LID_DEPTH_M = 13e-3  # the steel sits beside the place that touches, beyond the glass


def scan_times(duration_s: float, rate_hz: float, jitter_s: float, rng: np.random.Generator) -> Array:
    """Jittered, increasing acquisition times (s)."""
    nominal = np.arange(int(duration_s * rate_hz)) / rate_hz
    wobble = np.clip(rng.normal(0.0, jitter_s, len(nominal)), -0.45 / rate_hz, 0.45 / rate_hz)
    wobble[0] = abs(wobble[0])
    return np.round(nominal + wobble, 6)


def poses(specimen: Specimen, state: dict[str, Array]) -> Array:
    """Disc pose (n, 5): gap, x, y, tilt about y, tilt about x, from bending, pressing, shear and contact place."""
    b, d = state["relative_bend"], state["compression_m"]
    square = specimen.tilt_radius**2
    off = np.hypot(state["off_x_m"], state["off_y_m"])
    deep = specimen.depth_share * d * (1.0 - 0.5 * off**2 / square)
    gap = specimen.gap + specimen.bend_gap * b + specimen.bend_gap_square * b * b - deep
    gap = gap + specimen.bend_pressure_gap * state["chamber_pa"] / 60e3
    tilt_y = specimen.bend_tilt * b + d * state["off_x_m"] / square - 3.0 * state["shear_x_m"]
    tilt_x = specimen.bend_tilt_y * b - d * state["off_y_m"] / square + 3.0 * state["shear_y_m"]
    x = specimen.disc_offset[0] + specimen.bend_shift * b + specimen.shear_share * state["shear_x_m"]
    y = specimen.disc_offset[1] + specimen.bend_shift_y * b + specimen.shear_share * state["shear_y_m"]
    return np.column_stack([gap, x, y, tilt_y, tilt_x])


def coil_changes(world: World, state: dict[str, Array]) -> Array:
    """Relative inductance change (n, c) by pad and surroundings, before temperature and noise."""
    s = world.specimen
    lid_at = COIL_TO_SURFACE_M + LID_DEPTH_M + np.clip(state["surface_gap_m"], -2e-3, 0.1)
    if s.pad == IRON_DISC:
        change = world.sensing.change(poses(s, state))
    else:
        m, fill = s.metal, state["fill"]
        square = m["rest_radius"] ** 2 + np.clip(fill, -0.9, 3.0) * (m["full_radius"] ** 2 - m["rest_radius"] ** 2)
        radius = np.sqrt(np.maximum(square, 1.2e-3**2))
        radius = np.minimum(radius, 6.5e-3)
        gap = s.gap + m["bend_gap"] * state["relative_bend"] - 0.02 * state["compression_m"]
        change = world.sensing.change(radius, gap)
    return np.asarray(change + world.sensing.lid_change(lid_at) * (state["lid"] > 0.5)[:, None])


def wander(n: int, step_s: float, rate: float, rng: np.random.Generator) -> Array:
    """Random walk with `rate` per root second that is pulled back over five minutes."""
    pull = np.exp(-step_s / 300.0)
    return np.asarray(lfilter([1.0], [1.0, -pull], rng.normal(0.0, rate * np.sqrt(step_s), n)))


def record(
    world: World,
    script: Script,
    seed: int,
    *,
    rate_hz: float = 500.0,
    jitter_s: float = 0.1e-3,
    run_in_j: float = 1.0,
    reference: str = "",
) -> tuple[Recording, Truth, float]:
    """Play a script and record it.

    Parameters
    ----------
    world : World
        The specimen.
    script : Script
        What is done.
    seed : int
        Noise, clocks and drift.
    rate_hz, jitter_s : float
        Scan rate (Hz) and rms jitter of the stamps (s).
    run_in_j : float
        Work the pad has seen before (J); 0 = fresh pad.
    reference : str
        `press` adds force columns, `free-bend` adds bend_rad.

    Returns
    -------
    tuple
        Recording, Truth, and the run-in work afterwards (J).
    """
    s, rng = world.specimen, np.random.default_rng([seed, s_code(world.specimen)])
    times = scan_times(script.duration_s, rate_hz, jitter_s, rng)
    state, work = world.play(script, times, run_in_j, int(rng.integers(1 << 30)))
    n, c = len(times), s.channels
    coil_t = state["temperature_c"]
    assembly = rng.normal(0.0, 5e-4, c)  # mounted anew: offsets differ from day to day
    drift = np.stack([wander(n, 1.0 / rate_hz, s.drift_rate, rng) for _ in range(c)], axis=1)
    level = world.sensing.inductance * (1.0 + coil_changes(world, state)) * (1.0 + assembly + drift)
    level = level * (1.0 + s.temperature_slope * (coil_t - 23.0)[:, None])
    frequency = 1.0 / (2.0 * np.pi * np.sqrt(level * CAPACITANCE))
    frequency *= 1.0 + 0.5 * s.noise * rng.normal(size=(n, c))
    count = frequency[0] * 0.5 * s.count_step
    frequency = np.round(frequency / count) * count
    inductance = 1.0 / ((2.0 * np.pi * frequency) ** 2 * CAPACITANCE)
    lag = np.exp(-1.0 / rate_hz / 8.0)
    sensor_t = lfilter([1 - lag], [1, -lag], coil_t - coil_t[0]) + coil_t[0] + rng.normal(0.0, 0.03, n)
    recording = Recording(
        time_s=times,
        pressure_pa=read_pressure(times, state["line_pa"] + s.sensor_offset_pa, rng),
        inductance_h=inductance,
        temperature_c=np.round(sensor_t / 0.0625) * 0.0625,
    )
    force = np.column_stack([state["force_x_n"], state["force_y_n"], state["force_z_n"]])
    if reference == "press":
        recording = replace(recording, force_n=np.round(force + rng.normal(0.0, 0.004, force.shape), 4))
    if reference == "free-bend":
        recording = replace(recording, bend_rad=np.round(state["bend_rad"] + rng.normal(0.0, 0.002, n), 5))
    return recording, make_truth(times, force, state), work


def s_code(specimen: Specimen) -> int:
    """A number for the specimen, so that equal seeds of other specimens give other noise."""
    return specimen.seed * 2 + (specimen.pad == IRON_DISC)


def make_truth(times: Array, force: Array, state: dict[str, Array]) -> Truth:
    """Truth columns; slip by the sliding speed of the pad's surface, mean of 20 ms around the row."""
    half = SLIP_WINDOW_S / 2
    slid = state["slid_m"]
    speed = (np.interp(times + half, times, slid) - np.interp(times - half, times, slid)) / SLIP_WINDOW_S
    norm = np.linalg.norm(force, axis=1)
    return Truth(times, force, state["bend_rad"], norm >= 0.05, (speed > SLIP_SPEED) & (norm >= SLIP_FORCE_N))


def read_pressure(times: Array, pressure: Array, rng: np.random.Generator) -> Array:
    """Pressure column: a reading of the sensor's own clock appears in the first scan after it, NaN elsewhere."""
    clock = np.arange(rng.uniform(0.0, 0.01), times[-1], 1.0 / PRESSURE_RATE_HZ)
    value = np.interp(clock, times, pressure) + rng.normal(0.0, PRESSURE_NOISE_PA, len(clock))
    column = np.full(len(times), np.nan)
    column[np.searchsorted(times, clock)] = np.round(value / PRESSURE_COUNT_PA) * PRESSURE_COUNT_PA
    return column
