"""A command script: knots of each command column over time, sampled at the scans."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at

_STEPPED = (at.COMMAND_OBJECT, at.COMMAND_STAGE)


class Timeline:
    """Commands of one recording, written as holds and ramps one after the other.

    Parameters
    ----------
    temperature_c : float
        Temperature at the start (degC).
    fingers : int
        Number of pressure columns (1).

    Attributes
    ----------
    now_s : float
        Time up to which the script is written (s); scripts move it on with `wait`.
    """

    def __init__(self, temperature_c: float, fingers: int = 1) -> None:
        self.now_s = 0.0
        self.columns = at.COMMAND_PRESSURE + fingers
        self._knots: list[list[tuple[float, float]]] = [[(0.0, 0.0)] for _ in range(self.columns)]
        self._knots[at.COMMAND_TEMPERATURE] = [(0.0, temperature_c)]
        self._knots[at.COMMAND_SPEED] = [(0.0, 8.0e-3)]
        self._fresh: list[float] = []

    def wait(self, duration_s: float) -> None:
        """Move on in time by `duration_s` (s)."""
        self.now_s += duration_s

    def first(self, column: int) -> float:
        """Return the value that `column`, a COMMAND_ index, starts with, in its unit."""
        return self._knots[column][0][1]

    def last(self, column: int) -> float:
        """Return the value that `column`, a COMMAND_ index, has reached, in its unit."""
        return self._knots[column][-1][1]

    def put(self, column: int, value: float) -> None:
        """Let `column`, a COMMAND_ index, step to `value`, in its unit, now."""
        knots = self._knots[column]
        knots.append((self.now_s, knots[-1][1]))
        knots.append((self.now_s, value))

    def ramp(self, column: int, value: float, duration_s: float) -> None:
        """Let `column` move to `value` within `duration_s` (s) from now on, without moving on in time."""
        knots = self._knots[column]
        knots.append((self.now_s, knots[-1][1]))
        knots.append((self.now_s + duration_s, value))

    def warm(self, by_k: float, duration_s: float) -> None:
        """Let the temperature change by `by_k` (K) within `duration_s` (s) from now on."""
        self.ramp(at.COMMAND_TEMPERATURE, self.last(at.COMMAND_TEMPERATURE) + by_k, duration_s)

    def aim(self, x_m: float, y_m: float) -> None:
        """Let what presses meet the pad `x_m` along and `y_m` across from its middle (m) from now on."""
        self.put(at.COMMAND_OFFSET_X, x_m)
        self.put(at.COMMAND_OFFSET_Y, y_m)

    def move(self, column: int, value: float, duration_s: float) -> None:
        """Ramp `column` to `value` within `duration_s` (s) and wait until it is there."""
        self.ramp(column, value, duration_s)
        self.wait(duration_s)

    def place_object(self) -> None:
        """Put a fresh object on the tray now."""
        self._fresh.append(self.now_s)
        self.put(at.COMMAND_OBJECT, 1.0)

    def remove_object(self) -> None:
        """Take the object away now."""
        self.put(at.COMMAND_OBJECT, 0.0)

    def sample(self, time_s: Array) -> Array:
        """Return the commands, shape (n, columns), each in its unit, at `time_s`, shape (n,), increasing (s)."""
        rows = np.empty((len(time_s), self.columns))
        for column, knots in enumerate(self._knots):
            times = np.array([knot[0] for knot in knots])
            values = np.array([knot[1] for knot in knots])
            if column in _STEPPED:
                rows[:, column] = values[np.searchsorted(times, time_s, side="right") - 1]
            else:
                rows[:, column] = np.interp(time_s, times, values)
        for moment in self._fresh:
            row = int(np.searchsorted(time_s, moment))
            if row < len(time_s):
                rows[row, at.COMMAND_OBJECT] = 2.0
        return rows
