"""The estimator scan by scan: what it keeps, and that it goes on with what it was told last."""

from __future__ import annotations

import gc
import sys
import tracemalloc
from pathlib import Path

import numpy as np

from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.estimation.settings import LIGHT, SURE, EstimatorSettings
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.samples import Flag, Scan

CALIBRATION = load_calibration(Path(__file__).resolve().parents[3] / "config" / "calibrations" / "left_finger.yaml")
REST_H = np.array(CALIBRATION.tare_inductance_h)
STEP_S = 0.002


def scan(number: int, pressed: float = 0.0) -> Scan:
    """Return a scan of the finger at rest, or pressed."""
    return Scan(STEP_S * (number + 1), REST_H * (1.0 + pressed), 20.0)


def test_stepping_keeps_no_memory() -> None:
    """A thousand scans later not a byte more is held than before, touches included."""
    estimator = Estimator(CALIBRATION, tare=Tare(REST_H, 20.0, 0.0))
    kept = []

    def run(first: int) -> None:
        for k in range(first, first + 1000):
            estimator.step(scan(k, 0.01 if k % 500 > 300 else 0.0), 0.0)
        gc.collect()

    run(0)
    tracemalloc.start()
    try:
        for turn in range(1, 4):
            run(1000 * turn)
            # the interpreter's own cache of attributes holds some names, at most 4096
            getattr(sys, "_clear_type_cache", lambda: None)()
            # other tests may run in threads of this process meanwhile
            ours = tracemalloc.take_snapshot().filter_traces([tracemalloc.Filter(True, "*/soft_tactile_node/*")])
            kept.append(sum(trace.size for trace in ours.traces))
    finally:
        tracemalloc.stop()
    assert kept[2] == kept[1], kept


def first_touch(before: EstimatorSettings, after: EstimatorSettings) -> int:
    """Return at which scan a slow press is told; the settings change at the first."""
    estimator = Estimator(CALIBRATION, before, tare=Tare(REST_H, 20.0, 0.0))
    estimator.step(scan(0), 0.0)
    estimator.use_settings(after)
    told = (k for k in range(1, 1000) if estimator.step(scan(k, 4e-6 * max(k - 300, 0)), 0.0).estimate.in_contact)
    return next(told)


def test_new_settings_hold_from_the_next_scan() -> None:
    """An estimator that is told other settings under way tells a press when one does that had them from the start."""
    assert first_touch(LIGHT, SURE) == first_touch(SURE, SURE) > first_touch(LIGHT, LIGHT)


def test_a_new_tare_holds_from_the_next_scan() -> None:
    """After a tare at another level the new level reads as no touch; flags of an earlier tare are gone."""
    estimator = Estimator(CALIBRATION, tare_s=0.2, tare=Tare(REST_H, 20.0, 0.0))
    rng = np.random.default_rng(1)
    noise = np.array(CALIBRATION.base.noise)
    assert Flag.TARE_OLD in estimator.step(scan(0), 0.0).estimate.flags
    estimator.request_tare()
    for k in range(1, 400):
        shifted = Scan(STEP_S * (k + 1), REST_H * (1.004 + noise * rng.standard_normal(REST_H.size)), 20.0)
        estimate = estimator.step(shifted, 0.0).estimate
    assert not estimate.in_contact
    assert Flag.TARE_OLD not in estimate.flags
    assert np.abs(estimate.parts.split["contact"]).max() < 0.001
