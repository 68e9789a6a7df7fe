"""One specimen with all its tables, and the script of what is done to it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from second_finger.chain import ACTUATION, FORCE, ChainTables, tabulate_chain
from second_finger.disc_pad import DiscPad, make_disc_pad
from second_finger.laws import AMBIENT_C, FAR, INPUTS, OUTPUTS, Laws, make_laws
from second_finger.metal_pad import MetalPad, make_metal_pad
from second_finger.specimen import IRON_DISC, Specimen, draw_specimen
from second_finger.stepping import actuation, pad_force, run

Array = NDArray[np.float64]

KNOT_S = 5e-3
ROUGHNESS_DRAWS = 1 << 18
REST = {
    "command_pa": 0.0,
    "surface_m": FAR,
    "object_stiffness": 6e4,
    "drive_x_m": 0.0,
    "drive_y_m": 0.0,
    "hold_stiffness": 1500.0,
    "friction": 1.0,
    "off_x_m": 0.0,
    "off_y_m": 0.0,
    "flank_m": FAR,
    "tip_m": FAR,
    "gravity_x": 0.0,
    "gravity_z": 0.0,
    "temperature_c": AMBIENT_C,
    "lid": 0.0,
}


class Script:
    """What is done to the finger, as knots of all inputs every 5 ms.

    `relative` knots give the object's surface relative to where the finger would be without that object; they are
    resolved by running the world once without them.
    """

    def __init__(self, temperature_c: float = AMBIENT_C) -> None:
        self.state = dict(REST, temperature_c=temperature_c)
        self.relative = False
        self._rows: list[Array] = [np.array([[self.state[name] for name in INPUTS]])]
        self._relative: list[NDArray[np.bool_]] = [np.array([False])]

    @property
    def duration_s(self) -> float:
        """Length so far (s)."""
        return (sum(len(rows) for rows in self._rows) - 1) * KNOT_S

    def jump(self, **targets: float) -> Script:
        """Set inputs at once."""
        self.state.update(targets)
        return self

    def to(self, duration_s: float, shape: str = "smooth", **targets: float) -> Script:
        """Move inputs to targets within a duration: `smooth` (cosine), `linear`, or `there_and_back`."""
        n = max(round(duration_s / KNOT_S), 1)
        s = np.arange(1, n + 1) / n
        if shape == "smooth":
            s = 0.5 - 0.5 * np.cos(np.pi * s)
        elif shape == "there_and_back":
            s = 1.0 - np.abs(2.0 * s - 1.0)
        rows = np.tile([self.state[name] for name in INPUTS], (n, 1))
        for name, value in targets.items():
            column = INPUTS.index(name)
            rows[:, column] = self.state[name] + s * (value - self.state[name])
            self.state[name] = float(rows[-1, column])
        self._rows.append(rows)
        self._relative.append(np.full(n, self.relative))
        return self

    def wait(self, duration_s: float) -> Script:
        """Hold everything."""
        return self.to(duration_s)

    def follow(self, name: str, values: Array) -> Script:
        """Give one input knot by knot."""
        rows = np.tile([self.state[key] for key in INPUTS], (len(values), 1))
        rows[:, INPUTS.index(name)] = values
        self.state[name] = float(values[-1])
        self._rows.append(rows)
        self._relative.append(np.full(len(values), self.relative))
        return self

    def knots(self) -> tuple[Array, NDArray[np.bool_]]:
        """Inputs (k, inputs) and which knots are relative (k,)."""
        return np.concatenate(self._rows), np.concatenate(self._relative)


@dataclass(frozen=True)
class World:
    """A specimen with its solved tables."""

    specimen: Specimen
    chain: ChainTables
    laws: Laws
    sensing: DiscPad | MetalPad

    def travel(self, pressure_pa: float, force_n: float = 0.0) -> float:
        """Rough static travel (m) under a pressure and a force at the pad, memory at its middle."""
        s = self.specimen
        a = actuation(pressure_pa, self.laws, AMBIENT_C)
        a -= min(a, 1.0) * (0.8 * s.hysteresis + 0.6 * s.creep_share)
        column = np.array([np.interp(a, ACTUATION, self.chain.travel[0][:, j]) for j in range(len(FORCE))])
        return float(np.interp(force_n, FORCE, column))

    def compression(self, force_n: float) -> float:
        """Settled pad compression (m) under a force (N)."""
        s = self.specimen
        k = s.pad_stiffness * (1.0 - s.run_in_loss) * (1.0 - s.relax_shares[:3].sum())
        return float(brentq(lambda d: pad_force(d, k, s.pad_quadratic, s.pad_cubic)[0] - force_n, 0.0, 8e-3))

    def indentation(self, pressure_pa: float, force_n: float, object_stiffness: float) -> float:
        """How far (m) an object must come in beyond the free finger's place for a force (N)."""
        give = self.travel(pressure_pa) - self.travel(pressure_pa, force_n)
        return give + self.compression(force_n) + (force_n / object_stiffness) ** (2.0 / 3.0)

    def closing_pressure(self, surface_m: float, force_n: float, object_stiffness: float) -> float:
        """Pressure (Pa) that presses with a force (N) on an object at a place (m); at most 60 kPa."""
        depth = self.compression(force_n) + (force_n / object_stiffness) ** (2.0 / 3.0)
        if self.travel(60e3, force_n) < surface_m + depth:
            return 60e3
        return float(brentq(lambda p: self.travel(p, force_n) - surface_m - depth, 0.0, 60e3))

    def play(self, script: Script, scan_times: Array, run_in_j: float, seed: int) -> tuple[dict[str, Array], float]:
        """Run a script and return the world at the scan times by output name, and the run-in work afterwards."""
        knots, relative = script.knots()
        roughness = np.random.default_rng(seed).normal(size=ROUGHNESS_DRAWS)
        surface = INPUTS.index("surface_m")
        if relative.any():
            without = knots.copy()
            without[relative, surface] = FAR
            times = np.arange(len(knots)) * KNOT_S
            free, _ = run(self.laws, without, KNOT_S, times, run_in_j, roughness)
            knots[relative, surface] += free[relative, OUTPUTS.index("travel_m")]
        out, work = run(self.laws, knots, KNOT_S, scan_times, run_in_j, roughness)
        return dict(zip(OUTPUTS, out.T, strict=True)), work


@lru_cache(maxsize=4)
def make_world(pad: str, seed: int) -> World:
    """Draw a specimen and solve its tables (some seconds).

    Parameters
    ----------
    pad : str
        `iron_disc` or `liquid_metal`.
    seed : int
        Picks the specimen.
    """
    specimen = draw_specimen(pad, seed)
    chain = tabulate_chain(specimen)
    sensing = make_disc_pad(specimen) if pad == IRON_DISC else make_metal_pad(specimen)
    return World(specimen, chain, make_laws(specimen, chain), sensing)
