"""How much of the finger's own bending is kept out of the force."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.errors import RangeError
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import Array
from soft_tactile_node.scoring.alignment import LEFT_OUT_S
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S

UNPRESSURISED_PA = 1000.0
"""Rows within this of zero gauge pressure count as unpressurised (Pa)."""


@dataclass(frozen=True, eq=False)
class ApparentForce:
    """Two ways to read normal force straight from the channels, knowing nothing of bending.

    Attributes
    ----------
    newton_per_change : float
        Normal force over summed relative change on unpressurised presses (N); NaN if there are none.
    weights_n : numpy.ndarray, shape (c,)
        Least-squares weight of each channel's relative change over all press recordings (N).
    """

    newton_per_change: float
    weights_n: Array


def compute_change(recording: Recording) -> Array:
    """Return each channel's change relative to its mean over the first second.

    Parameters
    ----------
    recording : Recording
        A recording that begins at rest.

    Returns
    -------
    numpy.ndarray, shape (n, c)
        (L - L_tare) / L_tare (1); NaN where a sample is missing.
    """
    first = recording.time_s < recording.time_s[0] + LEFT_OUT_S - TIME_TOLERANCE_S
    known = np.isfinite(recording.inductance_h) & first[:, None]
    count = np.count_nonzero(known, axis=0)
    if np.any(count == 0):
        channel = int(np.flatnonzero(count == 0)[0]) + 1
        raise RangeError(f"coil_{channel}_h must be measured in the first second; got no sample in {recording.source}")
    tare_h = np.sum(np.where(known, recording.inductance_h, 0.0), axis=0) / count
    return np.asarray(recording.inductance_h / tare_h - 1.0)


def hold_pressure(pressure_pa: Array) -> Array:
    """Return `pressure_pa` (Pa), shape (n,), each reading held until the next; NaN before the first."""
    known = np.isfinite(pressure_pa)
    last = np.maximum.accumulate(np.where(known, np.arange(len(pressure_pa)), -1))
    return np.where(last >= 0, pressure_pa[np.maximum(last, 0)], np.nan)


def fit_apparent_force(press: Sequence[Recording]) -> ApparentForce:
    """Fit the two naive readings of normal force on press recordings.

    Both pass through zero at the tare.

    Parameters
    ----------
    press : sequence of Recording
        Press recordings with reference force, same number of channels.

    Returns
    -------
    ApparentForce
        Slope and weights.

    Raises
    ------
    RangeError
        If a recording has no reference force or the channel counts differ.
    """
    changes, forces, pressures = [], [], []
    for recording in press:
        if recording.force_n is None:
            raise RangeError(f"press recordings must have force_z_n; got none in {recording.source}")
        if recording.channels != press[0].channels:
            raise RangeError(f"press recordings must have {press[0].channels} channels; got {recording.channels}")
        changes.append(compute_change(recording))
        forces.append(recording.force_n[:, 2])
        pressures.append(hold_pressure(recording.pressure_pa))
    change, force, pressure = np.concatenate(changes), np.concatenate(forces), np.concatenate(pressures)
    known = np.all(np.isfinite(change), axis=1) & np.isfinite(force)
    weights, *_ = np.linalg.lstsq(change[known], force[known], rcond=None)
    vented = known & (np.abs(pressure) <= UNPRESSURISED_PA)
    summed = np.sum(change[vented], axis=1)
    power = float(np.sum(summed**2))
    pressed = np.any(force[vented] != 0.0) and power > 0.0
    slope = float(np.sum(summed * force[vented])) / power if pressed else float("nan")
    return ApparentForce(slope, weights)


def compute_rejection(
    cases: Sequence[tuple[Recording, EstimateTable, NDArray[np.bool_]]], apparent: ApparentForce
) -> tuple[float, float]:
    """Return the bend rejection on recordings without contact.

    Parameters
    ----------
    cases : sequence of (Recording, EstimateTable, rows)
        A recording, its estimate on the same rows, and which of them count.
    apparent : ApparentForce
        The naive readings.

    Returns
    -------
    rejection_db, strict_db : float
        20 log10(rms apparent normal force / rms of the estimate) (dB), for the summed channels and for the weighted
        ones; NaN if not known, infinite if the estimate is zero throughout.
    """
    naive = strict = answer = 0.0
    for recording, estimate, rows in cases:
        change = compute_change(recording)
        known = rows & np.all(np.isfinite(change), axis=1) & np.isfinite(estimate.force_n[:, 2])
        naive += float(np.sum((np.sum(change[known], axis=1) * apparent.newton_per_change) ** 2))
        strict += float(np.sum((change[known] @ apparent.weights_n) ** 2))
        answer += float(np.sum(estimate.force_n[known, 2] ** 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        decibel = 10.0 * np.log10(np.array([naive, strict]) / answer)
    return float(decibel[0]), float(decibel[1])
