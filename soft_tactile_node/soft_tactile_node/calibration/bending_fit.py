"""Fit of the free-bend model: weights, model size and honest residuals, all judged on held-out blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.ridge import Indices, RidgeFit, fit_ridge, split_blocks
from soft_tactile_node.estimation.bending import POWERS, TEMPERATURE_TERMS, bending_terms
from soft_tactile_node.samples import Array

LAG_S = np.array([0.03, 0.08, 0.2, 0.6, 2.0, 6.0, 20.0, 60.0])
"""Time constants offered to the fit (s): quick dynamics to creep over minutes."""

PLAY_RADIUS = np.array([0.02, 0.05, 0.1, 0.18, 0.3, 0.45])
"""Radii of the play operators offered to the fit (1)."""

BLOCKS = 14
"""Held-out blocks over all free-bend recordings."""

FIT_RATE_HZ = 100.0
"""Rows are thinned to about this rate before they are fitted (Hz)."""


@dataclass(frozen=True)
class BendingFit:
    """The fitted free-bend model.

    Attributes
    ----------
    scale_pa : float
        Pressure that counts as 1 (gauge Pa).
    weights : numpy.ndarray, shape (m, c)
        Weights of the terms (1).
    angle_weights : numpy.ndarray, shape (m,), or None
        Weights of the bend angle (rad); None without a bend reference.
    angle_deviation_rad : float or None
        Held-out error of the bend angle (rad).
    residuals : tuple of numpy.ndarray, shape (n, c)
        Held-out residual of each recording at full rate (1); NaN where a sample was missing.
    loads : tuple of numpy.ndarray, shape (n,)
        Relative pressure behind the quick lag (1).
    rates : tuple of numpy.ndarray, shape (n,)
        Rate of the relative pressure (1/s).
    score : float
        Held-out mean squared error over the signal's mean square (1).
    """

    scale_pa: float
    weights: Array
    angle_weights: Array | None
    angle_deviation_rad: float | None
    residuals: tuple[Array, ...]
    loads: tuple[Array, ...]
    rates: tuple[Array, ...]
    score: float


def terms_of(recording: Prepared, scale_pa: float, relief: Array | float = 0.0) -> Array:
    """Return the free-bend terms of a recording.

    Parameters
    ----------
    recording : Prepared
        A tared recording.
    scale_pa : float
        Pressure that counts as 1 (gauge Pa).
    relief : numpy.ndarray, shape (n,), or float
        Relative pressure that a force on the pad takes from the drive (1).

    Returns
    -------
    numpy.ndarray, shape (n, m)
        Terms (1).
    """
    drive = recording.pressure_pa / scale_pa - relief
    return bending_terms(recording.time_s, drive, recording.temperature_change, LAG_S, PLAY_RADIUS)


def fit_bending(recordings: Sequence[Prepared], scale_pa: float) -> BendingFit:
    """Fit the free-bend model to recordings without contact.

    Parameters
    ----------
    recordings : sequence of Prepared
        Free-bend recordings.
    scale_pa : float
        Highest calibrated pressure (gauge Pa).

    Returns
    -------
    BendingFit
        See BendingFit.
    """
    designs = [terms_of(recording, scale_pa) for recording in recordings]
    step = max(1, round(_rate(recordings[0]) / FIT_RATE_HZ))
    lengths = [len(design) for design in designs]
    block = split_blocks(lengths, BLOCKS)
    design = np.vstack(designs)
    change = np.vstack([recording.change for recording in recordings])
    rows = np.flatnonzero(np.isfinite(change).all(axis=1))[::step]
    fit = fit_ridge(design[rows], change[rows], block[rows], candidates=term_sets())
    held_out = _hold_out(design, rows, fit, change, block)
    residual = change - held_out
    angle_weights, angle_deviation = _fit_angle(recordings, design, block, step)
    pieces = np.cumsum(lengths)[:-1]
    loads = tuple(np.ascontiguousarray(d[:, 0]) for d in designs)
    rates = tuple((r.pressure_pa / scale_pa - load) / LAG_S[0] for r, load in zip(recordings, loads, strict=True))
    return BendingFit(
        scale_pa=scale_pa,
        weights=fit.weights,
        angle_weights=angle_weights,
        angle_deviation_rad=angle_deviation,
        residuals=tuple(np.split(residual, pieces)),
        loads=loads,
        rates=rates,
        score=fit.score,
    )


def term_sets() -> list[Array]:
    """Return the model sizes offered to the cross-validation, smallest first.

    Returns
    -------
    list of numpy.ndarray of bool, shape (m,)
        Static curve with quick dynamics; with creep; with creep and hysteresis; everything.
    """
    lags, plays = LAG_S.size, PLAY_RADIUS.size
    names = np.array(
        ["static"] * POWERS
        + ["lag", "lag_square"] * lags
        + ["play", "play_scaled"] * plays
        + ["temperature"] * TEMPERATURE_TERMS
    )
    sets = [
        np.isin(names, ["static", "lag", "temperature"]),
        np.isin(names, ["static", "lag", "play", "temperature"]),
        np.isin(names, ["static", "lag", "lag_square", "play", "temperature"]),
        np.ones(names.size, dtype=bool),
    ]
    return sets


def slope_table(weights: Array) -> tuple[Array, Array]:
    """Return the slope of the free-bend curve after a slow rise, on a grid of pressure.

    Parameters
    ----------
    weights : numpy.ndarray, shape (m, c)
        Free-bend weights (1).

    Returns
    -------
    load : numpy.ndarray, shape (13,)
        Relative pressure (1).
    slope : numpy.ndarray, shape (13, c)
        Change per relative pressure (1).
    """
    grid = np.linspace(0.0, 1.2, 13)
    time_s = np.arange(0.0, 24.0, 0.02)
    ramp = np.minimum(time_s / 20.0 * 1.2, 1.2)
    terms = bending_terms(time_s, ramp, np.zeros(time_s.size), LAG_S, PLAY_RADIUS)
    curve = terms @ weights
    at = np.stack([np.interp(grid, ramp[:1000], curve[:1000, k]) for k in range(weights.shape[1])], axis=1)
    return grid, np.gradient(at, grid, axis=0)


def _rate(recording: Prepared) -> float:
    """Return the median sample rate (Hz)."""
    return 1.0 / float(np.median(np.diff(recording.time_s)))


def _hold_out(design: Array, rows: Indices, fit: RidgeFit, change: Array, block: Indices) -> Array:
    """Return held-out predictions at full rate: each block by a fit without it."""
    out = np.zeros_like(change)
    scale = np.sqrt((design[rows] ** 2).mean(axis=0))
    scale[scale == 0.0] = 1.0
    scaled = design / scale
    keep = np.flatnonzero(fit.terms)
    for number in np.unique(block):
        train = rows[block[rows] != number]
        a = scaled[np.ix_(train, keep)]
        system = a.T @ a + fit.penalty * rows.size * np.eye(keep.size)
        out[block == number] = scaled[block == number][:, keep] @ np.linalg.solve(system, a.T @ change[train])
    return out


def _fit_angle(
    recordings: Sequence[Prepared], design: Array, block: Indices, step: int
) -> tuple[Array | None, float | None]:
    """Fit the bend angle where every recording has a bend reference."""
    angles = [recording.bend_rad for recording in recordings]
    if any(angle is None for angle in angles):
        return None, None
    bend = np.concatenate([angle for angle in angles if angle is not None])
    rows = np.flatnonzero(np.isfinite(bend))[::step]
    if rows.size < 1000:
        return None, None
    fit = fit_ridge(design[rows], bend[rows, None], block[rows], candidates=term_sets())
    error = bend[rows] - fit.held_out[:, 0]
    return fit.weights[:, 0], float(np.sqrt(np.mean(error**2)))
