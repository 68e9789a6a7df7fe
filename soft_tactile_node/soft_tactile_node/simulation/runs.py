"""The mechanics of a scenario: its script run from a settled start, before any electronics."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy  # loads its parts when they are used

from soft_tactile_node.checks import check_range
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
from soft_tactile_node.simulation.faults import Fault, base_turn
from soft_tactile_node.simulation.grasp_scripts import make_mount, script_hold, script_picks
from soft_tactile_node.simulation.objects import PROBE, ObjectParameters, draw_object
from soft_tactile_node.simulation.sensors import Specimen
from soft_tactile_node.simulation.specimen import FingerParameters
from soft_tactile_node.simulation.timeline import Timeline
from soft_tactile_node.simulation.world import LONGEST_SUBSTEP_S, new_states, run_scans

BENCH_SCRIPTS: dict[str, Callable[[Timeline, np.random.Generator, float], None]] = {
    "free-bend": script_free_bend,
    "press": script_press,
    "ramps": script_ramps,
    "warm-up": script_warm_up,
    "light-touch": script_light_touch,
}
"""Scenarios without an object; the bench stage stands by."""

_OBJECTS = {"pick-bun": "bun", "pick-roll": "roll", "pick-jar": "jar", "hold": "roll"}
_FORCE_CAP_N = {"bun": 2.5, "roll": 5.0, "jar": 5.0}
_START_C = {"free-bend": (16.0, 18.0), "press": (20.0, 24.0)}
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
    drawn = float(rng.uniform(*_START_C.get(scenario, (17.0, 27.0))))
    script = Timeline(check_range(drawn if temperature_c is None else temperature_c, 0.0, 60.0, name="temperature_c"))
    mount = make_mount(specimen.finger, 1, float(rng.uniform(-2.0e-3, 2.0e-3)))
    item = _write_script(scenario, script, specimen, mount, rng, duration_s, force_cap_n)
    time = np.arange(round(duration_s * rate_hz)) / rate_hz
    commands = script.sample(time)
    commands[:, at.COMMAND_TILT] = base_turn(faults, time)
    states, body = new_states(1)
    states[0, at.SOFTENING] = float(rng.uniform(0.1, 0.3)) if scenario == "press" else float(rng.uniform(0.85, 0.98))
    states[0, at.BEND] = specimen.finger.rest_bend_rad
    body[at.STAGE_Z] = -0.4e-3
    stepper = _Stepper((specimen.finger,), states, body, item, mount, scenario in BENCH_SCRIPTS, 1.0 / rate_hz)
    stepper.run(earlier_use(script.first(at.COMMAND_TEMPERATURE), 1, rng, rate_hz))
    series, series_body = stepper.run_with_blocks(time, commands, faults)
    coil_temperature = _lag(commands[:, at.COMMAND_TEMPERATURE], _COIL_LAG_S * rate_hz)
    return Run(time, commands, series, series_body, coil_temperature, item, mount)


def _write_script(
    scenario: str,
    script: Timeline,
    specimen: Specimen,
    mount: Mount,
    rng: np.random.Generator,
    duration_s: float,
    force_cap_n: float | None,
) -> ObjectParameters:
    """Write the commands of a scenario and return what is gripped or pressed with."""
    if scenario in BENCH_SCRIPTS:
        BENCH_SCRIPTS[scenario](script, rng, duration_s)
        return PROBE
    name = _OBJECTS[scenario]
    item = draw_object(name, rng)
    if scenario == "hold":
        script_hold(script, rng, duration_s, specimen.finger, item, mount)
        return item
    cap = _FORCE_CAP_N[name] if force_cap_n is None else check_range(force_cap_n, 0.3, 6.0, name="force_cap_n")
    script_picks(script, rng, duration_s, specimen.finger, item, mount, name, cap)
    return item


@dataclass
class _Stepper:
    """One finger with everything around it, run piece by piece."""

    fingers: tuple[FingerParameters, ...]
    states: Array
    body: Array
    item: ObjectParameters
    mount: Mount
    bench: bool
    scan_s: float

    def run(self, commands: Array) -> tuple[Array, Array]:
        """Run all rows; the first row is the state before anything moves."""
        substeps = max(1, math.ceil(self.scan_s / LONGEST_SUBSTEP_S))
        return run_scans(
            self.fingers, self.states, self.body, self.item, self.mount, commands, self.bench, self.scan_s, substeps
        )

    def run_with_blocks(self, time_s: Array, commands: Array, faults: Sequence[Fault]) -> tuple[Array, Array]:
        """Run a recording, holding the finger elsewhere where faults say so."""
        out, out_body = [], []
        for rows, blocked in _split_at_blocks(time_s, faults):
            self.states[0, at.BLOCK_ANGLE] = self.states[0, at.BEND] if blocked else at.NO_BLOCK_RAD
            # every run starts with the state it was left in, so one row is repeated and dropped
            block = commands[rows]
            lead = np.vstack([block[:1], block]) if rows.start else block
            series, series_body = self.run(lead)
            out.append(series[1:] if rows.start else series)
            out_body.append(series_body[1:] if rows.start else series_body)
        return np.concatenate(out), np.concatenate(out_body)


def _split_at_blocks(time_s: Array, faults: Sequence[Fault]) -> list[tuple[slice, bool]]:
    """Cut the recording where something starts or stops holding the finger elsewhere."""
    blocked = np.zeros(len(time_s), dtype=bool)
    for fault in faults:
        if fault.kind == "held_elsewhere":
            blocked |= (time_s >= fault.start_s) & (time_s < fault.end_s)
    edges = [0, *(np.flatnonzero(np.diff(blocked)) + 1).tolist(), len(time_s)]
    return [(slice(a, b), bool(blocked[a])) for a, b in pairwise(edges)]


def _lag(values: Array, steps: float) -> Array:
    """Return a first-order lag of a column, settled at its first value."""
    keep = math.exp(-1.0 / steps)
    out, _ = scipy.signal.lfilter([1.0 - keep], [1.0, -keep], values, zi=[keep * values[0]])
    return np.asarray(out)
