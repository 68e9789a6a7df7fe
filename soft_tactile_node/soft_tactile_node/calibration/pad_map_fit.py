"""One fit of the pad's map and relaxation, with the sizes that are chosen elsewhere given.

Map and relaxation are fitted in turns: each is linear while the other is held.

Source: alternating least squares and non-negative least squares (Lawson & Hanson, Solving Least Squares Problems,
1974, ch. 23); the arrangement is our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from soft_tactile_node.calibration.pad_rows import LAG_S, Rows
from soft_tactile_node.calibration.ridge import Indices
from soft_tactile_node.estimation.pad import QUICK_LAGS, PadMap
from soft_tactile_node.estimation.pad_replay import elastic_design, relax_terms, relaxation_terms
from soft_tactile_node.samples import Array

FIT_STEP = 4
"""One row in so many enters the least squares: neighbours say the same."""

ROUNDS, BRIEF_ROUNDS = 6, 3
"""Turns of map and relaxation: of the fit that is kept, and of those that only compare sizes."""


@dataclass(frozen=True)
class Trial:
    """One fit with one set of choices.

    Attributes
    ----------
    pad : PadMap
        Constants of the model.
    held_out : numpy.ndarray, shape (n, a)
        Estimate of each row by a map that did not see its block (N).
    score : float
        Weighted mean squared held-out error of the last axis over that of a constant zero (1).
    losses : numpy.ndarray, shape (b,)
        Weighted mean squared held-out error of the last axis in each block (N^2).
    """

    pad: PadMap
    held_out: Array
    score: float
    losses: Array


def fit_map(
    rows: Rows, axes: int, columns: Sequence[int], penalties: Sequence[float], split: bool, rounds: int = ROUNDS
) -> Trial:
    """Fit map and relaxation of some axes.

    Parameters
    ----------
    rows : Rows
        What to fit to.
    axes : int
        1 for normal force only, 3 with shear.
    columns : sequence of int
        Axes to fit; the last one is scored.
    penalties : sequence of float
        Of each of them, relative to the mean squared term (1).
    split : bool
        Whether quick lags fill and empty at different rates.
    rounds : int
        Turns of map and relaxation (1).

    Returns
    -------
    Trial
        See Trial.
    """
    pad = _gauges(rows, axes)
    designs = [elastic_design(pad, u, s) for u, s in zip(rows.contacts, rows.loads, strict=True)]
    chosen = np.arange(0, sum(len(d) for d in designs), FIT_STEP)
    weights, fill, empty, held_out = [], [], [], []
    for column, penalty in zip(columns, penalties, strict=True):
        target = rows.force_n[:, column]
        weight, shares, estimate = _fit_axis(rows, designs, target, chosen, penalty, split, rounds)
        weights.append(weight)
        fill.append(shares[0])
        empty.append(shares[1])
        held_out.append(estimate)
    pad = pad._replace(weights=np.stack(weights, axis=1), fill=np.array(fill), empty=np.array(empty))
    guess = np.stack(held_out, axis=1)
    force = rows.force_n[:, columns[-1]]
    squared = ((guess[:, -1] - force) * rows.weight) ** 2
    losses = np.bincount(rows.block, squared) / np.bincount(rows.block)
    return Trial(pad, guess, float(squared.mean() / np.mean((force * rows.weight) ** 2)), losses)


def _gauges(rows: Rows, axes: int) -> PadMap:
    """Return a pad whose gauges are set and whose map is still empty."""
    contact = np.vstack(rows.contacts)
    columns = [2] if axes == 1 else [0, 1, 2]
    scale = np.sqrt((contact**2).mean(axis=0)) + 1e-15
    unit = contact / scale
    gram = unit.T @ unit + 1e-3 * len(unit) * np.eye(unit.shape[1])
    lean = np.linalg.solve(gram, unit.T @ rows.force_n[:, columns]) / scale[:, None]
    gauge = contact @ lean
    span = np.quantile(np.abs(gauge), 0.999, axis=0)
    gauge, lean = gauge / span, lean / span
    empty = np.zeros((axes, LAG_S.size))
    return PadMap(
        scale=scale,
        lean=np.ascontiguousarray(lean),
        low=gauge.min(axis=0),
        high=gauge.max(axis=0),
        weights=np.zeros((0, axes)),
        lag_s=LAG_S,
        fill=empty,
        empty=empty.copy(),
    )


def _fit_axis(
    rows: Rows, designs: Sequence[Array], target: Array, chosen: Indices, penalty: float, split: bool, rounds: int
) -> tuple[Array, Array, Array]:
    """Fit one axis; return its weights, its shares (filling, emptying) and its held-out estimate."""
    shares = np.zeros((2, LAG_S.size))
    weight = _solve(np.vstack(designs)[chosen], target[chosen], rows.weight[chosen], penalty)
    passed = np.vstack(designs)
    for _ in range(rounds):
        responses = [d @ weight for d in designs]
        gaps = np.concatenate([relaxation_terms(t, e, LAG_S) for t, e in zip(rows.times, responses, strict=True)])
        shares = fit_shares(gaps[chosen], (target - np.concatenate(responses))[chosen], rows.weight[chosen], split)
        pieces = []
        start = 0
        for time_s, design in zip(rows.times, designs, strict=True):
            rising = gaps[start : start + len(time_s), 0] > 0.0
            start += len(time_s)
            pieces.append(relax_terms(time_s, design, LAG_S, np.where(rising, shares[0], shares[1])))
        passed = np.vstack(pieces)
        weight = _solve(passed[chosen], target[chosen], rows.weight[chosen], penalty)
    return weight, shares, _hold_out(passed, target, chosen, rows, penalty)


def fit_shares(gaps: Array, rest: Array, weight: Array, split: bool) -> Array:
    """Return the shares of the lags, not negative.

    Parameters
    ----------
    gaps : numpy.ndarray, shape (n, 2, k)
        See `estimation.pad_replay.relaxation_terms` (N).
    rest : numpy.ndarray, shape (n,)
        Force less elastic response (N).
    weight : numpy.ndarray, shape (n,)
        Square root of the weight of each row's squared error (1).
    split : bool
        Whether quick lags may fill and empty at different rates.

    Returns
    -------
    numpy.ndarray, shape (2, k)
        Shares when filling and when emptying (1).
    """
    both = gaps.sum(axis=1)
    parts = [gaps[:, 0, :QUICK_LAGS], gaps[:, 1, :QUICK_LAGS], both[:, QUICK_LAGS:]] if split else [both]
    terms = np.hstack(parts) * weight[:, None]
    size = np.sqrt(np.mean(both[:, -1] ** 2)) + 1e-12
    bounded = np.vstack([terms, 1e-3 * size * np.sqrt(len(terms)) * np.eye(terms.shape[1])])
    # the triangular factor has the same solution, and as few rows as unknowns
    basis, factor = np.linalg.qr(bounded)
    found, _ = nnls(factor, basis.T @ np.concatenate([rest * weight, np.zeros(terms.shape[1])]))
    if not split:
        return np.array([found, found])
    slow = found[2 * QUICK_LAGS :]
    quick = found[: 2 * QUICK_LAGS].reshape(2, QUICK_LAGS)
    return np.hstack([quick, np.tile(slow, (2, 1))])


def _solve(design: Array, target: Array, weight: Array, penalty: float) -> Array:
    """Return ridge weights of one target."""
    scale = np.sqrt(np.mean(design**2, axis=0)) + 1e-15
    a = design / scale * weight[:, None]
    return np.asarray(np.linalg.solve(a.T @ a + penalty * len(a) * np.eye(a.shape[1]), a.T @ (target * weight)) / scale)


def _hold_out(design: Array, target: Array, chosen: Indices, rows: Rows, penalty: float) -> Array:
    """Return the estimate of each row by a map that did not see its block; the relaxation is kept."""
    scale = np.sqrt(np.mean(design[chosen] ** 2, axis=0)) + 1e-15
    scaled = design / scale
    a = scaled[chosen] * rows.weight[chosen, None]
    b = target[chosen] * rows.weight[chosen]
    block = rows.block[chosen]
    gram, cross = a.T @ a + penalty * len(a) * np.eye(a.shape[1]), a.T @ b
    out = np.zeros(len(design))
    for number in np.unique(rows.block):
        own = a[block == number]
        weight = np.linalg.solve(gram - own.T @ own, cross - own.T @ b[block == number])
        inside = rows.block == number
        out[inside] = scaled[inside] @ weight
    return out
