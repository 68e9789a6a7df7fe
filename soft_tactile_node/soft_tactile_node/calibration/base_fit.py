"""Fit of the free bend: each channel from the history of the pressure, and how far the rest wanders.

Temperature stands beside the terms while they are fitted, so that a bench that warms up is not taken for creep; its
slope is kept only as far as the recordings tell it apart from creep.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.calibration.preparation import Prepared, hold_last
from soft_tactile_node.calibration.ridge import Indices, Ridge, split_blocks
from soft_tactile_node.estimation.departure import departure_rows, new_learnt
from soft_tactile_node.estimation.drive import drive_terms, rest_terms
from soft_tactile_node.estimation.tuning import TUNING
from soft_tactile_node.samples import Array

FIT_RATE_HZ = 50.0
"""Rows are thinned to about this rate before they are fitted (Hz)."""

GAPS_S = np.arange(8.0, 15.1, 0.5)
"""Distances over which the wander of a channel is measured (s)."""

SETTLED_S = 0.5
"""Rows count for the wander this long after a contact (s)."""


@dataclass(frozen=True)
class BaseFit:
    """The fitted free bend.

    Attributes
    ----------
    scale_pa : float
        Highest calibrated pressure (gauge Pa).
    weights : numpy.ndarray, shape (m, c)
        Weights of the drive's terms (1).
    stretch : numpy.ndarray, shape (c,)
        Weights of the stretch, 1 at the largest free bend (1).
    angle_weights : numpy.ndarray, shape (m + 1,), or None
        Weights of the bend angle, and the angle at rest (rad); None without a bend reference.
    angle_deviation_rad : float or None
        Held-out error of the bend angle (rad).
    slope, slope_deviation : numpy.ndarray, shape (c,)
        Temperature slope and what is not known of it (1/K).
    residuals : tuple of numpy.ndarray, shape (n, c)
        Held-out residual of each free-bend recording at full rate, temperature taken off (1); NaN where a sample was
        missing.
    """

    scale_pa: float
    weights: Array
    stretch: Array
    angle_weights: Array | None
    angle_deviation_rad: float | None
    slope: Array
    slope_deviation: Array
    residuals: tuple[Array, ...]

    def bending(self, item: Prepared) -> Array:
        """Return the free bending (1), shape (n, c), of the tared recording `item` since its tare."""
        return terms_since_tare(item, self.scale_pa) @ self.weights


def terms_since_tare(item: Prepared, scale_pa: float) -> Array:
    """Return the drive's terms (1), shape (n, m), of the tared `item` less those of its tare, over `scale_pa` (Pa)."""
    p = item.pressure_pa / scale_pa
    rest = item.time_s <= item.time_s[0] + 1.0
    return drive_terms(TUNING, item.time_s, p) - rest_terms(TUNING, float(p[rest].mean()))


def thin_rows(item: Prepared) -> Indices:
    """Return the rows of the tared `item` to fit, shape (r,) (1): complete, after the tare, at about `FIT_RATE_HZ`."""
    step = max(1, round(1.0 / (FIT_RATE_HZ * float(np.median(np.diff(item.time_s))))))
    return np.flatnonzero((item.time_s > item.time_s[0] + 1.0) & np.isfinite(item.change).all(axis=1))[::step]


def fit_base(free: Sequence[Prepared], scale_pa: float) -> BaseFit:
    """Fit the free bend to the recordings `free`, without contact; `scale_pa` is the highest pressure (gauge Pa)."""
    designs = [terms_since_tare(item, scale_pa) for item in free]
    rows = [thin_rows(item) for item in free]
    times = [item.time_s[r] for item, r in zip(free, rows, strict=True)]
    block = split_blocks(times)
    design = np.concatenate([d[r] for d, r in zip(designs, rows, strict=True)])
    warm = np.concatenate([item.temperature_change[r] for item, r in zip(free, rows, strict=True)])[:, None]
    change = np.concatenate([item.change[r] for item, r in zip(free, rows, strict=True)])
    ridge = Ridge(np.hstack([design, warm]), change, block)
    penalty, _ = ridge.choose()
    weights = ridge.weights(penalty)[:-1]
    bent = design @ weights
    direction = np.linalg.svd(bent, full_matrices=False)[2][0]
    along = bent @ direction
    furthest = along[np.argmax(np.abs(along))]
    slope, deviation = _temperature_slope(design, warm, change - bent, block)
    angle_weights, angle_deviation = _fit_angle(free, designs, rows, times)
    return BaseFit(
        scale_pa=scale_pa,
        weights=weights,
        stretch=direction / furthest,
        angle_weights=angle_weights,
        angle_deviation_rad=angle_deviation,
        slope=slope,
        slope_deviation=deviation,
        residuals=tuple(
            residual - item.temperature_change[:, None] * slope
            for item, residual in zip(free, _residuals(free, designs, times, ridge, penalty), strict=True)
        ),
    )


def _residuals(
    free: Sequence[Prepared], designs: Sequence[Array], times: Sequence[Array], ridge: Ridge, penalty: float
) -> list[Array]:
    """Return the residual of every row by a fit that did not see its block."""
    first = 0
    out = []
    for item, design, time_s in zip(free, designs, times, strict=True):
        number = split_blocks([np.concatenate([time_s[:1], item.time_s])])[1:]
        last = int(split_blocks([time_s])[-1])
        number = np.clip(number, 0, last)
        residual = np.empty_like(item.change)
        for block in range(last + 1):
            here = number == block
            residual[here] = item.change[here] - design[here] @ ridge.weights(penalty, first + block)[:-1]
        first += last + 1
        out.append(residual)
    return out


