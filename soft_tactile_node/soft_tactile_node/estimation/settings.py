"""What a user may choose about the estimator, with two named presets."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from soft_tactile_node.checks import check_range


@dataclass(frozen=True)
class EstimatorSettings:
    """Choices of the user; everything else comes from the calibration.

    Attributes
    ----------
    touch_force_n : float
        Smallest force claimed as a touch (N), > 0.
    false_alarms_per_minute : float
        Rate of false touches the thresholds aim at while nothing touches (1/min), > 0.
    overload_n : float
        Force above which an overload is reported (N); infinite = the highest calibrated force.
    pressure_timeout_s : float
        Longest gap between pressure readings before the pressure counts as lost (s).
    coil_timeout_s : float
        Longest gap between scans before the stream counts as stale (s).
    """

    touch_force_n: float = 0.03
    false_alarms_per_minute: float = 0.1
    overload_n: float = math.inf
    pressure_timeout_s: float = 0.25
    coil_timeout_s: float = 0.1

    def __post_init__(self) -> None:
        for name in ("touch_force_n", "false_alarms_per_minute", "overload_n", "pressure_timeout_s", "coil_timeout_s"):
            if name != "overload_n" or self.overload_n != math.inf:
                check_range(getattr(self, name), 0.0, name=name, open_low=True)


LIGHT = EstimatorSettings()
"""Finds touches of 0.05 N; at most 0.1 false touches a minute of contact-free time."""

SURE = replace(LIGHT, touch_force_n=0.12, false_alarms_per_minute=1.0 / 60.0)
"""Finds touches of 0.2 N; at most one false touch an hour of contact-free time."""

PRESETS = {"light": LIGHT, "sure": SURE}
"""Presets by name."""
