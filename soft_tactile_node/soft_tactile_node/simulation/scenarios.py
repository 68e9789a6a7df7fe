"""Scenarios by name: a recording from the simulated finger, and the truth beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from scipy.signal import lfilter

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError
from soft_tactile_node.recordings.tables import Recording, Truth
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.bench_scripts import (
    earlier_use,
    script_free_bend,
    script_light_touch,
    script_press,
    script_ramps,
    script_warm_up,
)
from soft_tactile_node.simulation.contact import Mount
from soft_tactile_node.simulation.faults import CoilFaults, Fault
from soft_tactile_node.simulation.grasp_scripts import lid_way, make_mount, script_hold, script_picks
from soft_tactile_node.simulation.objects import PROBE, ObjectParameters, draw_object
from soft_tactile_node.simulation.readout import ReadoutParameters, count_series, draw_drift, read_pressure
from soft_tactile_node.simulation.sensors import PAD_NAMES, Specimen, draw_specimen, pad_series
from soft_tactile_node.simulation.slip import slip_flags
from soft_tactile_node.simulation.timeline import Timeline
from soft_tactile_node.simulation.world import LONGEST_SUBSTEP_S, new_states, run_scans

_BENCH = {"free-bend", "press", "ramps", "warm-up", "light-touch"}
_DURATIONS_S = {
    "free-bend": 180.0,
    "press": 190.0,
    "ramps": 120.0,
    "pick-bun": 60.0,
    "pick-roll": 60.0,
    "pick-jar": 60.0,
    "light-touch": 60.0,
    "hold": 80.0,
    "warm-up": 120.0,
}
SCENARIOS = tuple(_DURATIONS_S)
"""Names of all scenarios."""

_FORCE_CAP_N = {"bun": 2.5, "roll": 5.0, "jar": 5.0}
_COIL_LAG_S = 25.0


@dataclass(frozen=True)
class Run:
    """What the mechanics did, before any electronics.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        Scan times (s).
    commands : numpy.ndarray, shape (n, m)
        Command rows.
    states : numpy.ndarray, shape (n, k, s)
        Finger states.
    body : numpy.ndarray, shape (n, b)
        Object, arm and stage.
    coil_temperature_c : numpy.ndarray, shape (n,)
        Temperature of the coils (degC).
    item : ObjectParameters
        What was gripped or pressed with.
    mount : Mount
        How the finger sat.
    """

    time_s: Array
    commands: Array
    states: Array
    body: Array
    coil_temperature_c: Array
    item: ObjectParameters
    mount: Mount


def simulate(
    scenario: str,
    *,
    pad: str = "iron_disc",
    seed: int = 0,
    rate_hz: float = 500.0,
    duration_s: float | None = None,
    specimen_seed: int | None = None,
    force_cap_n: float | None = None,
    temperature_c: float | None = None,
    faults: Sequence[Fault] = (),
) -> tuple[Recording, Truth]:
    """Return a recording of the simulated finger and what really happened.

    Every scenario starts with 2 s of unpressurised, untouched rest.

    Parameters
    ----------
    scenario : str
        One of SCENARIOS.
    pad : str
        "iron_disc" (four channels) or "liquid_metal" (one channel).
    seed : int
        Picks motion details, noise and (unless `specimen_seed` is given) the specimen, >= 0.
    rate_hz : float
        Scan rate (Hz), 20 to 5000.
    duration_s : float or None
        Length (s), >= 3; None = the scenario's own.
    specimen_seed : int or None
        Picks finger and pad, so that several recordings share them; None = seed.
    force_cap_n : float or None
        Largest normal force that picks aim at (N), 0.3 to 6; above 3 N a third of the picks lie above 3 N. None = 2.5 N
        for the bun, 5 N for roll and jar.
    temperature_c : float or None
        Temperature at the start (degC), 0 to 60; None = drawn within 5 K of 22 degC.
    faults : sequence of Fault
        What goes wrong.

    Returns
    -------
    Recording
        Force columns only for "press", bend column only for "free-bend".
    Truth
        Force, bend, contact and slip at each row.

    Raises
    ------
    RangeError
        An argument is out of range; the message names it.
    """
    if scenario not in _DURATIONS_S:
        raise RangeError(f"scenario must be one of {', '.join(SCENARIOS)}; got {scenario!r}")
    if pad not in PAD_NAMES:
        raise RangeError(f"pad must be one of {', '.join(PAD_NAMES)}; got {pad!r}")
    check_range(seed, 0, name="seed")
    check_range(rate_hz, 20.0, 5000.0, name="rate_hz")
    length = _DURATIONS_S[scenario] if duration_s is None else check_range(duration_s, 3.0, 36000.0, name="duration_s")
    rng = np.random.default_rng([seed, SCENARIOS.index(scenario), 71])
    specimen = draw_specimen(seed if specimen_seed is None else specimen_seed, pad)
    run = run_scenario(scenario, specimen, rng, length, rate_hz, force_cap_n, temperature_c, faults)
    return _read_out(scenario, specimen, run, rng, rate_hz, faults)


def run_scenario(
    scenario: str,
    specimen: Specimen,
    rng: np.random.Generator,
    duration_s: float,
    rate_hz: float,
    force_cap_n: float | None = None,
    temperature_c: float | None = None,
    faults: Sequence[Fault] = (),
) -> Run:
    """Run the mechanics of a scenario.

    Parameters
    ----------
    scenario : str
        One of SCENARIOS.
    specimen : Specimen
        Finger and pad.
    rng : numpy.random.Generator
        Source of the motion's details.
    duration_s, rate_hz : float
        Length (s) and scan rate (Hz).
    force_cap_n, temperature_c, faults
        See `simulate`.

    Returns
    -------
    Run
        Commands and states.
    """
    start = _start_temperature(scenario, rng) if temperature_c is None else temperature_c
    check_range(start, 0.0, 60.0, name="temperature_c")
    script = Timeline(start)
    mount = make_mount(specimen.finger, 1, float(rng.uniform(-2.0e-3, 2.0e-3)))
    item = PROBE
    name = {"hold": "roll"}.get(scenario, scenario.removeprefix("pick-"))
    if scenario not in _BENCH:
        item = draw_object(name, rng)
    if scenario == "hold":
        script_hold(script, rng, duration_s, specimen.finger, item, mount)
    elif scenario in _BENCH:
        writers: dict[str, Any] = {
            "free-bend": script_free_bend,
            "press": script_press,
            "ramps": script_ramps,
            "warm-up": script_warm_up,
            "light-touch": script_light_touch,
        }
        writers[scenario](script, rng, duration_s)
    else:
        cap = _FORCE_CAP_N[name] if force_cap_n is None else check_range(force_cap_n, 0.3, 6.0, name="force_cap_n")
        script_picks(script, rng, duration_s, specimen.finger, item, mount, name, cap)
    count = round(duration_s * rate_hz)
    time = np.arange(count) / rate_hz
    commands = script.sample(time)
    coil_temperature = _lag(commands[:, at.COMMAND_TEMPERATURE], _COIL_LAG_S * rate_hz)
    states, body = new_states(1)
    states[0, at.SOFTENING] = float(rng.uniform(0.1, 0.3)) if scenario == "press" else float(rng.uniform(0.85, 0.98))
    states[0, at.BEND] = specimen.finger.rest_bend_rad
    body[at.STAGE_Z] = -0.5e-3
    bench = scenario in _BENCH
    scan = 1.0 / rate_hz
    substeps = max(1, math.ceil(scan / LONGEST_SUBSTEP_S))
    fingers = (specimen.finger,)
    before = earlier_use(script.first(at.COMMAND_TEMPERATURE), 1, rng, rate_hz)
    run_scans(fingers, states, body, item, mount, before, bench, scan, substeps)
    pieces = _split_at_blocks(time, faults)
    out, out_body = [], []
    for rows, blocked in pieces:
        states[0, at.BLOCK_ANGLE] = states[0, at.BEND] if blocked else 10.0
        # every run starts with the row it was left at, so one row is repeated and dropped
        block = commands[rows]
        lead = np.vstack([block[:1], block]) if rows.start else block
        series, series_body = run_scans(fingers, states, body, item, mount, lead, bench, scan, substeps)
        out.append(series[1:] if rows.start else series)
        out_body.append(series_body[1:] if rows.start else series_body)
    return Run(time, commands, np.concatenate(out), np.concatenate(out_body), coil_temperature, item, mount)


def _split_at_blocks(time_s: Array, faults: Sequence[Fault]) -> list[tuple[slice, bool]]:
    """Cut the recording where something starts or stops holding the finger elsewhere."""
    blocked = np.zeros(len(time_s), dtype=bool)
    for fault in faults:
        if fault.kind == "held_elsewhere":
            blocked |= (time_s >= fault.start_s) & (time_s < fault.end_s)
    edges = [0, *(np.flatnonzero(np.diff(blocked)) + 1).tolist(), len(time_s)]
    return [(slice(a, b), bool(blocked[a])) for a, b in pairwise(edges)]


def _start_temperature(scenario: str, rng: np.random.Generator) -> float:
    if scenario == "free-bend":
        return float(rng.uniform(16.0, 18.0))
    if scenario == "press":
        return float(rng.uniform(20.0, 24.0))
    return float(rng.uniform(17.0, 27.0))


def _lag(values: Array, steps: float) -> Array:
    """Return a first-order lag of a column, settled at its first value."""
    keep = math.exp(-1.0 / steps)
    out, _ = lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(out)


def _read_out(
    scenario: str, specimen: Specimen, run: Run, rng: np.random.Generator, rate_hz: float, faults: Sequence[Fault]
) -> tuple[Recording, Truth]:
    """Pass a run through pad and electronics."""
    readout: ReadoutParameters = specimen.readout
    states = np.ascontiguousarray(run.states[:, 0])
    count = len(run.time_s)
    lid = _lid_distance(run, specimen)
    ideal, loss = pad_series(specimen, states, run.commands[:, at.COMMAND_TEMPERATURE], run.coil_temperature_c, lid)
    channels = ideal.shape[1]
    drift = draw_drift(readout, rng, count, channels, 1.0 / rate_hz)
    gate = readout.gate_share / rate_hz / channels
    noise = rng.standard_normal((count, channels))
    phase = rng.uniform(size=(count, channels))
    coils = count_series(readout, ideal * (1.0 + drift), loss, gate, noise, phase)
    phase_s = float(rng.uniform(0.0, readout.pressure_interval_s))
    pressure = read_pressure(readout, rng, run.time_s, states[:, at.LINE_PRESSURE], phase_s)
    if faults:
        spoiler = CoilFaults(faults)
        for k, moment in enumerate(run.time_s):
            coils[k] = spoiler.spoil_coils(float(moment), coils[k], rng)
            pressure[k] = spoiler.spoil_pressure(float(moment), float(pressure[k]))
    temperature = np.round(run.coil_temperature_c + readout.temperature_noise_k * rng.standard_normal(count), 3)
    force = states[:, at.FORCE_X : at.FORCE_Z + 1].copy()
    bend = states[:, at.BEND].copy()
    reference = force + 4.0e-3 * rng.standard_normal(force.shape) if scenario == "press" else None
    recording = Recording(
        time_s=run.time_s,
        pressure_pa=pressure,
        inductance_h=coils,
        temperature_c=temperature,
        indent_m=states[:, at.INDENT].copy() if scenario == "press" else None,
        force_n=reference,
        bend_rad=bend + 1.5e-3 * rng.standard_normal(count) if scenario == "free-bend" else None,
        source=f"simulated:{scenario}",
    )
    truth = Truth(
        time_s=run.time_s,
        force_n=force,
        bend_rad=bend,
        in_contact=states[:, at.NORMAL] > 0.0,
        slip=slip_flags(states, 1.0 / rate_hz),
    )
    return recording, truth


def _lid_distance(run: Run, specimen: Specimen) -> Array:
    """Return the way from the pad centre to the edge of a steel lid (n,) (m); the lid moves with the jar."""
    far = np.full(len(run.time_s), 1.0)
    if run.item.lid_distance_m > 0.5:
        return far
    bend, x = run.states[:, 0, at.BEND], run.body[:, at.OBJECT_X]
    for k in np.flatnonzero(run.commands[:, at.COMMAND_OBJECT] > 0.5):
        far[k] = run.item.lid_distance_m + lid_way(specimen.finger, float(bend[k]), float(x[k]), run.item, run.mount)
    return far
