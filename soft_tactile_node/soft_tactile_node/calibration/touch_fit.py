"""How far the force of a free and of a touched finger strays: thresholds and variances from held-out rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.calibration.map_fit import CONTACT_N, MapFit, PadRange, Pressed, features_of, fit_nonnegative
from soft_tactile_node.calibration.press import UNLOADED_N
from soft_tactile_node.estimation.detector import DETECTOR, TESTS, TRACK, free_rows
from soft_tactile_node.estimation.model import TouchModel
from soft_tactile_node.estimation.settings import LIGHT
from soft_tactile_node.estimation.tuning import TUNING
from soft_tactile_node.samples import Array

QUIET_SHARE = 0.3
"""The quietest share of the free rows makes the spread at rest (1)."""

MOST_ROWS = 20000
"""Rows that the spread is fitted to (1)."""

APART_S = 0.1
"""Free rows count this long after and before a contact (s)."""

EULER = 0.5772156649
PASSES = 3
"""The zero learns by the thresholds and the thresholds follow from the zero; three rounds settle it (1)."""

NORMAL_QUANTILE, SHEAR_QUANTILE = 0.95, 0.945
"""Share of held-out errors that two standard deviations shall cover (1); other variances are added later."""


@dataclass(frozen=True)
class TouchFit:
    """What the touch tests need, and the errors of the presses.

    Attributes
    ----------
    spread, location, scale : numpy.ndarray
        See `estimation.model.TouchModel` and `touch_model`.
    normal_variance, shear_variance : numpy.ndarray
        See `estimation.model.RowModel`.
    error_n : numpy.ndarray, shape (r, 3)
        Held-out error of the force on the thinned rows of all recordings (N).
    force_n : numpy.ndarray, shape (r, 3)
        Their reference (N).
    """

    spread: Array
    location: Array
    scale: Array
    normal_variance: Array
    shear_variance: Array
    error_n: Array
    force_n: Array


def fit_touch(items: Sequence[Pressed], held_out: Sequence[Pressed], fit: MapFit, scale_pa: float) -> TouchFit:
    """Measure thresholds and variances.

    Parameters
    ----------
    items : sequence of Pressed
        All recordings as the map was fitted to them.
    held_out : sequence of Pressed
        The same with the departures of free bend held out.
    fit : MapFit
        The fitted map.
    scale_pa : float
        Highest calibrated pressure (gauge Pa).

    Returns
    -------
    TouchFit
        See TouchFit.
    """
    pad = PadRange(fit.low, fit.high, fit.rise_s, fit.fall_s)
    force = [
        (x if p.touched.any() else features_of(h, fit.directions, pad)) @ fit.weights
        for p, h, x in zip(items, held_out, fit.features, strict=True)
    ]
    touch = TouchModel(np.zeros((TESTS, 3)), np.ones(TESTS), LIGHT.touch_force_n)
    location = scale = np.ones(TESTS)
    for _ in range(PASSES):
        tracks = [_track(p, u, touch, scale_pa) for p, u in zip(items, force, strict=True)]
        counted = [_free_rows(p) for p in items]
        spread = _fit_spread(tracks, counted)
        location, scale = fit_extremes(items, tracks, counted, spread)
        level = location - scale * np.log(LIGHT.false_alarms_per_minute / 60.0 / TESTS)
        touch = TouchModel(spread, level, LIGHT.touch_force_n)
    zero = np.concatenate([track["zero"][p.rows, 2] for p, track in zip(items, tracks, strict=True)])
    quick = np.concatenate([_quick(p, u)[p.rows] for p, u in zip(items, force, strict=True)])
    reference = np.concatenate([p.force_n[p.rows] for p in items])
    contact = np.concatenate([p.touched[p.rows] for p in items]) & (np.linalg.norm(reference, axis=1) > CONTACT_N)
    error = np.zeros_like(reference)
    level_z = fit.normal.held_out(fit.normal_penalty)[:, 0] - zero
    error[:, 2] = level_z - reference[:, 2]
    normal = _normal_variance(fit, error[contact, 2], level_z[contact], quick[contact], contact)
    shear = np.zeros((2, 3, 3))
    if fit.axes == 3:
        error[:, :2] = fit.shear.held_out(fit.shear_penalty) - reference[:, :2]
        shear = _shear_variance(fit, error[contact, :2], level_z[contact], contact)
    return TouchFit(spread, location, scale, normal, shear, error, reference)


def _track(p: Pressed, force: Array, touch: TouchModel, scale_pa: float) -> np.ndarray:
    """Return what `free_rows` writes for a recording."""
    out = np.zeros(p.item.time_s.size, TRACK)
    state = np.zeros(1, DETECTOR)
    free_rows(
        TUNING,
        touch,
        state[0],
        p.item.time_s,
        np.ascontiguousarray(force),
        p.item.pressure_pa / scale_pa,
        p.touched,
        out,
    )
    return out


def _free_rows(p: Pressed) -> Array:
    """Return the rows on which nothing touches for certain, tare left out."""
    time_s = p.item.time_s
    last = np.maximum.accumulate(np.where(p.touched, time_s, -np.inf))
    following = np.minimum.accumulate(np.where(p.touched, time_s, np.inf)[::-1])[::-1]
    return np.asarray((time_s - last > APART_S) & (following - time_s > APART_S) & (time_s > time_s[0] + 1.0))


def _fit_spread(tracks: Sequence[np.ndarray], counted: Sequence[Array]) -> Array:
    """Return the variance of each test at rest, per squared activity and per squared load carried."""
    rows = np.concatenate([track[ok] for track, ok in zip(tracks, counted, strict=True)])
    rows = rows[:: max(1, len(rows) // MOST_ROWS)]  # neighbours tell the same
    activity, carried = rows["activity"], rows["carried"]
    quiet = (activity <= np.quantile(activity, QUIET_SHARE)) & (carried < UNLOADED_N)
    spread = np.zeros((TESTS, 3))
    for j in range(TESTS):
        rest = float(np.mean(rows["d"][quiet, j] ** 2)) + 1e-12
        terms = np.column_stack([activity**2, carried**2])[~quiet]
        spread[j, 0] = rest
        spread[j, 1:] = fit_nonnegative(terms, rows["d"][~quiet, j] ** 2, rest)
    return spread


def fit_extremes(
    items: Sequence[Pressed], tracks: Sequence[np.ndarray], counted: Sequence[Array], spread: Array
) -> tuple[Array, Array]:
    """Return location and scale of the extreme value of each test in a second, by moments.

    Source: Gumbel, Statistics of Extremes (1958), sec. 6.2.5 (from memory): scale = s sqrt(6) / pi, location = mean -
    0.5772 scale.

    Parameters
    ----------
    items : sequence of Pressed
        Recordings.
    tracks : sequence of numpy.ndarray, shape (n,)
        Records of `estimation.detector.TRACK` (N).
    counted : sequence of numpy.ndarray of bool, shape (n,)
        Rows that count.
    spread : numpy.ndarray, shape (3, 3)
        See `estimation.model.TouchModel` (N^2, N^2, 1).

    Returns
    -------
    location, scale : numpy.ndarray, shape (3,)
        In standard deviations (1).
    """
    location, scale = np.zeros(TESTS), np.zeros(TESTS)
    for j in range(TESTS):
        highest: list[float] = []
        for p, track, ok in zip(items, tracks, counted, strict=True):
            terms = np.array([np.ones(len(track)), track["activity"] ** 2, track["carried"] ** 2])
            score = track["d"][:, j] / np.sqrt(spread[j] @ terms)
            second = (p.item.time_s - p.item.time_s[0]).astype(int)
            for number in np.unique(second[ok]):
                here = (second == number) & ok
                if here.sum() > 0.7 * (second == number).sum():
                    highest.append(float(score[here].max()))
        found = np.array(highest)
        scale[j] = found.std() * np.sqrt(6.0) / np.pi
        location[j] = found.mean() - EULER * scale[j]
    return location, scale


def _quick(p: Pressed, force: Array) -> Array:
    """Return the force less its 30 ms mean, as the estimator tells a quick change."""
    from soft_tactile_node.estimation.row import QUICK_S

    return np.asarray(force[:, 2] - _low_pass(p.item.time_s, force[:, 2], QUICK_S))


def _low_pass(time_s: Array, values: Array, tau_s: float) -> Array:
    """Return a first-order low-pass with a time constant (s), one value a scan."""
    out = np.empty_like(values)
    level = values[0]
    gains = 1.0 - np.exp(-np.maximum(np.diff(time_s, prepend=time_s[0]), 0.0) / tau_s)
    for i, (gain, value) in enumerate(zip(gains, values, strict=True)):
        level += gain * (value - level)
        out[i] = level
    return out


def _cover(errors: Array, variance: Array, quantile: float) -> float:
    """Return by which factor a variance must grow so that two standard deviations cover a share of the errors."""
    return float(np.quantile(np.abs(errors) / np.sqrt(variance), quantile) / 2.0) ** 2


def _normal_variance(fit: MapFit, error: Array, level: Array, quick: Array, contact: Array) -> Array:
    """Return two models of the variance of the normal force, scaled together."""
    one, square = np.ones(error.size), level**2
    far = np.column_stack([one, square, fit.normal.held_out_leverage(fit.normal_penalty)[contact]])
    moving = np.column_stack([one, square, quick**2])
    models = np.array([fit_nonnegative(far, error**2), fit_nonnegative(moving, error**2)])
    variance = np.maximum(far @ models[0], moving @ models[1])
    return np.asarray(models * _cover(error, variance, NORMAL_QUANTILE))


def _shear_variance(fit: MapFit, error: Array, level: Array, contact: Array) -> Array:
    """Return three models of the variance of each shear axis: pooled, pooled with leverage, its own."""
    one, square = np.ones(len(error)), level**2
    terms = np.column_stack([one, square, fit.shear.held_out_leverage(fit.shear_penalty)[contact]])
    pooled = (error**2).ravel()
    plain = np.append(fit_nonnegative(np.repeat(terms[:, :2], 2, axis=0), pooled), 0.0)
    levered = fit_nonnegative(np.repeat(terms, 2, axis=0), pooled)
    out = np.zeros((2, 3, 3))
    for axis in range(2):
        out[axis] = [plain, levered, fit_nonnegative(terms, error[:, axis] ** 2)]
        variance = (terms @ out[axis].T).max(axis=1)
        out[axis] *= _cover(error[:, axis], variance, SHEAR_QUANTILE)
    return out