def _temperature_slope(design: Array, warm: Array, left: Array, block: Indices) -> tuple[Array, Array]:
    """Return the slope of each channel with temperature and what is not known of it (1/K).

    Only the part of the temperature that the terms cannot imitate tells; rows of a block count once, for they are
    correlated.
    """
    prior = TUNING.slope_prior
    if np.ptp(warm) < 1.0:
        return np.zeros(left.shape[1]), np.full(left.shape[1], prior)
    imitated = design @ Ridge(design, warm, block).weights(1e-6)
    own = (warm - imitated)[:, 0]
    blocks = np.unique(block).size
    own_square = float(np.mean((own - own.mean()) ** 2)) * blocks
    noise = np.maximum(left.std(axis=0), 1e-9)
    information = own_square / noise**2
    estimate = (own @ left) / max(float(own @ own), 1e-12)
    variance = 1.0 / (information + 1.0 / prior**2)
    return variance * information * estimate, np.sqrt(variance)


def _fit_angle(
    free: Sequence[Prepared], designs: Sequence[Array], rows: Sequence[Indices], times: Sequence[Array]
) -> tuple[Array | None, float | None]:
    """Fit the bend angle where every recording has a bend reference."""
    angles = [item.bend_rad for item in free]
    if any(angle is None for angle in angles):
        return None, None
    bend = np.concatenate([angle[r] for angle, r in zip(angles, rows, strict=True) if angle is not None])[:, None]
    good = np.isfinite(bend[:, 0])
    if good.sum() < 500:
        return None, None
    # a finger is bent a little at rest, too
    design = np.concatenate([np.column_stack([d[r], np.ones(r.size)]) for d, r in zip(designs, rows, strict=True)])
    ridge = Ridge(design[good], bend[good], split_blocks(times)[good])
    penalty, error = ridge.choose()
    return ridge.weights(penalty)[:, 0], float(np.sqrt(error))


def fill_gaps(values: Array) -> Array:
    """Return `values`, shape (n, c), any unit, each NaN replaced by the last number of its column."""
    return np.stack([hold_last(values[:, k]) for k in range(values.shape[1])], axis=1)


def measure_drift(items: Sequence[Prepared], residuals: Sequence[Array], touched: Sequence[Array]) -> Array:
    """Return the random walk of each channel: the larger of what free-bend and press recordings show.

    Parameters
    ----------
    items : sequence of Prepared
        Recordings.
    residuals : sequence of numpy.ndarray, shape (n, c)
        Change less free bending (1).
    touched : sequence of numpy.ndarray of bool, shape (n,)
        Where something touches.

    Returns
    -------
    numpy.ndarray, shape (c,)
        Change per square root of a second (1).
    """
    walks = [
        _walk(item.time_s, fill_gaps(residual), _settled(item.time_s, contact))
        for item, residual, contact in zip(items, residuals, touched, strict=True)
    ]
    return np.asarray(np.maximum(np.max(walks, axis=0), 1e-7))


def _settled(time_s: Array, touched: Array) -> Array:
    """Return where nothing has touched for a while."""
    last = np.where(touched, time_s, -np.inf)
    return np.asarray(time_s - np.maximum.accumulate(last) > SETTLED_S)


def _walk(time_s: Array, residual: Array, settled: Array) -> Array:
    """Return the rms difference of half-second means over the root of their distance."""
    centres, means = [], []
    for centre in np.arange(time_s[0] + 0.25, time_s[-1], 0.5):
        first, last = np.searchsorted(time_s, [centre - 0.25, centre + 0.25])
        if last - first > 3 and settled[first:last].all():
            centres.append(centre)
            means.append(residual[first:last].mean(axis=0))
    if len(centres) < 3:
        return np.zeros(residual.shape[1])
    at, mean = np.array(centres), np.array(means)
    squares = []
    for gap in GAPS_S:
        later = np.searchsorted(at, at + gap - 0.01)
        pairs = np.flatnonzero(later < len(at))
        pairs = pairs[np.abs(at[later[pairs]] - at[pairs] - gap) < 0.1]
        squares.append((mean[later[pairs]] - mean[pairs]) ** 2 / gap)
    joined = np.concatenate(squares)
    return np.sqrt(joined.mean(axis=0)) if len(joined) else np.zeros(residual.shape[1])


def departures(item: Prepared, raw: Array, touched: Array, base: BaseFit, drift: Array) -> Array:
    """Return what bending leaves of each channel, zero and temperature learnt as the estimator does.

    Parameters
    ----------
    item : Prepared
        A tared recording.
    raw : numpy.ndarray, shape (n, c)
        Change less free bending (1); NaN = missing.
    touched : numpy.ndarray of bool, shape (n,)
        Where something touches.
    base : BaseFit
        Supplies the temperature slopes.
    drift : numpy.ndarray, shape (c,)
        See `measure_drift` (1).

    Returns
    -------
    numpy.ndarray, shape (n, c)
        Departures (1).
    """
    learnt = new_learnt(drift, base.slope, base.slope_deviation)
    free = np.logical_not(touched)
    return np.asarray(departure_rows(TUNING, learnt, drift, item.time_s, fill_gaps(raw), item.temperature_change, free))
