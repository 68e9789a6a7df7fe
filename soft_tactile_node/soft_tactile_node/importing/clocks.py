"""Two logs of one press on one clock: the offset, found where the rates of force and inductance agree best.

The channels' rates are explained, at each possible offset, by the rates of the force and of its square (pads stiffen)
and by first-order lags of both. A pad that answers late must not be taken for a clock: a clock shifts loading and
unloading alike, while a pad lags in the one more than in the other (it fills more quickly than it empties, creeps more
than it recovers), so the lags of loading have weights of their own. What answers at once is elastic and has none. The
share of the channels' variance that this explains is the agreement. Its largest value tells the offset; a second place
where it is nearly as large makes the offset ambiguous.

The uncertainty has four parts, added in squares: how much the offset depends on each stretch of the logs
(delete-one-block jackknife); how much on the description of the pad (a richer one, taken as half the width of a
rectangular distribution; JCGM 100:2008, 4.3.7); how much of the pad's own lag may be left in it, a share of what lags
move the offset by at all; and what is left over with all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import scipy  # loads its parts when they are used, so that a log without a second one does not wait for them

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.samples import Array

STEP_S = 0.005
"""Grid on which rates are compared (s); offsets are found between its points."""

SMOOTHING_S = 0.02
"""Width of the Gaussian the rates are smoothed with, or the spacing of the slower log if that is larger (s)."""

WIDEST_S = 0.1
"""Widest smoothing against noise of the force (s)."""

NOISE_SHARE = 1.0e-3
"""Share of noise in the variance of the force's rate that does no harm (1)."""

PAD_LAGS_S = (0.03, 0.12, 0.5)
"""Lags with which a pad may answer, beside at once (s)."""

PRESSURE_RATE_PA_S = 2000.0
"""Pressure that changes faster moves the channels by bending: those rows do not count (Pa/s)."""

LEAST_AGREEMENT = 0.25
"""Below this share of explained variance the logs have nothing in common (1)."""

CLEAR_RATIO = 1.5
"""The unexplained variance elsewhere must be larger by this factor, or the offset is ambiguous (1)."""

LOBE_S = 0.5
"""Offsets closer than this to the best one belong to its own peak (s)."""

REACH_S = 0.25
"""How far around the best offset it is refined (s)."""

BLOCKS = 16
"""Stretches of the logs that the jackknife leaves out in turn."""

LAG_SHARE = 1.0 / 3.0
"""Of what the pad's lags move the offset by, this much more or less may be the clock (1): the lags stand in for others,
and loading may hardly differ from unloading. Cells of 30 to 200 ms that answer by a lag alone stay within it."""

SYSTEMATIC_S = 2.0e-3
"""What neither of two descriptions tells from a clock: left over on simulated pads of both variants (s)."""

LEAST_OVERLAP_S = 5.0
"""Offsets that leave less in common are not looked at (s)."""


@dataclass(frozen=True)
class ClockOffset:
    """How the clock of a second log runs against that of the main one.

    Attributes
    ----------
    offset_s : float
        Main clock less second clock, at `at_s` (s).
    uncertainty_s : float
        Its standard uncertainty (s); 0 where the offset was given.
    rate : float
        How much the offset grows per time (1); 0 unless that stands out of its uncertainty.
    at_s : float
        Time by the second clock at which `offset_s` holds (s).
    agreement : float
        Share of the channels' variance that the force explains (1); NaN where the offset was given.
    """

    offset_s: float
    uncertainty_s: float = 0.0
    rate: float = 0.0
    at_s: float = 0.0
    agreement: float = float("nan")

    def apply(self, time_s: Array) -> Array:
        """Return times of the second log, `time_s` (s), shape (n,), by the main clock (s)."""
        return np.asarray(time_s + self.offset_s + self.rate * (time_s - self.at_s))


@dataclass(frozen=True)
class _Rates:
    """Both logs as rates on one grid, each from its own start."""

    channels: Array  # (n, c), zero where a row does not count
    weight: Array  # (n,), 1 where a row counts
    force: Array  # (m, k), rates of the force, of its square, and their lags
    axes: int  # how many of its columns are the force itself; its square follows
    basic: int  # how many of its columns the basic description of the pad has


