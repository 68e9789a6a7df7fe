"""Compiles the estimator before the first scan comes."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.calibrated import CalibratedFinger
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.samples import Scan


def warm_up(calibration: CalibratedFinger) -> None:
    """Compile, or load from the cache, what a finger with `calibration` needs, so that its first scan is quick."""
    rest = np.array(calibration.tare_inductance_h)
    estimator = Estimator(calibration, tare=Tare(rest, 20.0, 0.0))
    for number in range(2):
        estimator.step(Scan(0.01 * (number + 1), rest, 20.0), 0.0)
