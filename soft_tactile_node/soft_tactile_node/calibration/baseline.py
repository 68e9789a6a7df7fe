"""The yardstick: a static pressure polynomial for bending, a linear channel map for force, a threshold for contact.

This is what is usually done first. It knows neither the memory of finger and pad nor blocked bending; reports show it
beside the estimator, so that the gain is seen on the user's own data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.calibration.preparation import hold_last, prepare
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import Array, Flag

DEGREE = 4
"""Degree of the pressure polynomial."""

LEAST_THRESHOLD_N = 0.05
"""Smallest normal force taken for a contact (N)."""

THRESHOLD_SIGMAS = 4.0
"""The threshold lies this many standard deviations of the contact-free normal force above zero."""

RELEASE_SHARE = 0.5
"""A contact ends below this share of the threshold."""

LEAST_ROWS = 50
"""Fewest complete rows a fit is made from."""


@dataclass(frozen=True, eq=False)
class StaticBaseline:
    """Static polynomial, linear map and threshold.

    Attributes
    ----------
    scale_pa : float
        Pressure at which the scaled pressure is 1 (Pa).
    bending : numpy.ndarray, shape (DEGREE + 1, c)
        Relative change per power of the scaled pressure, from the first power on, and per kelvin (1).
    weights_n : numpy.ndarray, shape (c, 3)
        Force per relative change of each channel (N); NaN columns = axis not observed.
    variance_n2 : numpy.ndarray, shape (3,)
        Variance of each force component (N^2).
    threshold_n : float
        Normal force taken for a contact (N).
    bend : numpy.ndarray, shape (DEGREE,), or None
        Bend per power of the scaled pressure (rad).
    """

    scale_pa: float
    bending: Array
    weights_n: Array
    variance_n2: Array
    threshold_n: float
    bend: Array | None

    def replay(self, recording: Recording, tare_s: float = 1.0) -> EstimateTable:
        """Return the yardstick's estimate of a recording, each row from that row's values alone.

        Parameters
        ----------
        recording : Recording
            A recording that starts at rest; reference columns are not used.
        tare_s : float
            Length of the tare (s).

        Returns
        -------
        EstimateTable
            One row for each row of the recording.

        Raises
        ------
        CalibrationError
            Another number of channels, or a channel without samples at rest.
        """
        if recording.channels != self.bending.shape[1]:
            raise CalibrationError(
                f"{recording.source}: must have {self.bending.shape[1]} channels; got {recording.channels}; "
                "use recordings of one pad"
            )
        rest = recording.time_s <= recording.time_s[0] + tare_s
        change = _take_change(recording, rest)
        scaled = hold_last(recording.pressure_pa) / self.scale_pa
        temperature_change = _take_temperature_change(recording, rest)
        force = (change - _bending_terms(scaled, temperature_change) @ self.bending) @ self.weights_n
        force[rest] = np.nan
        rows = len(recording)
        in_contact = _apply_threshold(np.nan_to_num(force[:, 2], nan=-1.0), self.threshold_n)
        powers = _bending_terms(scaled, temperature_change)[:, :DEGREE]
        return EstimateTable(
            time_s=recording.time_s,
            force_n=force,
            force_variance_n2=np.where(np.isfinite(force), self.variance_n2, np.nan),
            contact_probability=in_contact.astype(np.float64),
            in_contact=in_contact,
            bend_rad=np.full(rows, np.nan) if self.bend is None else powers @ self.bend,
            flags=np.where(rest, np.int64(Flag.TARE), np.int64(0)),
        )


def fit_static_baseline(free_bend: Sequence[Recording], press: Sequence[Recording]) -> StaticBaseline:
    """Fit the yardstick on bench recordings.

    Parameters
    ----------
    free_bend : sequence of Recording
        Recordings without contact.
    press : sequence of Recording
        Recordings with reference force.

    Returns
    -------
    StaticBaseline
        The yardstick; shear is not observed with fewer than three channels.

    Raises
    ------
    CalibrationError
        A recording is missing, does not start at rest, has no reference force, or too few complete rows.
    """
    if not free_bend or not press:
        raise CalibrationError("a static map needs at least one free-bend and one press recording; record both")
    free = [prepare(recording) for recording in free_bend]
    pressed = [prepare(recording) for recording in press]
    scale_pa = max(float(np.max(np.abs(part.pressure_pa))) for part in (*free, *pressed))
    if scale_pa <= 0.0:
        raise CalibrationError("free-bend recordings must cover pressures above zero; got none; sweep the pressure")
    terms = np.concatenate([_bending_terms(part.pressure_pa / scale_pa, part.temperature_change) for part in free])
    change = np.concatenate([part.change for part in free])
    known = np.all(np.isfinite(change), axis=1)
    _require_rows(known, "free-bend")
    bending, *_ = np.linalg.lstsq(terms[known], change[known], rcond=None)
    forces = []
    contacts = []
    for part in pressed:
        if part.force_n is None:
            raise CalibrationError(f"{part.source}: has no force_x_n, force_y_n, force_z_n; press with a reference")
        forces.append(part.force_n)
        contacts.append(part.change - _bending_terms(part.pressure_pa / scale_pa, part.temperature_change) @ bending)
    force, contact = np.concatenate(forces), np.concatenate(contacts)
    weights, variance = _fit_weights(contact, force)
    residual = (change - terms @ bending)[known] @ weights[:, 2]
    deviation_n = float(np.sqrt(np.mean(residual**2)))
    return StaticBaseline(
        scale_pa=scale_pa,
        bending=bending,
        weights_n=weights,
        variance_n2=variance,
        threshold_n=max(LEAST_THRESHOLD_N, THRESHOLD_SIGMAS * deviation_n),
        bend=_fit_bend(free_bend, scale_pa),
    )


def _bending_terms(scaled: Array, temperature_change: Array) -> Array:
    """Return powers 1 to DEGREE of the scaled pressure, and the temperature change, shape (n, DEGREE + 1)."""
    return np.column_stack([scaled**power for power in range(1, DEGREE + 1)] + [temperature_change])


def _fit_weights(contact: Array, force: Array) -> tuple[Array, Array]:
    """Return force per channel, shape (c, 3), and the residual's variance, shape (3,)."""
    channels = contact.shape[1]
    weights = np.full((channels, 3), np.nan)
    variance = np.full(3, np.nan)
    for axis in range(3):
        known = np.all(np.isfinite(contact), axis=1) & np.isfinite(force[:, axis])
        if axis < 2 and (channels < 3 or not np.any(known)):
            continue
        _require_rows(known, "press")
        weights[:, axis], *_ = np.linalg.lstsq(contact[known], force[known, axis], rcond=None)
        variance[axis] = np.mean((contact[known] @ weights[:, axis] - force[known, axis]) ** 2)
    return weights, variance


