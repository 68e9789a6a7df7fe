"""The bench protocol as a guided calibration follows it: pressure over time, and one press after the other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.protocol.plan import make_plan
from soft_tactile_node.protocol.plan_parts import PlannedRecording, Waypoint
from soft_tactile_node.protocol.plan_presses import GOLDEN
from soft_tactile_node.samples import Array

PLACE_M = 2.0e-3
"""How far from the middle of the pad a press may be asked for whose place the plan does not state (m)."""

LEAST_N = 1.0e-3
"""Least normal force a stage is asked for (N): the place is told as a torque, and without a force there is none."""

SHEAR_SHARE = 0.3
"""Highest shear over the highest normal force, where nobody says what the pad carries (1)."""


@dataclass(frozen=True)
class Sweep:
    """Pressure to command over time, without anything near the finger.

    Attributes
    ----------
    name : str
        Name of the recording.
    time_s : numpy.ndarray, shape (n,)
        Knots since the start of the recording (s), not falling.
    pressure_pa : numpy.ndarray, shape (n,)
        Pressure at the knots (gauge Pa); straight lines between them.
    warms : bool
        Whether finger and coils are to warm up meanwhile.
    """

    name: str
    time_s: Array
    pressure_pa: Array
    warms: bool

    @property
    def duration_s(self) -> float:
        """Length (s)."""
        return float(self.time_s[-1])

    def pressure_at(self, time_s: float) -> float:
        """Return the pressure to command (gauge Pa) at `time_s` (s); past the end it begins anew."""
        return float(np.interp(time_s % self.duration_s, self.time_s, self.pressure_pa))


@dataclass(frozen=True)
class Press:
    """One press on the pad, from the first touch to the rest after letting go.

    Attributes
    ----------
    settle_s : float
        Time to go to the first pressure and settle there before (s).
    time_s : numpy.ndarray, shape (n,)
        Knots since the press began (s), not falling.
    pressure_pa : numpy.ndarray, shape (n,)
        Pressure at the knots (gauge Pa); it rises with the force where the finger squeezes a stop.
    force_n : numpy.ndarray, shape (n, 3)
        Force at the knots, pad frame (N); zero at both ends.
    rest_s : float
        Time to keep off afterwards (s).
    place_m : tuple of float
        Where to press, x and y from the middle of the pad (m).
    """

    settle_s: float
    time_s: Array
    pressure_pa: Array
    force_n: Array
    rest_s: float
    place_m: tuple[float, float]

    @property
    def duration_s(self) -> float:
        """Time it takes with its rest when it is done as asked (s)."""
        return float(self.time_s[-1]) + self.rest_s

    @property
    def peak_n(self) -> float:
        """Highest normal force (N)."""
        return float(self.force_n[:, 2].max())

    @property
    def push_n(self) -> Array:
        """Largest shear, shape (2,) (N)."""
        shear = self.force_n[:, :2]
        return np.asarray(shear[int(np.argmax(np.linalg.norm(shear, axis=1)))])

    @property
    def hold_s(self) -> float:
        """Longest stretch of unchanged force (s)."""
        still = np.abs(np.diff(self.force_n, axis=0)).max(axis=1) == 0.0
        return float(np.max(np.diff(self.time_s) * still, initial=0.0))

    @property
    def squeezes(self) -> bool:
        """Whether pressure and force rise together, as in a grasp."""
        return bool(np.ptp(self.pressure_pa) > 0.0)

    def pressure_at(self, time_s: float) -> float:
        """Return the pressure to command (gauge Pa) `time_s` (s) after the beginning."""
        return float(np.interp(time_s, self.time_s, self.pressure_pa))

    def force_at(self, time_s: float) -> tuple[float, float, float] | None:
        """Return the force to press with (N, pad frame) `time_s` (s) after the beginning; None = keep off the pad."""
        if not 0.0 <= time_s < self.time_s[-1]:
            return None
        x, y, z = (float(np.interp(time_s, self.time_s, self.force_n[:, axis])) for axis in range(3))
        return x, y, max(z, LEAST_N)

    def instruction(self) -> str:
        """Return what the person at the bench has to do."""
        begin = "hold a stop against the pad: pressure rises and squeezes it" if self.squeezes else "press"
        text = f"{begin} to {self.peak_n:.2g} N {_place_in_words(self.place_m)}"
        x, y = self.push_n
        if x or y:
            text += f", then push {math.hypot(x, y):.2g} N {_direction_in_words(x, y)} and back"
        turns = self._turns()
        if turns:
            text += f", go through {', '.join(f'{turn:.2g}' for turn in turns)} N without leaving the pad"
        if self.hold_s > 2.0:
            text += f", hold for {self.hold_s:.0f} s"
        return text + ", and let go"

    def _turns(self) -> list[float]:
        """Return the normal forces at which the press turns round while it stays on the pad (N)."""
        normal = self.force_n[:, 2]
        slope = np.sign(np.diff(normal))
        turns = [float(normal[k]) for k in range(1, len(normal) - 1) if slope[k - 1] * slope[k] < 0.0]
        return turns[1:]


def bench_path(
    max_pressure_pa: float, full_force_n: float, channels: int, *, with_temperature: bool = False
) -> tuple[tuple[Sweep, ...], tuple[Press, ...]]:
    """Return the bench protocol of `soft-tactile calibrate --plan` as sweeps and single presses.

    Parameters
    ----------
    max_pressure_pa : float
        Highest pressure (gauge Pa), > 0.
    full_force_n : float
        Highest normal force (N), > 0.
    channels : int
        Coil channels; with fewer than three, shear cannot be told apart and is left out.
    with_temperature : bool
        Whether the recording with a change of temperature is made, too.

    Returns
    -------
    sweeps : tuple of Sweep
        Free-bend recordings, each beginning with rest.
    presses : tuple of Press
        The press recording, after its rest.

    Raises
    ------
    RangeError
        Pressure or force is not positive.
    """
    check_range(max_pressure_pa, 0.0, name="max_pressure_pa", open_low=True)
    check_range(full_force_n, 0.0, name="full_force_n", open_low=True)
    plan = make_plan(shear=channels >= 3)
    sweeps, presses = [], []
    for recording in plan.recordings:
        if recording.kind == "press":
            presses += _split_presses(recording, max_pressure_pa, full_force_n)
        elif with_temperature or not recording.optional:
            time_s = np.array([point.time_s for point in recording.path])
            pressure_pa = max_pressure_pa * np.array([point.pressure for point in recording.path])
            sweeps.append(Sweep(recording.name, time_s, pressure_pa, recording.warming_k > 0.0))
    if not sweeps or not presses:
        raise CalibrationError("the bench protocol must have sweeps and presses")
    return tuple(sweeps), tuple(presses)


def _split_presses(recording: PlannedRecording, max_pressure_pa: float, full_force_n: float) -> list[Press]:
    """Cut the path of a press recording at the moments when the pad is left."""
    path = recording.path
    found: list[Press] = []
    free_from = 0
    for first in range(len(path) - 1):
        if path[first].normal == 0.0 and path[first + 1].normal > 0.0:
            last = next(k for k in range(first + 1, len(path)) if path[k].normal == 0.0)
            found.append(_one_press(path, free_from, first, last, max_pressure_pa, full_force_n, len(found)))
            free_from = last
    return found


def _one_press(
    path: tuple[Waypoint, ...], left: int, first: int, last: int, most_pa: float, full_n: float, number: int
) -> Press:
    start = path[first]
    settles = path[left].pressure != start.pressure
    rest_until = next((k for k in range(last, len(path)) if path[k].pressure != start.pressure), len(path)) - 1
    following = next((k for k in range(last, len(path) - 1) if path[k + 1].normal > 0.0), len(path) - 1)
    force = np.array([(p.shear_x * SHEAR_SHARE, p.shear_y * SHEAR_SHARE, p.normal) for p in path[first : last + 1]])
    return Press(
        settle_s=start.time_s - path[left].time_s if settles else 0.0,
        time_s=np.array([p.time_s - start.time_s for p in path[first : last + 1]]),
        pressure_pa=most_pa * np.array([p.pressure for p in path[first : last + 1]]),
        force_n=full_n * force,
        rest_s=path[min(rest_until, following)].time_s - path[last].time_s,
        place_m=start.place_m or _place_near_middle(number, sheared=bool(np.any(force[:, :2]))),
    )


def _place_near_middle(number: int, *, sheared: bool) -> tuple[float, float]:
    """Return the place of the press of a number (m), where the plan does not state it."""
    # a sheared pad is pressed in the middle: off it, shear and place look alike
    reach_m = 0.0 if sheared else PLACE_M
    x, y = (2.0 * ((part + (number + 1) * GOLDEN * (1 + part)) % 1.0) - 1.0 for part in (0.0, 0.5))
    return reach_m * x, reach_m * y


def _place_in_words(place_m: tuple[float, float]) -> str:
    x_mm, y_mm = round(1e3 * place_m[0]), round(1e3 * place_m[1])
    words = []
    if x_mm:
        words.append(f"{abs(x_mm)} mm towards the {'tip' if x_mm > 0 else 'root'}")
    if y_mm:
        words.append(f"{abs(y_mm)} mm to {'+y' if y_mm > 0 else '-y'}")
    return f"({' and '.join(words)} from the middle)" if words else "(in the middle)"


def _direction_in_words(x: float, y: float) -> str:
    if abs(x) > 2.0 * abs(y):
        return "towards the tip" if x > 0 else "towards the root"
    if abs(y) > 2.0 * abs(x):
        return "to +y" if y > 0 else "to -y"
    return f"at {math.degrees(math.atan2(y, x)):.0f} degrees from the tip"
