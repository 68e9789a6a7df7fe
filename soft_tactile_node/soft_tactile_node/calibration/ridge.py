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

from soft_tactile_node.samples import Array

Indices = NDArray[np.signedinteger[Any]]
"""Row or block numbers."""

PENALTIES = tuple(10.0 ** np.arange(-8.0, 0.1, 1.0))
"""Candidate penalties relative to the mean squared column (1)."""


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
