"""One simulated finger on a bench, for the simulator's tests: scripts in, states and ideal inductances out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.grasp_scripts import make_mount
from soft_tactile_node.simulation.objects import PROBE
from soft_tactile_node.simulation.sensors import Specimen, pad_series
from soft_tactile_node.simulation.timeline import Timeline
from soft_tactile_node.simulation.world import new_states, run_scans

Array = NDArray[np.float64]
P = at.COMMAND_PRESSURE
RATE_HZ = 500.0


@dataclass(frozen=True)
class Course:
    """What happened: time (n,), commands (n, m), states (n, s)."""

    time_s: Array
    commands: Array
    states: Array

    def column(self, index: int) -> Array:
        """Return one state over time."""
        return self.states[:, index]

    def at_time(self, index: int, time_s: float) -> float:
        """Return one state at a time."""
        return float(self.states[round(time_s * RATE_HZ), index])


def run_bench(specimen: Specimen, script: Timeline, *, used: bool = True, softening: float = 0.95) -> Course:
    """Run a script on the bench; `used` bends the finger fully once before, so that it starts on its usual loop."""
    states, body = new_states(1)
    states[0, at.SOFTENING] = softening
    states[0, at.BEND] = specimen.finger.rest_bend_rad
    body[at.STAGE_Z] = -0.4e-3
    mount = make_mount(specimen.finger, 1)
    fingers = (specimen.finger,)
    if used:
        before = Timeline(22.0)
        before.move(P, 60.0e3, 1.0)
        before.move(P, 0.0, 1.0)
        before.wait(4.0)
        rows = before.sample(np.arange(round(before.now_s * RATE_HZ)) / RATE_HZ)
        run_scans(fingers, states, body, PROBE, mount, rows, True, 1.0 / RATE_HZ, 8)
    time = np.arange(round(script.now_s * RATE_HZ)) / RATE_HZ
    commands = script.sample(time)
    out, _ = run_scans(fingers, states, body, PROBE, mount, commands, True, 1.0 / RATE_HZ, 8)
    return Course(time, commands, np.ascontiguousarray(out[:, 0]))


def ideal_inductance(specimen: Specimen, course: Course) -> Array:
    """Return the inductance of each coil (n, c) (H), without electronics."""
    warm = np.ascontiguousarray(course.commands[:, at.COMMAND_TEMPERATURE])
    return pad_series(specimen, course.states, warm, warm, np.ones(len(warm)))[0]


def press_script(force_n: tuple[float, float, float], *, hold_s: float = 1.0, pressure_pa: float = 0.0) -> Timeline:
    """Return a script that presses from 3 s on, is at the force at 5.5 s, holds it and lifts off again."""
    script = Timeline(22.0)
    script.move(P, pressure_pa, 1.0)
    script.wait(2.0)
    script.put(at.COMMAND_STAGE, 1.0)
    script.put(at.COMMAND_FORCE_Z, 0.01)
    script.wait(0.5)
    script.move(at.COMMAND_FORCE_Z, force_n[2], 1.0)
    script.ramp(at.COMMAND_FORCE_X, force_n[0], 0.5)
    script.move(at.COMMAND_FORCE_Y, force_n[1], 0.5)
    script.wait(0.5 + hold_s)
    script.ramp(at.COMMAND_FORCE_X, 0.0, 0.5)
    script.move(at.COMMAND_FORCE_Y, 0.0, 0.5)
    script.move(at.COMMAND_FORCE_Z, 0.0, 0.5)
    script.put(at.COMMAND_STAGE, 0.0)
    script.wait(2.0)
    return script
