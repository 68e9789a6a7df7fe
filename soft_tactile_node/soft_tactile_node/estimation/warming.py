"""Compiles the estimator before the first scan comes."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.estimation.types import CalibratedFinger
from soft_tactile_node.samples import Scan


def warm_up(calibration: CalibratedFinger) -> None:
    """Compile (or load from the user's cache) what a scan needs, so that the first scan is as quick as the others.

    Parameters
    ----------
    calibration : CalibratedFinger
        Any that will be used.
    """
    rest = np.array(calibration.tare_inductance_h)
    estimator = Estimator(calibration, tare=Tare(rest, 20.0, 0.0))
    for number in range(2):
        estimator.step(Scan(0.01 * (number + 1), rest, 20.0), 0.0)
