"""The simulated finger on a bench: a stage presses the pad, a force cell, a camera and a heater stand by."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from soft_tactile_node.checks import check_range, check_shape
from soft_tactile_node.registry import DEFAULT_PAD
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.gripper import Gripper, GripperStep
from soft_tactile_node.simulation.objects import PROBE
from soft_tactile_node.simulation.pad_design import PadDesign

CELL_NOISE_N = 4.0e-3
"""Standard deviation of one reading of the force cell, each axis (N)."""

CAMERA_NOISE_RAD = 1.5e-3
"""Standard deviation of one reading of the bend angle (rad)."""

STAGE_SPEED_M_S = 8.0e-3
COIL_LAG_S = 25.0
HEATING_K_S = 0.2


class Bench(Gripper):
    """One finger below a stage that seeks a force.

    Parameters
    ----------
    seed : int
        Picks specimen and noise, >= 0; the same seed gives the specimen of `simulate` and `Gripper`.
    pad : str or PadDesign
        As in Gripper.
    rate_hz : float
        Scans per second (Hz), 20 to 5000.
    temperature_c : float or None
        As in Gripper.
    run_in : float
        How far the pad is run in (1): 0 new, 1 fully.

    Raises
    ------
    RangeError
        An argument is out of range; the message names it.
    """

    _on_bench = True

    def __init__(
        self,
        seed: int = 0,
        pad: str | PadDesign = DEFAULT_PAD,
        rate_hz: float = 500.0,
        *,
        temperature_c: float | None = None,
        run_in: float = 0.8,
    ) -> None:
        super().__init__(("finger",), "none", seed, pad, rate_hz, temperature_c=temperature_c)
        self._cell = np.random.default_rng([seed, 5417])
        self._item = PROBE
        self._body[at.STAGE_Z] = -0.4e-3
        self._row[at.COMMAND_SPEED] = STAGE_SPEED_M_S
        self._states[0, at.SOFTENING] = check_range(run_in, 0.0, 1.0, name="run_in")
        self._wanted_c = self._temperature_c

    def press(self, force_n: Sequence[float] | None, place_m: Sequence[float] = (0.0, 0.0)) -> None:
        """Let the stage seek a force from the next step on.

        Parameters
        ----------
        force_n : sequence of float or None
            Force on the pad, x, y, z in the pad frame (N); None = the stage keeps off.
        place_m : sequence of float
            Where it presses, x and y from the middle of the pad (m); moved only while the stage is off.

        Raises
        ------
        ShapeError, RangeError
            Wrong length, not finite, a normal force outside 0 to 20 N or a place off the pad.
        """
        self._row[at.COMMAND_STAGE] = 0.0 if force_n is None else 1.0
        if force_n is None:
            self._row[at.COMMAND_FORCE_X : at.COMMAND_FORCE_Z + 1] = 0.0
            return
        x, y, z = check_shape(force_n, (3,), name="force_n")
        self._row[at.COMMAND_FORCE_X] = check_range(x, -20.0, 20.0, name="force_n[0]")
        self._row[at.COMMAND_FORCE_Y] = check_range(y, -20.0, 20.0, name="force_n[1]")
        self._row[at.COMMAND_FORCE_Z] = check_range(z, 0.0, 20.0, name="force_n[2]")
        if self._states[0, at.NORMAL] <= 0.0:
            across, along = at.COMMAND_OFFSET_X, at.COMMAND_OFFSET_Y
            place = check_shape(place_m, (2,), name="place_m")
            self._row[across] = check_range(float(place[0]), -10e-3, 10e-3, name="place_m[0]")
            self._row[along] = check_range(float(place[1]), -10e-3, 10e-3, name="place_m[1]")

    def heat(self, temperature_c: float) -> None:
        """Let the surroundings go to `temperature_c` (0 to 60 degC, or RangeError) at 0.2 K/s; coils follow slowly."""
        self._wanted_c = check_range(temperature_c, 0.0, 60.0, name="temperature_c")

    def step(self, pressure_command_pa: Sequence[float], lift_m: float = 0.0) -> GripperStep:
        """Advance by one scan period: `pressure_command_pa` (Pa), `lift_m` (m), errors and result as in Gripper."""
        most = HEATING_K_S * self.scan_s
        warm = float(self._row[at.COMMAND_TEMPERATURE])
        warm += min(max(self._wanted_c - warm, -most), most)
        self._row[at.COMMAND_TEMPERATURE] = warm
        self._temperature_c += (warm - self._temperature_c) * -math.expm1(-self.scan_s / COIL_LAG_S)
        return super().step(pressure_command_pa, lift_m)

    def reference_force(self, step: GripperStep) -> Array:
        """Return what the force cell reads at `step`: force on the pad, pad frame (N), shape (3,)."""
        return np.asarray(step.truths[0].force_n + CELL_NOISE_N * self._cell.standard_normal(3))

    def reference_bend(self, step: GripperStep) -> float:
        """Return the bend (rad) that the camera reads at `step`."""
        return step.truths[0].bend_rad + CAMERA_NOISE_RAD * float(self._cell.standard_normal())
