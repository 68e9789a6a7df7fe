"""When a finger should be calibrated again, and why; told from its calibration, its tare and its use."""

from __future__ import annotations

import math
from datetime import date

from soft_tactile_node.calibration.judgement import OLD_DAYS, describe_calibration
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.estimation.tare import Tare, find_moved
from soft_tactile_node.samples import Flag

OUTSIDE_SHARE = 0.1
"""Share of scans beyond the calibrated range that is worth a wider calibration (1)."""

MARGIN_K = 5.0
"""How far outside the calibrated temperatures a tare may lie (K)."""

MEMORY_S = 600.0
"""Over what time use is judged (s)."""


class RangeUse:
    """How often the finger has been used beyond its calibrated range lately."""

    def __init__(self) -> None:
        self._time_s = math.nan
        self._seen_s = 0.0
        self._outside_s = 0.0

    def add(self, time_s: float, flags: Flag) -> None:
        """Count a scan at `time_s` (s) with the flags of its estimate."""
        step_s = time_s - self._time_s
        self._time_s = time_s
        if not 0.0 < step_s < 1.0:
            return
        keep = math.exp(-step_s / MEMORY_S)
        self._seen_s = keep * self._seen_s + step_s
        self._outside_s = keep * self._outside_s + (step_s if Flag.OUT_OF_RANGE in flags else 0.0)

    @property
    def outside(self) -> float:
        """Share of the time beyond the range (1); 0 until there has been a minute."""
        return self._outside_s / self._seen_s if self._seen_s > 60.0 else 0.0


def measured_reasons(calibration: Calibration, tare: Tare | None, outside: float) -> list[str]:
    """Return why the finger as it is now should be calibrated again.

    Parameters
    ----------
    calibration : Calibration
        In use.
    tare : Tare or None
        In use.
    outside : float
        Share of the time beyond the calibrated range (1).

    Returns
    -------
    list of str
        One reason each; empty = none.
    """
    reasons = list(describe_calibration(calibration, calibration.made_on).problems)
    if tare is not None:
        reasons += find_moved(tare, calibration.tare_inductance_h)
        known = calibration.ranges.temperature_c
        if known is not None and not math.isnan(tare.temperature_c):
            away = max(known[0] - tare.temperature_c, tare.temperature_c - known[1])
            if away > MARGIN_K:
                reasons.append(
                    f"used at {tare.temperature_c:.0f} degC, calibrated at {known[0]:.0f} to {known[1]:.0f} degC"
                )
    if outside > OUTSIDE_SHARE:
        reasons.append(f"beyond the calibrated range for {100.0 * outside:.0f} % of the last minutes")
    return reasons


def age_days(calibration: Calibration, today: date) -> int | None:
    """Return the age of a calibration in days; None where it carries no date."""
    return describe_calibration(calibration, today).age_days


def age_reason(calibration: Calibration, today: date) -> list[str]:
    """Return that a calibration is old, if it is; age alone is no fault."""
    age = age_days(calibration, today)
    return [f"{age} days old"] if age is not None and age > OLD_DAYS else []
