"""Fit of the force map: coordinates, the pad's own lag, weights, and how large the error is where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import nnls

from soft_tactile_node.calibration.base_fit import thin_rows
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press import find_touched, force_doubt, smooth_force
from soft_tactile_node.calibration.ridge import Indices, Ridge, split_blocks
from soft_tactile_node.estimation.features import (
    FIRST_TERMS,
    MOST_COORDINATES,
    SIDE_TERMS,
    feature_list,
    feature_rows,
    new_filters,
)
from soft_tactile_node.estimation.tuning import TUNING
from soft_tactile_node.samples import Array

RISE_S = (0.0, 0.03, 0.06, 0.1)
FALL_S = (0.0, 0.1, 0.2, 0.3, 0.45, 0.65, 0.9, 1.3)
"""Lags offered to the fit (s)."""

LAG_GAIN = 0.8
"""A lag is undone only if the held-out squared error falls below this share (1): undoing it costs noise."""

ORDER_PENALTY = 4.0
"""A term of one order more is penalised this much more (1): maps of high order explode where nothing was pressed."""

ERROR_FLOOR_N = 0.1
ERROR_SHARE = 0.1
"""Weights of rows: error that is expected of any map (N) and (1)."""

WITHIN = 1.1
"""The penalty is the largest whose held-out squared error is within this factor of the best (1)."""

LEAST_SQUEEZES = 3
SQUEEZE_STRETCH = 0.2
SQUEEZE_N = 0.5
"""Contacts in which stretch (1) and force (N) rise together by this much, from which on their own terms are fitted."""

SHORTEST_GAP_S, SETTLE_S = 0.05, 1.0
"""Coils that are missing for longer than the first leave everything unknown until the second has passed (s)."""

CONTACT_N = 0.05
"""Contact counts from this force (N)."""


class PadRange(NamedTuple):
    """What `feature_rows` asks of a pad; see `estimation.model.PadMap`."""

    low: Array
    high: Array
    rise: float
    fall: float


@dataclass(frozen=True)
class Pressed:
    """A recording ready for the map.

    Attributes
    ----------
    item : Prepared
        The recording.
    departure : numpy.ndarray, shape (n, c)
        What bending leaves (1).
    stretch : numpy.ndarray, shape (n,)
        How far the free finger would bend (1).
    force_n : numpy.ndarray, shape (n, 3)
        Smoothed reference, zero in free bend (N).
    touched : numpy.ndarray of bool, shape (n,)
        Where something touches.
    rows : numpy.ndarray of int, shape (r,)
        Rows that are fitted.
    """

    item: Prepared
    departure: Array
    stretch: Array
    force_n: Array
    touched: Array
    rows: Indices


@dataclass(frozen=True)
class MapFit:
    """The fitted force map.

    Attributes
    ----------
    axes : int
        1 or 3.
    directions, low, high, weights, leverage : numpy.ndarray
        See `estimation.model.PadMap`.
    rise_s, fall_s : float
        Lag of the pad when loaded and unloaded (s).
    normal, shear : Ridge
        The regressions; shear is that of normal force again where it is not observed.
    normal_penalty, shear_penalty : float
        Chosen penalties (1).
    features : tuple of numpy.ndarray, shape (n, f)
        Features of each recording at full rate.
    """

    axes: int
    directions: Array
    low: Array
    high: Array
    weights: Array
    leverage: Array
    rise_s: float
    fall_s: float
    normal: Ridge
    shear: Ridge
    normal_penalty: float
    shear_penalty: float
    features: tuple[Array, ...]


def make_pressed(item: Prepared, departure: Array, stretch: Array) -> Pressed:
    """Return a recording with its force and contact, ready for the map.

    Parameters
    ----------
    item : Prepared
        Free-bend or press recording.
    departure : numpy.ndarray, shape (n, c)
        What bending leaves (1).
    stretch : numpy.ndarray, shape (n,)
        How far the free finger would bend (1).

    Returns
    -------
    Pressed
        See Pressed.
    """
    force, touched = reference(item)
    return Pressed(item, departure, stretch, force, touched, thin_rows(item))


def reference(item: Prepared) -> tuple[Array, Array]:
    """Return the smoothed force of a recording and where something touches; nothing does without a press.

    Parameters
    ----------
    item : Prepared
        Free-bend or press recording.

    Returns
    -------
    force_n : numpy.ndarray, shape (n, 3)
        Force (N).
    touched : numpy.ndarray of bool, shape (n,)
        Where something touches, or nobody knows because coils are missing.
    """
    unknown = _unknown(item)
    nothing = np.zeros((item.time_s.size, 3))
    if item.force_n is None:
        return nothing, unknown
    force = smooth_force(item)
    if not np.abs(force).max() > 0.2:
        return nothing, unknown
    return force, np.asarray(np.logical_or(find_touched(item.time_s, force), unknown))


def _unknown(item: Prepared) -> Array:
    """Return where coils are missing for longer than a scan or two, and a while after: nothing is learnt there."""
    missing = ~np.isfinite(item.change).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(int), [0]])))
    unknown = np.zeros(item.time_s.size, dtype=bool)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if item.time_s[last - 1] - item.time_s[first] > SHORTEST_GAP_S:
            unknown |= (item.time_s >= item.time_s[first]) & (item.time_s < item.time_s[last - 1] + SETTLE_S)
    return unknown


def count_squeezes(items: Sequence[Pressed]) -> int:
    """Return in how many contacts of `items` (1) stretch and force rise together: the finger closes on something."""
    found = 0
    for p in items:
        edges = np.flatnonzero(np.diff(np.concatenate([[0], p.touched.astype(int), [0]])))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            top = first + int(np.argmax(p.force_n[first:last, 2]))
            rise = p.force_n[top, 2] - p.force_n[first, 2]
            found += bool(p.stretch[top] - p.stretch[first] > SQUEEZE_STRETCH and rise > SQUEEZE_N)
    return found


def fit_map(items: Sequence[Pressed], axes: int) -> MapFit:
    """Fit the map to free-bend and press recordings `items`; `axes` is 1 for normal force only, 3 with shear."""
    directions = _principal_directions(items)
    count = len(directions)
    low, high = _coordinate_range(items, directions)
    force = np.concatenate([p.force_n[p.rows] for p in items])
    doubt = np.concatenate([force_doubt(p.item.time_s, p.force_n)[p.rows] for p in items])
    weight = 1.0 / np.sqrt(ERROR_FLOOR_N**2 + (ERROR_SHARE * np.linalg.norm(force, axis=1)) ** 2 + doubt**2)
    block = split_blocks([p.item.time_s[p.rows] for p in items])
    listed = feature_list(count, TUNING)
    scale = ORDER_PENALTY ** (listed["order"] - 1.0)

    def rows_of(rise: float, fall: float) -> list[Array]:
        return [features_of(p, directions, PadRange(low, high, rise, fall)) for p in items]

    def regress(rows: list[Array], target: Array, terms: Array) -> Ridge:
        design = np.concatenate([x[p.rows] for x, p in zip(rows, items, strict=True)])[:, terms]
        return Ridge(design, target, block, weight, scale[terms])

    every = np.ones(listed.size, dtype=bool)
    if count_squeezes(items) < LEAST_SQUEEZES:
        every &= ~listed["path"]

    def error(lag: tuple[float, float]) -> float:
        return regress(rows_of(*lag), force[:, 2:], every).choose(penalties=COARSE)[1]

    rise, fall = _choose_lag(error)
    features = rows_of(rise, fall)
    normal = regress(features, force[:, 2:], every)
    normal_penalty, _ = normal.choose(WITHIN)
    weights = np.zeros((every.size, 3))
    weights[every, 2] = normal.weights(normal_penalty)[:, 0]
    leverage = np.zeros((2, every.size, every.size))
    leverage[0][np.ix_(every, every)] = normal.leverage_matrix(normal_penalty)
    shear, shear_penalty = normal, normal_penalty
    if axes == 3:
        slow = every & ~listed["quick"]
        shear = regress(features, force[:, :2], slow)
        shear_penalty, _ = shear.choose(WITHIN)
        weights[slow, :2] = shear.weights(shear_penalty)
        leverage[1][np.ix_(slow, slow)] = shear.leverage_matrix(shear_penalty)
    return MapFit(
        axes, directions, low, high, weights, leverage, rise, fall, normal, shear, normal_penalty, shear_penalty,
        tuple(features),
    )  # fmt: skip


COARSE = (1e-4, 1e-3, 1e-2, 1e-1, 1.0)
"""Penalties tried while the lag is chosen (1)."""


def _choose_lag(error: Callable[[tuple[float, float]], float]) -> tuple[float, float]:
    """Return the lag with the least held-out error, one direction after the other; none unless it helps much."""
    known: dict[tuple[float, float], float] = {}

    def of(lag: tuple[float, float]) -> float:
        if lag not in known:
            known[lag] = error(lag)
        return known[lag]

    best = (0.0, 0.0)
    if of((RISE_S[2], FALL_S[4])) > of(best):
        return best  # a pad without a lag of its own: a middling one only adds noise
    for _ in range(2):
        best = min(((best[0], fall) for fall in FALL_S), key=of)
        best = min(((rise, best[1]) for rise in RISE_S), key=of)
    return best if of(best) < LAG_GAIN * of((0.0, 0.0)) else (0.0, 0.0)


def _principal_directions(items: Sequence[Pressed]) -> Array:
    """Return the principal directions of pressed departures; the first rises with a press."""
    pressed = np.concatenate([p.departure[p.rows][p.touched[p.rows]] for p in items])
    normal = np.concatenate([p.force_n[p.rows][p.touched[p.rows], 2] for p in items])
    directions = np.linalg.svd(pressed, full_matrices=False)[2][:MOST_COORDINATES]
    signs = np.sign((pressed @ directions.T * normal[:, None]).sum(axis=0))
    return np.asarray(directions * np.where(signs < 0.0, -1.0, 1.0)[:, None])


def _coordinate_range(items: Sequence[Pressed], directions: Array) -> tuple[Array, Array]:
    """Return the range in which each coordinate is believed: what was seen, and a share more."""
    seen = np.concatenate([p.departure[p.rows] @ directions.T for p in items])
    low, high = seen.min(axis=0), seen.max(axis=0)
    return low - TUNING.clip * (high - low), high + TUNING.clip * (high - low)


def features_of(pressed: Pressed, directions: Array, pad: PadRange) -> Array:
    """Return the features of a recording at full rate.

    Parameters
    ----------
    pressed : Pressed
        The recording.
    directions : numpy.ndarray, shape (k, c)
        Coordinates (1).
    pad : PadRange
        Range and lag.

    Returns
    -------
    numpy.ndarray, shape (n, f)
        Features (1).
    """
    coordinates = np.ascontiguousarray(pressed.departure @ directions.T)
    filters = new_filters(TUNING)[0]
    time_s, stretch = pressed.item.time_s, np.ascontiguousarray(pressed.stretch)
    features = feature_list(len(directions), TUNING).size
    return np.asarray(feature_rows(TUNING, pad, time_s, coordinates, stretch, pressed.touched, filters, features))


def map_gain(fit: MapFit, items: Sequence[Pressed]) -> Array:
    """Return the squared force per change of each channel, for a light press at the mean stretch.

    Parameters
    ----------
    fit : MapFit
        The fitted map.
    items : sequence of Pressed
        All recordings.

    Returns
    -------
    numpy.ndarray, shape (3, c)
        Squared gain (N^2).
    """
    count = len(fit.directions)
    touched = [p.stretch[p.touched] for p in items if p.touched.any()]
    stretch = float(np.concatenate(touched).mean())
    gain = np.zeros((3, count))
    first = SIDE_TERMS * (count - 1)
    w = fit.weights[first : first + FIRST_TERMS]
    gain[:, 0] = w[0] + w[3] * stretch + w[4] * stretch**2
    for i in range(1, count):
        w = fit.weights[SIDE_TERMS * (i - 1) : SIDE_TERMS * i]
        gain[:, i] = w[0] + w[2] * stretch
    return np.asarray((gain @ fit.directions) ** 2)


def fit_nonnegative(terms: Array, squares: Array, floor: float = 0.0) -> Array:
    """Return non-negative weights of squared errors, reweighted by the variance they give.

    Parameters
    ----------
    terms : numpy.ndarray, shape (n, k)
        Terms of the variance (any unit).
    squares : numpy.ndarray, shape (n,)
        Squared errors (any unit).
    floor : float
        Part of the variance that is known (unit of the squares).

    Returns
    -------
    numpy.ndarray, shape (k,)
        Weights (unit of the squares over that of the term).
    """
    variance = np.full(squares.size, max(float(squares.mean()), 1e-18))
    weights = np.zeros(terms.shape[1])
    for _ in range(6):
        row = 1.0 / np.maximum(variance, 1e-3 * squares.mean() + 1e-18)
        weights, _ = nnls(terms * row[:, None], np.maximum(squares - floor, 0.0 if floor == 0.0 else -np.inf) * row)
        variance = floor + terms @ weights
    return np.asarray(weights)
