"""The inner loop scan by scan: handed its model and state once instead of with every scan."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.estimation.model import ROW, RowModel, RowState
from soft_tactile_node.estimation.row import process_row
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.samples import PARTS, Array, Scan


@compiled
def rows_one_by_one(
    model: RowModel, memo: RowState, reading: Array, change: Array, specific: Array, out: np.ndarray, parts: np.ndarray
) -> Iterator[int]:
    """Run the estimator over what the buffers hold, in place, each time the next number is asked for.

    `reading` has time (s), relative pressure (1) and warming since the tare (K); the others are as in `process_row`.
    """
    while True:
        process_row(model, memo, reading[0], reading[1], change, reading[2], specific, out[0], parts)
        yield 0


class Stepper:
    """Runs the inner loop over one scan at a time, the same as `row.process_rows` over one row.

    To hand the sixty arrays of model and state to compiled code takes longer than its work on a scan; a compiled
    generator takes them once. Model and state are those given: who replaces one needs a new stepper.

    Parameters
    ----------
    model : RowModel
        Constants.
    memo : RowState
        State, changed in place.
    tare : Tare
        The tare in use.
    scale_pa : float
        Highest calibrated pressure (gauge Pa).
    """

    def __init__(self, model: RowModel, memo: RowState, tare: Tare, scale_pa: float) -> None:
        channels = tare.inductance_h.size
        self._tare, self._scale_pa = tare, scale_pa
        self._reading = np.zeros(3)
        self._change = np.zeros(channels)
        self._specific = np.full(3, np.nan)
        self._out = np.zeros(1, ROW)
        self._bytes = self._out.view(np.uint8)
        self._parts = np.zeros(channels, PARTS)
        self._rows = rows_one_by_one(model, memo, self._reading, self._change, self._specific, self._out, self._parts)

    def step(self, scan: Scan, pressure_pa: float) -> tuple[Any, np.ndarray]:
        """Take a `scan` and new `pressure_pa` (Pa; NaN = none); returns a ROW, valid until the next, and PARTS."""
        self._reading[:] = scan.time_s, pressure_pa / self._scale_pa, scan.temperature_c - self._tare.temperature_c
        np.divide(scan.inductance_h, self._tare.inductance_h, out=self._change)
        self._change -= 1.0
        self._specific[:] = np.nan if scan.acceleration_m_s2 is None else scan.acceleration_m_s2
        self._bytes.fill(0)
        next(self._rows)
        return self._out[0], self._parts.copy()
