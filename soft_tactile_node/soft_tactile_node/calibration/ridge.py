"""Ridge regression with held-out blocks: one set of normal equations a block, summed in any combination.

Source: ridge regression, Hoerl & Kennard, Technometrics 12 (1970) 55-67; leverage, Belsley, Kuh & Welsch, Regression
Diagnostics (1980), sec. 2.1 (from memory); blocked folds because rows of one recording are correlated (common
practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.samples import Array

Indices = NDArray[np.signedinteger[Any]]
"""Row or block numbers."""

PENALTIES = tuple(10.0 ** np.arange(-8.0, 1.1, 0.5))
"""Candidate penalties relative to the mean weighted square of a column (1)."""

BLOCK_S = 6.0
"""Length of a held-out block (s): longer than a press."""


def split_blocks(times_s: Sequence[Array]) -> Indices:
    """Return a block number for each row of several concatenated recordings.

    Parameters
    ----------
    times_s : sequence of numpy.ndarray, shape (n,)
        Stamps of the rows of each recording (s).

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Block numbers; each block is a contiguous piece of one recording.
    """
    numbers: list[Indices] = []
    first = 0
    for time_s in times_s:
        number = first + ((time_s - time_s[0]) // BLOCK_S).astype(np.int64)
        first = int(number[-1]) + 1
        numbers.append(number)
    return np.concatenate(numbers)


class Ridge:
    """Weighted ridge regression of rows that come in blocks.

    Parameters
    ----------
    design : numpy.ndarray, shape (n, m)
        Terms; no NaN.
    target : numpy.ndarray, shape (n, k)
        What is to be explained (any unit); no NaN.
    block : numpy.ndarray of int, shape (n,)
        Block of each row.
    row_weight : numpy.ndarray, shape (n,), or None
        Weight of each row's error, not squared (1); None = equal.
    scale : numpy.ndarray, shape (m,), or None
        How much more a term is penalised than its rms says (1); None = equal.
    """

    def __init__(
        self,
        design: Array,
        target: Array,
        block: Indices,
        row_weight: Array | None = None,
        scale: Array | None = None,
    ) -> None:
        weight = np.ones(len(design)) if row_weight is None else row_weight
        rms = np.sqrt(np.average(design**2, axis=0, weights=weight**2))
        rms[rms < 1e-12] = 1.0
        self._scale = rms if scale is None else rms * scale
        self._design = design
        self._weight = weight[:, None]
        self._target = target
        a, b = design / self._scale * self._weight, target * self._weight
        self._rows = [np.flatnonzero(block == number) for number in np.unique(block)]
        self._grams = [a[r].T @ a[r] for r in self._rows]
        self._crosses = [a[r].T @ b[r] for r in self._rows]
        self._gram, self._cross = np.sum(self._grams, axis=0), np.sum(self._crosses, axis=0)

    @property
    def blocks(self) -> list[Indices]:
        """Rows of each block."""
        return self._rows

    def _normal(self, penalty: float, without: int | None = None) -> Array:
        gram = self._gram if without is None else self._gram - self._grams[without]
        return np.asarray(gram + penalty * len(self._design) * np.eye(len(gram)))

    def weights(self, penalty: float, without: int | None = None) -> Array:
        """Return weights, shape (m, k) (target over term), at a relative `penalty` (1), `without` a block or None."""
        cross = self._cross if without is None else self._cross - self._crosses[without]
        return np.asarray(np.linalg.solve(self._normal(penalty, without), cross) / self._scale[:, None])

    def held_out(self, penalty: float) -> Array:
        """Return each row's prediction, shape (n, k), by a fit at `penalty` (1) that did not see its block."""
        out = np.zeros_like(self._target)
        for number, rows in enumerate(self._rows):
            out[rows] = self._design[rows] @ self.weights(penalty, number)
        return out

    def error(self, penalty: float) -> float:
        """Return the weighted mean squared held-out error at a relative `penalty` (1), in the squared target's unit."""
        wrong = (self.held_out(penalty) - self._target) * self._weight
        return float((wrong**2).sum() / (self._weight**2).sum())

    def choose(self, within: float = 1.0, penalties: Sequence[float] = PENALTIES) -> tuple[float, float]:
        """Return the largest penalty whose held-out error is close to the best.

        Parameters
        ----------
        within : float
            How close, as a factor of the squared error (1).
        penalties : sequence of float
            Candidates (1).

        Returns
        -------
        penalty, error : float
            The penalty (1) and the least weighted mean squared error (squared unit of the target).
        """
        errors = [self.error(penalty) for penalty in penalties]
        best = min(errors)
        return max(p for p, e in zip(penalties, errors, strict=True) if e <= within * best), best

    def leverage_matrix(self, penalty: float, without: int | None = None) -> Array:
        """Return the matrix G of the leverage x' G x of a row of terms x.

        Parameters
        ----------
        penalty : float
            Relative penalty (1).
        without : int or None
            Block that is held out.

        Returns
        -------
        numpy.ndarray, shape (m, m)
            Inverse of the penalised normal matrix (inverse squared units of the terms).
        """
        return np.asarray(np.linalg.inv(self._normal(penalty, without)) / np.outer(self._scale, self._scale))

    def held_out_leverage(self, penalty: float) -> Array:
        """Return each row's leverage (1), shape (n,), in a fit at `penalty` (1) that did not see its block."""
        out = np.zeros(len(self._design))
        for number, rows in enumerate(self._rows):
            x = self._design[rows]
            out[rows] = np.einsum("ij,jk,ik->i", x, self.leverage_matrix(penalty, number), x)
        return out