def find_offset(
    time_s: Array, change: Array, pressure_pa: Array, force_time_s: Array, force_n: Array, *, where: str = "reference"
) -> ClockOffset:
    """Return the offset between the clocks of two logs of the same presses.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Times of the main log, rising (s).
    change : numpy.ndarray, shape (n, c)
        Its channels, relative (1); NaN = missing.
    pressure_pa : numpy.ndarray, shape (n,)
        Its pressure (Pa); NaN = no new reading.
    force_time_s : numpy.ndarray, shape (m,)
        Times of the second log, rising (s).
    force_n : numpy.ndarray, shape (m, a)
        Its force (N), normal force last; NaN = missing.
    where : str
        Name of the second log, for messages.

    Returns
    -------
    ClockOffset
        The offset.

    Raises
    ------
    RecordingError
        A log is too short, they have nothing in common, or several offsets fit alike.
    """
    for name, times in (("main", time_s), ("second", force_time_s)):
        if times.size < 20 or times[-1] - times[0] < LEAST_OVERLAP_S:
            raise RecordingError(
                f"{where}: the {name} log is shorter than {LEAST_OVERLAP_S:g} s; record presses in both"
            )
    rates = _rates(time_s, change, pressure_pa, force_time_s, force_n)
    lags, agreement = _scan(rates)
    best = int(np.argmax(agreement))
    between = time_s[0] - force_time_s[0]
    _check_clear(lags, agreement, best, between, where)
    sums = _BlockSums(rates, int(lags[best]))
    lag_s, rate, spread_s = sums.refine()
    richer_s = sums.refine_with(rates.force.shape[1], rate)
    prompt_s = sums.refine_with(rates.axes + 1, rate)
    half_widths_s = np.array([richer_s - lag_s, LAG_SHARE * (prompt_s - lag_s)])
    # the lag of the refined fit holds in the middle of the main log
    middle_s = 0.5 * (time_s[-1] - time_s[0])
    return ClockOffset(
        offset_s=float(between + lag_s),
        uncertainty_s=float(np.linalg.norm([spread_s, *half_widths_s / np.sqrt(3.0), SYSTEMATIC_S])),
        rate=float(rate),
        at_s=float(force_time_s[0] + middle_s - lag_s),
        agreement=float(agreement[best]),
    )


def _rates(time_s: Array, change: Array, pressure_pa: Array, force_time_s: Array, force_n: Array) -> _Rates:
    spacing_s = max(float(np.median(np.diff(time_s))), float(np.median(np.diff(force_time_s))))
    width = max(SMOOTHING_S, 0.8 * spacing_s, _smoothing_against_noise(force_time_s, force_n)) / STEP_S
    channels = np.column_stack([_rate(time_s, column, width) for column in change.T])
    weight = np.ones(len(channels))
    if np.isfinite(pressure_pa).sum() > 2:
        still = np.abs(_rate(time_s, pressure_pa, 3.0 * width)) < PRESSURE_RATE_PA_S
        still = scipy.ndimage.binary_erosion(still, iterations=round(0.1 / STEP_S), border_value=1)
        # a log that never rests has to be used as it is
        if still.mean() > 0.2:
            weight = still.astype(float)
    channels = (channels - np.average(channels, axis=0, weights=weight)) * weight[:, None]
    normal_n = force_n[:, -1]
    axes = [_rate(force_time_s, column, width) for column in force_n.T]
    square = _rate(force_time_s, normal_n * np.abs(normal_n), width)
    loading = np.maximum(axes[-1], 0.0)
    terms = [*axes, square, *(_lag(rate, lag_s) for rate in (axes[-1], square, loading) for lag_s in PAD_LAGS_S)]
    richer = [_lag(np.maximum(square, 0.0), lag_s) for lag_s in PAD_LAGS_S]
    return _Rates(channels, weight, np.column_stack(terms + richer), len(axes), len(terms))


def _smoothing_against_noise(time_s: Array, force_n: Array) -> float:
    """Return the smoothing (s) that leaves white noise NOISE_SHARE of the variance of the force's rate.

    Noise in what explains takes weight from the prompt term and gives it to the lags, which would shift the offset. A
    Gaussian derivative of width w passes variance noise^2 spacing / (4 sqrt(pi) w^3) of white noise.
    """
    worst_s = 0.0
    spacing_s = float(np.median(np.diff(time_s)))
    for column in force_n.T:
        known = column[np.isfinite(column)]
        if known.size < 10:
            continue
        # second differences of a slow signal are noise, six times its variance
        noise_n = 1.4826 * float(np.median(np.abs(np.diff(known, 2)))) / np.sqrt(6.0)
        passed = noise_n**2 * spacing_s / (4.0 * np.sqrt(np.pi))
        total = float(np.var(_rate(time_s, column, SMOOTHING_S / STEP_S)))
        signal = max(total - passed / SMOOTHING_S**3, 0.1 * total) + 1e-300
        worst_s = max(worst_s, float(np.cbrt(passed / (NOISE_SHARE * signal))))
    return min(worst_s, WIDEST_S)


