"""Each channel's signal split into bending, contact and drift, as the estimator splits it scan by scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array, Scan


@dataclass(frozen=True, eq=False)
class SplitSignals:
    """Parts of each channel's relative change; change = bending + contact + drift.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        Time (s).
    change, bending, free_bending, contact, drift : numpy.ndarray, shape (n, c)
        Relative change since the tare and its parts (1); NaN while taring.
    """

    time_s: Array
    change: Array
    bending: Array
    free_bending: Array
    contact: Array
    drift: Array


def split_signals(calibration: Calibration, recording: Recording, longest_s: float = 120.0) -> SplitSignals:
    """Run the estimator scan by scan and keep how it splits each channel.

    Parameters
    ----------
    calibration : Calibration
        The calibration.
    recording : Recording
        A recording that starts at rest.
    longest_s : float
        How much of it to run (s).

    Returns
    -------
    SplitSignals
        The parts.
    """
    rows = int(np.searchsorted(np.maximum.accumulate(recording.time_s), recording.time_s[0] + longest_s))
    estimator = Estimator(calibration)
    parts = np.full((4, rows, recording.channels), np.nan)
    for k in range(rows):
        scan = Scan(float(recording.time_s[k]), recording.inductance_h[k], float(recording.temperature_c[k]))
        split = estimator.step(scan, float(recording.pressure_pa[k])).estimate.parts
        parts[0, k], parts[1, k], parts[2, k], parts[3, k] = (
            split.bending,
            split.free_bending,
            split.contact,
            split.drift,
        )
    bending, free_bending, contact, drift = parts
    tare = estimator.tare
    tared_h = np.full(recording.channels, np.nan) if tare is None else tare.inductance_h
    return SplitSignals(
        time_s=recording.time_s[:rows],
        change=recording.inductance_h[:rows] / tared_h - 1.0,
        bending=bending,
        free_bending=free_bending,
        contact=contact,
        drift=drift,
    )
