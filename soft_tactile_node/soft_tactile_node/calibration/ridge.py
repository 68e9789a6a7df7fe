"""Regularised least squares with blocked cross-validation, on normal equations that are summed once per block.

Source: ridge regression, Hoerl & Kennard, Technometrics 12 (1970) 55-67; blocked folds because samples of one recording
are correlated (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear

from soft_tactile_node.samples import Array

Indices = NDArray[np.signedinteger[Any]]
"""Row or block numbers."""

PENALTIES = tuple(10.0 ** np.arange(-8.0, 0.1, 1.0))
"""Candidate penalties relative to the mean squared column (1)."""


LEAST_SHARE = 0.05
"""Smallest share of the mean response that a bound weight keeps (1): a response of zero could not be inverted."""


@dataclass(frozen=True)
class RidgeFit:
    """Weights and what the held-out blocks say of them.

    Attributes
    ----------
    weights : numpy.ndarray, shape (m, k)
        Weights of all terms for each target, zero for terms left out.
    held_out : numpy.ndarray, shape (n, k)
        Prediction of each row by a fit that did not see its block.
    penalty : float
        Chosen penalty, relative (1).
    score : float
        Weighted mean squared held-out error, relative to the targets' mean square (1).
    terms : numpy.ndarray of bool, shape (m,)
        Terms that were offered.
    """

    weights: Array
    held_out: Array
    penalty: float
    score: float
    terms: Array


def split_blocks(lengths: Sequence[int], blocks: int) -> Indices:
    """Return a block number for each row of several concatenated recordings.

    Parameters
    ----------
    lengths : sequence of int
        Rows of each recording.
    blocks : int
        Blocks in all, shared out by length.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Block numbers; each block is a contiguous piece of one recording.
    """
    numbers: list[Indices] = []
    start = 0
    total = sum(lengths)
    for length in lengths:
        count = max(2, round(blocks * length / total))
        numbers.append(start + np.arange(length) * count // length)
        start += count
    return np.concatenate(numbers)


def fit_ridge(
    design: Array,
    target: Array,
    block: Indices,
    row_weight: Array | None = None,
    candidates: Sequence[Array] | None = None,
    penalties: Sequence[float] = PENALTIES,
) -> RidgeFit:
    """Fit by ridge regression; penalty and set of terms are chosen on held-out blocks.

    Parameters
    ----------
    design : numpy.ndarray, shape (n, m)
        Terms; no NaN.
    target : numpy.ndarray, shape (n, k)
        What is to be explained (any unit); no NaN.
    block : numpy.ndarray of int, shape (n,)
        Block of each row; one block at a time is held out.
    row_weight : numpy.ndarray, shape (n,), or None
        Weight of each row's squared error (1).
    candidates : sequence of numpy.ndarray of bool, shape (m,), or None
        Sets of terms to choose from, smallest first; a larger set must win by 2 %. None offers all terms.
    penalties : sequence of float
        Candidate penalties (1).

    Returns
    -------
    RidgeFit
        See RidgeFit.
    """
    weight = np.ones(design.shape[0]) if row_weight is None else row_weight
    scale = np.sqrt(np.average(design**2, axis=0, weights=weight))
    scale[scale == 0.0] = 1.0
    scaled = design / scale
    root = np.sqrt(weight)[:, None]
    a = scaled * root
    b = target * root
    blocks = np.unique(block)
    rows = [np.flatnonzero(block == number) for number in blocks]
    grams = np.stack([a[r].T @ a[r] for r in rows])
    crosses = np.stack([a[r].T @ b[r] for r in rows])
    gram, cross = grams.sum(axis=0), crosses.sum(axis=0)
    spread = np.maximum((b**2).mean(axis=0), 1e-300)
    best: tuple[float, float, Array] | None = None
    for keep in candidates if candidates is not None else [np.ones(design.shape[1], dtype=bool)]:
        chosen = _best_penalty(gram, cross, grams, crosses, keep, penalties, len(a), a, b, rows, spread)
        if best is None or chosen[0] < 0.98 * best[0]:
            best = (chosen[0], chosen[1], keep)
    assert best is not None
    score, penalty, keep = best
    held_out = np.zeros_like(target)
    for i, r in enumerate(rows):
        held_out[r] = scaled[r] @ _solve(gram - grams[i], cross - crosses[i], keep, penalty, len(a))
    weights = _solve(gram, cross, keep, penalty, len(a)) / scale[:, None]
    return RidgeFit(weights, held_out, penalty, score, keep)


def fit_signed(
    design: Array,
    target: Array,
    driver: Array,
    row_weight: Array,
    block: Indices,
    rows: Indices,
    like: RidgeFit,
    signs: Array,
) -> RidgeFit:
    """Fit with the penalty and terms of an earlier fit, some weights bound to the sign of the whole response.

    Parameters
    ----------
    design : numpy.ndarray, shape (n, m)
        Terms.
    target : numpy.ndarray, shape (n, k)
        What is to be explained (any unit); may hold NaN outside `rows`.
    driver : numpy.ndarray, shape (n,)
        What the response follows (any unit); the sign of its regression on each target is the sign that is kept.
    row_weight : numpy.ndarray, shape (n,)
        Weight of each row (1).
    block : numpy.ndarray of int, shape (n,)
        Block of each row.
    rows : numpy.ndarray of int, shape (r,)
        Rows to fit.
    like : RidgeFit
        Supplies penalty and terms.
    signs : numpy.ndarray, shape (m,)
        1 for weights that must carry the response's sign and at least `LEAST_SHARE` of its size, 0 for free ones.

    Returns
    -------
    RidgeFit
        Weights and held-out predictions of all rows.
    """
    root = np.sqrt(row_weight[rows] / row_weight[rows].mean())[:, None]
    scale = np.sqrt(np.average(design[rows] ** 2, axis=0, weights=row_weight[rows]))
    scale[scale == 0.0] = 1.0
    keep = np.flatnonzero(like.terms)
    a = design[rows][:, keep] / scale[keep] * root
    b = target[rows] * root
    ridge = np.sqrt(like.penalty * rows.size) * np.eye(keep.size)
    heavy = row_weight[rows, None] * driver[rows, None]
    response = (heavy * target[rows]).sum(axis=0) / (heavy * driver[rows, None]).sum(axis=0)
    floor = LEAST_SHARE * np.abs(response)

    def solve(train: Indices) -> Array:
        # the triangular factor carries all the information of the rows in m lines
        lines = np.vstack([np.hstack([a[train], b[train]]), np.zeros((1, keep.size + b.shape[1]))])
        factor = np.asarray(np.linalg.qr(lines, mode="r"), dtype=np.float64)
        system = np.vstack([factor[:, : keep.size], ridge])
        weights = np.zeros((design.shape[1], b.shape[1]))
        for k in range(b.shape[1]):
            right = np.concatenate([factor[:, keep.size + k], np.zeros(keep.size)])
            low = np.where((signs[keep] > 0) & (response[k] > 0), floor[k] * scale[keep], -np.inf)
            high = np.where((signs[keep] > 0) & (response[k] <= 0), -floor[k] * scale[keep], np.inf)
            weights[keep, k] = lsq_linear(system, right, bounds=(low, high), method="bvls").x / scale[keep]
        return weights

    held_out = np.zeros_like(target)
    number_of = block[rows]
    for number in np.unique(block):
        held_out[block == number] = design[block == number] @ solve(number_of != number)
    weights = solve(np.ones(rows.size, dtype=bool))
    error = ((target[rows] - held_out[rows]) * root) ** 2
    score = float((error.mean(axis=0) / np.maximum((b**2).mean(axis=0), 1e-300)).mean())
    return RidgeFit(weights, held_out, like.penalty, score, like.terms)


def _solve(gram: Array, cross: Array, keep: Array, penalty: float, rows: int) -> Array:
    """Return the ridge weights of the kept, scaled terms, zero elsewhere."""
    weights = np.zeros(cross.shape)
    index = np.flatnonzero(keep)
    system = gram[np.ix_(index, index)] + penalty * rows * np.eye(index.size)
    weights[index] = np.linalg.solve(system, cross[index])
    return weights


def _best_penalty(
    gram: Array,
    cross: Array,
    grams: Array,
    crosses: Array,
    keep: Array,
    penalties: Sequence[float],
    count: int,
    a: Array,
    b: Array,
    rows: Sequence[Indices],
    spread: Array,
) -> tuple[float, float]:
    """Return the lowest held-out error of one set of terms over the penalties, and its penalty."""
    best = (np.inf, penalties[0])
    for penalty in penalties:
        error = np.zeros(b.shape[1])
        for i, r in enumerate(rows):
            weights = _solve(gram - grams[i], cross - crosses[i], keep, penalty, count)
            error += ((b[r] - a[r] @ weights) ** 2).sum(axis=0)
        score = float((error / count / spread).mean())
        if score < best[0]:
            best = (score, penalty)
    return best
