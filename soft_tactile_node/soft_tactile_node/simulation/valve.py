"""The valve side of a pressure command: refuses what cannot be meant and acts by itself when commands stay away."""

from __future__ import annotations

import math

from soft_tactile_node.errors import RangeError

LEAST_COMMAND_PA = -1000.0
"""A command may be this far below the vented line (gauge Pa): weather and sensor offsets."""


class Valve:
    """Holds the last pressure command of one finger.

    Parameters
    ----------
    timeout_s : float
        Longest gap between commands (s).
    vents : bool
        What to do then: vent (True) or hold the last command.
    most_pa : float
        Highest pressure accepted (gauge Pa).
    """

    def __init__(self, timeout_s: float, vents: bool, most_pa: float) -> None:
        self.change(timeout_s, vents, most_pa)
        self._command_pa = 0.0
        self._time_ns: int | None = None

    def change(self, timeout_s: float, vents: bool, most_pa: float) -> None:
        """Take up new limits: `timeout_s` (s), `vents`, `most_pa` (gauge Pa), as in the class."""
        self._timeout_ns = round(timeout_s * 1e9)
        self._vents = vents
        self._most_pa = most_pa

    def command(self, gauge_pa: float, now_ns: int) -> None:
        """Accept a command.

        Parameters
        ----------
        gauge_pa : float
            Pressure to regulate to (gauge Pa).
        now_ns : int
            The clock (ns).

        Raises
        ------
        RangeError
            NaN or outside the limits; the last command stays, and times out if no good one follows.
        """
        if not (math.isfinite(gauge_pa) and LEAST_COMMAND_PA <= gauge_pa <= self._most_pa):
            raise RangeError(
                f"pressure_command must be {LEAST_COMMAND_PA:g} to {self._most_pa:g} Pa gauge; got {gauge_pa:g}"
            )
        self._command_pa = max(gauge_pa, 0.0)
        self._time_ns = now_ns

    def stood_still(self, lost_ns: int) -> None:
        """Take note that this side has lost `lost_ns` (ns): nobody can have commanded it meanwhile."""
        if self._time_ns is not None:
            self._time_ns += lost_ns

    def opening_pa(self, now_ns: int) -> float:
        """Return the pressure the valve regulates to at `now_ns` (gauge Pa)."""
        if self._time_ns is None:
            return 0.0
        if self._vents and now_ns - self._time_ns > self._timeout_ns:
            return 0.0
        return self._command_pa