def _fit_bend(free_bend: Sequence[Recording], scale_pa: float) -> Array | None:
    """Return the bend per power of the scaled pressure, None without a bend reference."""
    scaled, bend = [], []
    for recording in free_bend:
        if recording.bend_rad is not None:
            known = np.isfinite(recording.bend_rad)
            scaled.append((hold_last(recording.pressure_pa) / scale_pa)[known])
            bend.append(recording.bend_rad[known])
    if not bend or sum(map(len, bend)) < LEAST_ROWS:
        return None
    pressure = np.concatenate(scaled)
    powers = np.column_stack([pressure**power for power in range(1, DEGREE + 1)])
    return np.asarray(np.linalg.lstsq(powers, np.concatenate(bend), rcond=None)[0])


def _require_rows(known: NDArray[np.bool_], kind: str) -> None:
    count = np.count_nonzero(known)
    if count < LEAST_ROWS:
        raise CalibrationError(
            f"{kind} recordings must have at least {LEAST_ROWS} complete rows; got {count}; record longer"
        )


def _take_change(recording: Recording, rest: NDArray[np.bool_]) -> Array:
    known = np.isfinite(recording.inductance_h[rest])
    count = np.count_nonzero(known, axis=0)
    if np.any(count == 0):
        channel = int(np.argmin(count)) + 1
        raise CalibrationError(f"{recording.source}, column coil_{channel}_h: no samples at rest; check the channel")
    tare_h = np.sum(np.where(known, recording.inductance_h[rest], 0.0), axis=0) / count
    return np.asarray(recording.inductance_h / tare_h - 1.0)


def _take_temperature_change(recording: Recording, rest: NDArray[np.bool_]) -> Array:
    if not np.any(np.isfinite(recording.temperature_c[rest])):
        return np.zeros(len(recording))
    temperature_c = hold_last(recording.temperature_c)
    return np.asarray(temperature_c - np.mean(temperature_c[rest]))


def _apply_threshold(force_n: Array, threshold_n: float) -> NDArray[np.bool_]:
    """Return contact from force: on above the threshold, off below a share of it, held in between."""
    decided = np.where(force_n >= threshold_n, 1, np.where(force_n < RELEASE_SHARE * threshold_n, 0, -1))
    last = np.maximum.accumulate(np.where(decided >= 0, np.arange(len(decided)), -1))
    return np.asarray((last >= 0) & (decided[np.maximum(last, 0)] == 1), dtype=np.bool_)