def _lag(values: Array, lag_s: float) -> Array:
    keep = np.exp(-STEP_S / lag_s)
    return np.asarray(scipy.signal.lfilter([1.0 - keep], [1.0, -keep], values))


def _rate(time_s: Array, values: Array, width: float) -> Array:
    """Return the smoothed rate of change on the grid, from the first time to the last."""
    good = np.isfinite(values)
    if good.sum() < 2:
        return np.zeros(1 + int((time_s[-1] - time_s[0]) / STEP_S))
    times, known = time_s[good], values[good]
    group = max(1, round(STEP_S / max(float(np.median(np.diff(times))), 1e-6)))
    if group > 1:
        known = scipy.ndimage.uniform_filter1d(known, group, mode="nearest")
    grid = time_s[0] + STEP_S * np.arange(1 + int((time_s[-1] - time_s[0]) / STEP_S))
    return np.asarray(
        scipy.ndimage.gaussian_filter1d(np.interp(grid, times, known), width, order=1, mode="nearest") / STEP_S
    )


def _explained(gram: Array, cross: Array, ridge: Array) -> Array:
    """Return what k terms explain of c channels: sum of cross' gram^-1 cross; shapes (..., k, k), (..., k, c), (k,)."""
    return np.asarray(np.sum(cross * np.linalg.solve(gram + np.diag(ridge), cross), axis=(-2, -1)))


def _ridge(rates: _Rates) -> Array:
    """Return what is added to the diagonal: what the force itself explains is not left to lags and square."""
    share = np.where(np.arange(rates.force.shape[1]) < rates.axes, 1e-6, 1e-3)
    return np.asarray(share * np.sum(rates.force**2, axis=0) + 1e-30)


def _scan(rates: _Rates) -> tuple[Array, Array]:
    """Return each lag (grid steps, main less second) and the agreement there."""
    n, m = len(rates.channels), len(rates.force)
    lags = scipy.signal.correlation_lags(n, m, mode="full")
    overlap = np.minimum(n, lags + m) - np.maximum(0, lags)
    looked = overlap >= LEAST_OVERLAP_S / STEP_S
    k, c = rates.basic, rates.channels.shape[1]
    gram = np.empty((int(looked.sum()), k, k))
    cross = np.empty((len(gram), k, c))
    for i in range(k):
        for j in range(i + 1):
            product = scipy.signal.correlate(rates.weight, rates.force[:, i] * rates.force[:, j], method="fft")[looked]
            gram[:, i, j] = gram[:, j, i] = product
        for j in range(c):
            cross[:, i, j] = scipy.signal.correlate(rates.channels[:, j], rates.force[:, i], method="fft")[looked]
    total = float(np.sum(rates.channels**2)) + 1e-300
    return lags[looked], _explained(gram, cross, _ridge(rates)[:k]) / total


def _check_clear(lags: Array, agreement: Array, best: int, between: float, where: str) -> None:
    top = float(agreement[best])
    if not top >= LEAST_AGREEMENT:
        raise RecordingError(
            f"{where}: force and channels have nothing in common (agreement {max(top, 0.0):.2f} of 1); record the same "
            "presses in both logs, or give reference.offset_s"
        )
    away = np.abs(lags - lags[best]) > LOBE_S / STEP_S
    if not away.any():
        return
    other = int(np.argmax(np.where(away, agreement, -np.inf)))
    if 1.0 - agreement[other] < CLEAR_RATIO * (1.0 - top):
        first, second = between + lags[best] * STEP_S, between + lags[other] * STEP_S
        raise RecordingError(
            f"{where}: the clock offset is ambiguous, {first:+.3f} s and {second:+.3f} s fit alike (agreement "
            f"{top:.2f} and {agreement[other]:.2f} of 1); press at uneven intervals, or give reference.offset_s"
        )


