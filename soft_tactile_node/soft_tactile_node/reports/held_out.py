"""The estimator beside the static yardstick on blocks of the user's own recordings that neither fit has seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.calibration.baseline import StaticBaseline, fit_static_baseline
from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import Array

BLOCK_S = 10.0
"""Length of a block (s): longer than the memory that matters most, short enough for many blocks in minutes of data."""

EVERY = 3
"""Every third block is held out."""

TOUCHED_N = 0.05
"""Reference force from which a row counts as touched (N)."""


@dataclass(frozen=True, eq=False)
class HeldOutRecording:
    """One recording with both estimates of it.

    Attributes
    ----------
    recording : Recording
        As recorded.
    held : numpy.ndarray of bool, shape (n,)
        Rows whose coil samples were kept from the fits.
    estimate, baseline : EstimateTable
        From the estimator and from the static yardstick, both fitted without the held-out rows.
    """

    recording: Recording
    held: NDArray[np.bool_]
    estimate: EstimateTable
    baseline: EstimateTable


@dataclass(frozen=True, eq=False)
class HeldOut:
    """Both kinds of recordings, estimated by fits that have not seen every third block.

    Attributes
    ----------
    free_bend, press : tuple of HeldOutRecording
        The recordings.
    calibration : Calibration
        The calibration of this comparison.
    """

    free_bend: tuple[HeldOutRecording, ...]
    press: tuple[HeldOutRecording, ...]
    calibration: Calibration


@dataclass(frozen=True, eq=False)
class Errors:
    """Errors on held-out rows; NaN = not observed.

    Attributes
    ----------
    press_n, touched_n : numpy.ndarray, shape (3,)
        Root mean square force error in press recordings, all rows and touched rows (N).
    free_n : float
        Root mean square normal force claimed in free-bend recordings (N).
    within_2_sigma : float
        Share of touched force components within two stated standard deviations (1).
    """

    press_n: Array
    touched_n: Array
    free_n: float
    within_2_sigma: float


def compare_held_out(free_bend: Sequence[Recording], press: Sequence[Recording], pad: str | None = None) -> HeldOut:
    """Fit estimator and yardstick without every third block of coil samples, then run both over everything.

    Parameters
    ----------
    free_bend, press : sequence of Recording
        The recordings of a calibration.
    pad : str or None
        Pad variant, as for `calibrate`.

    Returns
    -------
    HeldOut
        Both estimates of each recording.

    Raises
    ------
    CalibrationError
        What is left is not enough for a calibration, or for one that gives a force.
    """
    held = {id(recording): _choose_rows(recording) for recording in (*free_bend, *press)}
    free_left = [_hide_rows(recording, held[id(recording)]) for recording in free_bend]
    press_left = [_hide_rows(recording, held[id(recording)]) for recording in press]
    calibration = calibrate(free_left, press_left, pad=pad)
    baseline = fit_static_baseline(free_left, press_left)

    def run(recording: Recording) -> HeldOutRecording:
        return _run_both(recording, held[id(recording)], calibration, baseline)

    pressed = tuple(map(run, press))
    if not any(np.isfinite(item.estimate.force_n[item.held, 2]).any() for item in pressed):
        raise CalibrationError("the fit without every third block gives no force")
    return HeldOut(tuple(map(run, free_bend)), pressed, calibration)


def measure_errors(held_out: HeldOut, *, baseline: bool) -> Errors:
    """Return the errors on rows of `held_out`, pooled over the recordings; `baseline` = of the static yardstick."""
    error, variance, touched = [], [], []
    for item in held_out.press:
        reference = item.recording.force_n
        if reference is None:
            continue
        table = item.baseline if baseline else item.estimate
        error.append((table.force_n - reference)[item.held])
        variance.append(table.force_variance_n2[item.held])
        touched.append(np.linalg.norm(reference[item.held], axis=1) >= TOUCHED_N)
    errors, stated, rows = np.concatenate(error), np.concatenate(variance), np.concatenate(touched)
    claimed = [(item.baseline if baseline else item.estimate).force_n[item.held, 2] for item in held_out.free_bend]
    known = np.isfinite(errors) & rows[:, None]
    within = errors**2 <= 4.0 * np.where(stated > 0.0, stated, 0.0)
    return Errors(
        press_n=_rms(errors),
        touched_n=_rms(errors[rows]),
        free_n=float(_rms(np.concatenate(claimed)[:, None])[0]),
        within_2_sigma=float(np.mean(within[known])) if known.any() else float("nan"),
    )


def _choose_rows(recording: Recording) -> NDArray[np.bool_]:
    """Return the rows of every third block; the first block, with the tare, is never among them."""
    block = np.floor((recording.time_s - recording.time_s[0]) / BLOCK_S)
    return np.asarray(block % EVERY == EVERY - 1, dtype=np.bool_)


def _hide_rows(recording: Recording, held: NDArray[np.bool_]) -> Recording:
    """Return the recording without the coil samples of some rows; time, pressure and reference go on."""
    return replace(recording, inductance_h=np.where(held[:, None], np.nan, recording.inductance_h))


def _run_both(
    recording: Recording, held: NDArray[np.bool_], calibration: Calibration, baseline: StaticBaseline
) -> HeldOutRecording:
    estimate, _ = Estimator(calibration).replay(recording)
    return HeldOutRecording(recording, held, estimate, baseline.replay(recording))


def _rms(values: Array) -> Array:
    """Return the root mean square of each column over its finite entries; NaN where there are none."""
    finite = np.isfinite(values)
    count = np.count_nonzero(finite, axis=0)
    squares = np.sum(np.where(finite, values, 0.0) ** 2, axis=0)
    return np.asarray(np.sqrt(np.where(count > 0, squares, np.nan) / np.maximum(count, 1)))
