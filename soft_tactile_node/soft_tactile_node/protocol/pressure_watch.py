"""Watches the pressure during a guided calibration: below the limit, following its command, not missing."""

from __future__ import annotations

import math

from soft_tactile_node.calibration.preparation import REST_PRESSURE_PA
from soft_tactile_node.errors import CalibrationError

OVERSHOOT = 0.05
"""Share by which a regulator may overshoot the limit (1)."""

OVER_LIMIT_READINGS = 3
"""Readings in a row above the limit that end the calibration."""

FOLLOW_S = 3.0
"""How long the pressure may stay far below its command (s)."""


class PressureWatch:
    """Judges readings against the limit and the command.

    Parameters
    ----------
    max_pressure_pa : float
        Highest pressure that may be (gauge Pa).
    timeout_s : float
        Longest gap between readings (s).
    """

    def __init__(self, max_pressure_pa: float, timeout_s: float) -> None:
        self._limit_pa = max_pressure_pa
        self._timeout_s = timeout_s
        self._over = 0
        self._last_s = -math.inf
        self._pressure_pa = math.nan
        self._behind_since_s = math.inf

    @property
    def is_vented(self) -> bool:
        """Whether the last reading was within 1 kPa of the vented line."""
        return abs(self._pressure_pa) <= REST_PRESSURE_PA

    def start(self, time_s: float) -> None:
        """Count gaps from `time_s` (s)."""
        self._last_s = max(self._last_s, time_s)

    def add(self, time_s: float, pressure_pa: float) -> None:
        """Take `pressure_pa` (gauge Pa) of `time_s` (s); CalibrationError: several in a row above the limit."""
        self._last_s = max(self._last_s, time_s)
        self._pressure_pa = pressure_pa
        limit_pa = (1.0 + OVERSHOOT) * self._limit_pa + REST_PRESSURE_PA
        self._over = 0 if pressure_pa <= limit_pa else self._over + 1
        if self._over >= OVER_LIMIT_READINGS:
            raise CalibrationError(
                f"the pressure is {pressure_pa / 1000:.1f} kPa, the limit {self._limit_pa / 1000:.1f} kPa; check the "
                "valve and its regulator"
            )

    def check(self, time_s: float, command_pa: float) -> None:
        """Compare with `command_pa` (gauge Pa) at `time_s` (s); CalibrationError: no reading, or not followed."""
        if time_s - self._last_s > self._timeout_s:
            raise CalibrationError(f"no pressure reading for {self._timeout_s:g} s; check the pressure sensor")
        behind = command_pa > 0.3 * self._limit_pa and not self._pressure_pa > 0.5 * command_pa
        self._behind_since_s = min(self._behind_since_s, time_s) if behind else math.inf
        if time_s - self._behind_since_s > FOLLOW_S:
            raise CalibrationError(
                f"the pressure does not follow: {command_pa / 1000:.1f} kPa wanted, "
                f"{self._pressure_pa / 1000:.1f} kPa read; check supply and valve"
            )
