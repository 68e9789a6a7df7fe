"""From parameters to an estimator: the one place where names of parameters meet names of settings."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.estimation.settings import PRESETS, EstimatorSettings

SETTINGS_OF_PARAMETERS = {
    "touch_force": "touch_force_n",
    "false_alarms": "false_alarms_per_minute",
    "overload_force": "overload_n",
}
"""Live thresholds: parameter -> field of the settings; NaN leaves what the sensitivity says."""


def estimator_settings(setting: Callable[[str], Any]) -> EstimatorSettings:
    """Return the estimator's settings from the parameters.

    Parameters
    ----------
    setting : callable
        Returns the value of a parameter by name.

    Returns
    -------
    EstimatorSettings
        The preset of `sensitivity` with the thresholds that were given.
    """
    given = {
        field: setting(name) for name, field in SETTINGS_OF_PARAMETERS.items() if not math.isnan(setting(name))
    }
    return replace(
        PRESETS[setting("sensitivity")],
        pressure_timeout_s=setting("pressure_timeout"),
        coil_timeout_s=setting("coil_timeout"),
        **given,
    )


def make_estimator(calibration: Calibration, setting: Callable[[str], Any]) -> Estimator:
    """Return a fresh estimator that starts with its tare.

    Parameters
    ----------
    calibration : Calibration
        Of this finger.
    setting : callable
        Returns the value of a parameter by name.

    Returns
    -------
    Estimator
        In state TARING.
    """
    return Estimator(calibration, estimator_settings(setting), tare_s=setting("tare_duration"))


def geometry_of(calibration: Calibration) -> tuple[float, float] | None:
    """Return arc length root to pad and neutral line to pad surface (m), or None where the calibration has none."""
    if calibration.geometry is None:
        return None
    return calibration.geometry.root_to_pad_m, calibration.geometry.neutral_to_surface_m
