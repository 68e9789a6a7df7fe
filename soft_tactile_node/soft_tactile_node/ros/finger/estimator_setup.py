"""From parameters to an estimator: the one place where names of parameters meet names of settings."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.estimation.settings import PRESETS, EstimatorSettings
from soft_tactile_node.estimation.tare import Tare

SETTINGS_OF_PARAMETERS = {
    "touch_force": "touch_force_n",
    "false_alarms": "false_alarms_per_minute",
    "overload_force": "overload_n",
}
"""Live thresholds: parameter -> field of the settings; NaN leaves what the sensitivity says."""


def estimator_settings(setting: Callable[[str], Any]) -> EstimatorSettings:
    """Return the preset of `sensitivity` with the given thresholds; `setting` returns a parameter by name."""
    given = {field: setting(name) for name, field in SETTINGS_OF_PARAMETERS.items() if not math.isnan(setting(name))}
    return replace(
        PRESETS[setting("sensitivity")],
        pressure_timeout_s=setting("pressure_timeout"),
        coil_timeout_s=setting("coil_timeout"),
        **given,
    )


def make_estimator(calibration: Calibration, tare: Tare | None, setting: Callable[[str], Any]) -> Estimator:
    """Return a fresh estimator.

    Parameters
    ----------
    calibration : Calibration
        Of this finger.
    tare : Tare or None
        An earlier tare to go on with; None = start with a new one.
    setting : callable
        Returns the value of a parameter by name.

    Returns
    -------
    Estimator
        In state TARING unless an earlier tare was given.
    """
    return Estimator(calibration, estimator_settings(setting), tare_s=setting("tare_duration"), tare=tare)


def load_for(path: str, setting: Callable[[str], Any]) -> Calibration:
    """Return a calibration that the node can use.

    Parameters
    ----------
    path : str
        Calibration file.
    setting : callable
        Returns the value of a parameter by name.

    Returns
    -------
    Calibration
        Checked against `pad_serial` and `wrench_frame`.

    Raises
    ------
    CalibrationError
        The file is none, is that of another pad, or lacks what the parameters need; says which and why.
    """
    calibration = load_calibration(path)
    wanted = setting("pad_serial")
    if wanted and calibration.serial != wanted:
        got = f"serial {calibration.serial}" if calibration.serial else "no serial"
        raise CalibrationError(f"{path}: must be of the pad with serial {wanted} (parameter 'pad_serial'); has {got}")
    if setting("wrench_frame") == "root" and calibration.geometry is None:
        raise CalibrationError(f"{path}: has no geometry; parameter 'wrench_frame' must be pad then; got 'root'")
    return calibration


def geometry_of(calibration: Calibration) -> tuple[float, float] | None:
    """Return arc length root to pad and neutral line to pad surface (m), or None where the calibration has none."""
    if calibration.geometry is None:
        return None
    return calibration.geometry.root_to_pad_m, calibration.geometry.neutral_to_surface_m
