"""How far the force is off, and for how long it is confidently wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.samples import Array
from soft_tactile_node.scoring.alignment import AlignedPair
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S, find_runs

WRONG_SIGMAS = 3.0
WRONG_FORCE_N = 0.1
"""A force is wrong when it is off by more than 3 sigma + 0.1 N."""

WRONG_TIME_S = 0.1
"""Wrong force counts when it lasts longer than this (s)."""


@dataclass(frozen=True, eq=False)
class ForceError:
    """Force errors over several pairs; NaN where there are no such samples.

    Attributes
    ----------
    finite_share : numpy.ndarray, shape (3,)
        Share of rows with a finite estimate, per axis (1).
    rmse_n, contact_rmse_n : numpy.ndarray, shape (3,)
        Root mean square error over all samples and over samples of 0.05 N or more (N).
    zero_rmse_n, zero_contact_rmse_n : numpy.ndarray, shape (3,)
        What a constant zero would score on the same samples (N).
    free_bias_n, free_rms_n : float
        Mean and root mean square error of the normal force below 0.05 N of true force (N).
    wrong_max_s : float
        Longest time of confidently wrong force, unflagged (s); 0 if none lasts longer than 100 ms.
    flagged_share : float
        Share of rows with any flag (1).
    """

    finite_share: Array
    rmse_n: Array
    contact_rmse_n: Array
    zero_rmse_n: Array
    zero_contact_rmse_n: Array
    free_bias_n: float
    free_rms_n: float
    wrong_max_s: float
    flagged_share: float


def score_force(pairs: Sequence[AlignedPair]) -> ForceError:
    """Return the force errors of `pairs` of estimates and truths; their samples are pooled."""
    error = np.concatenate([pair.force_n - pair.truth_n for pair in pairs])
    truth = np.concatenate([pair.truth_n for pair in pairs])
    contact = np.concatenate([pair.is_contact for pair in pairs])
    finite = np.isfinite(error)
    no_contact = error[~contact & finite[:, 2], 2]
    return ForceError(
        finite_share=np.mean(finite, axis=0),
        rmse_n=root_mean_square(error, finite),
        contact_rmse_n=root_mean_square(error, finite & contact[:, None]),
        zero_rmse_n=root_mean_square(truth, finite),
        zero_contact_rmse_n=root_mean_square(truth, finite & contact[:, None]),
        free_bias_n=float(np.mean(no_contact)) if len(no_contact) else float("nan"),
        free_rms_n=float(np.sqrt(np.mean(no_contact**2))) if len(no_contact) else float("nan"),
        wrong_max_s=max(_find_longest_wrong(pair) for pair in pairs),
        flagged_share=float(np.mean(np.concatenate([pair.flagged for pair in pairs]))),
    )


def root_mean_square(values: Array, mask: NDArray[np.bool_]) -> Array:
    """Return the root mean square of `values`, shape (n, k), by column over a `mask`; NaN without rows."""
    count = np.count_nonzero(mask, axis=0)
    squares = np.sum(np.where(mask, values, 0.0) ** 2, axis=0)
    return np.asarray(np.sqrt(np.where(count > 0, squares, np.nan) / np.maximum(count, 1)))


def _find_longest_wrong(pair: AlignedPair) -> float:
    """Return how long any axis is wrong and unflagged at a stretch (s); an unstated variance excuses nothing."""
    sigma = np.sqrt(np.where(pair.variance_n2 > 0.0, pair.variance_n2, 0.0))
    wrong = np.abs(pair.force_n - pair.truth_n) > WRONG_SIGMAS * sigma + WRONG_FORCE_N
    starts, stops = find_runs(np.any(wrong, axis=1) & ~pair.flagged)
    lasting = pair.edges_s[stops] - pair.edges_s[starts]
    longest = float(np.max(lasting, initial=0.0))
    return longest if longest > WRONG_TIME_S + TIME_TOLERANCE_S else 0.0