class _BlockSums:
    """Sums over stretches of the main log at lags around the best one, from which any selection of them is refined."""

    def __init__(self, rates: _Rates, lag: int) -> None:
        n, m = len(rates.channels), len(rates.force)
        reach = round(REACH_S / STEP_S)
        self.lag_s = STEP_S * np.arange(lag - reach, lag + reach + 1)
        edges = np.linspace(0, n, BLOCKS + 1).astype(int)
        blocks = [slice(*pair) for pair in pairwise(edges)]
        self.middle_s = STEP_S * (edges[:-1] + 0.5 * n / BLOCKS) - 0.5 * STEP_S * n
        padded = np.zeros((n, rates.force.shape[1]))
        gram, cross = [], []
        for shift in range(lag - reach, lag + reach + 1):
            low, high = max(0, shift), min(n, m + shift)
            padded[:] = 0.0
            padded[low:high] = rates.force[low - shift : high - shift]
            weighted = padded * rates.weight[:, None]
            gram.append([weighted[block].T @ padded[block] for block in blocks])
            cross.append([padded[block].T @ rates.channels[block] for block in blocks])
        self._gram = scipy.interpolate.CubicSpline(self.lag_s, np.array(gram)).c
        self._cross = scipy.interpolate.CubicSpline(self.lag_s, np.array(cross)).c
        self._total = np.array([np.sum(rates.channels[block] ** 2) for block in blocks])
        self._ridge = _ridge(rates)
        self._basic = rates.basic
        self._start_s = float(STEP_S * lag)

    def _each(self, pieces: Array, at_s: Array) -> Array:
        """Return the sums of each stretch at a lag of its own, `at_s` (BLOCKS,) (s), from the pieces of its cubic."""
        piece = np.clip(np.searchsorted(self.lag_s, at_s, side="right") - 1, 0, self.lag_s.size - 2)
        past_s = (at_s - self.lag_s[piece])[:, None, None]
        cubic, square, slope, level = pieces[:, piece, np.arange(BLOCKS)]
        return np.asarray(((cubic * past_s + square) * past_s + slope) * past_s + level)

    def refine(self) -> tuple[float, float, float]:
        """Return lag in the middle of the main log (s), growth of it (1), and the lag's standard uncertainty (s)."""
        every = np.ones(BLOCKS, dtype=bool)
        others = [every & (np.arange(BLOCKS) != left) for left in range(BLOCKS)]
        whole = self._fit(every, drifting=True)
        parts = np.array([self._fit(kept, drifting=True) for kept in others])
        spread = _jackknife(parts)
        length_s = float(self.middle_s[-1] - self.middle_s[0])
        if abs(whole[1]) > 4.0 * spread[1] and abs(whole[1]) * length_s > STEP_S:
            return float(whole[0]), float(whole[1]), float(spread[0])
        whole = self._fit(every, drifting=False)
        parts = np.array([self._fit(kept, drifting=False) for kept in others])
        return float(whole[0]), 0.0, float(_jackknife(parts)[0])

    def refine_with(self, terms: int, growth: float) -> float:
        """Return the lag (s) where the first so many `terms` describe the pad, at a `growth` (1) of the lag."""
        every = np.ones(BLOCKS, dtype=bool)
        return float(self._fit(every, drifting=growth != 0.0, terms=terms)[0])

    def _fit(self, kept: Any, *, drifting: bool, terms: int = 0) -> Array:
        """Return lag (s) and its growth (1) that explain most of the kept stretches."""
        k = terms or self._basic
        far_s = float(np.abs(self.middle_s).max())

        def lost(place: Array) -> float:
            at = self._start_s + place[0] + (place[1] / far_s * self.middle_s if drifting else 0.0 * self.middle_s)
            at = np.clip(at, self.lag_s[0], self.lag_s[-1])
            gram = self._each(self._gram, at)[kept, :k, :k].sum(axis=0)
            cross = self._each(self._cross, at)[kept, :k].sum(axis=0)
            return 1.0 - float(_explained(gram, cross, self._ridge[:k])) / (float(self._total[kept].sum()) + 1e-300)

        size = 2 if drifting else 1
        start = np.zeros((size + 1, size))
        start[1:] = 0.01 * np.eye(size)
        found = scipy.optimize.minimize(
            lost, np.zeros(size), method="Nelder-Mead",
            options={"initial_simplex": start, "xatol": 1e-6, "fatol": 1e-12, "maxiter": 400},
        )  # fmt: skip
        growth = found.x[1] / far_s if drifting else 0.0
        return np.array([self._start_s + found.x[0], growth])


def _jackknife(parts: Array) -> Array:
    """Return the standard uncertainty of each column from its values with one block left out."""
    count = len(parts)
    return np.asarray(np.sqrt((count - 1) / count * np.sum((parts - parts.mean(axis=0)) ** 2, axis=0)))
