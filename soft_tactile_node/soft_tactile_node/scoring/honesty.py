"""Whether the stated variance is the true one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # loads its parts when they are used: the statistics take half a second
from numpy.typing import NDArray

from soft_tactile_node.samples import Array
from soft_tactile_node.scoring.alignment import AlignedPair
from soft_tactile_node.scoring.force import root_mean_square


@dataclass(frozen=True, eq=False)
class Honesty:
    """Stated against true error over several pairs; NaN where there are no such samples.

    Attributes
    ----------
    within_2_sigma_contact, within_2_sigma_free : float
        Share of force components within two stated standard deviations, observed axes pooled (1).
    within_2_sigma_axes : numpy.ndarray, shape (2, 3)
        The same per axis: contact samples, contact-free samples (1).
    nees : numpy.ndarray, shape (3,)
        Mean of squared error over stated variance on contact samples, per axis (1).
    nees_band : numpy.ndarray, shape (3, 2)
        95 % band of an honest estimator's mean, for the effective sample size (1).
    free_sigma_n, free_error_n : numpy.ndarray, shape (3,)
        Root mean square of the stated standard deviation and of the error on contact-free samples (N).
    """

    within_2_sigma_contact: float
    within_2_sigma_free: float
    within_2_sigma_axes: Array
    nees: Array
    nees_band: Array
    free_sigma_n: Array
    free_error_n: Array


def score_honesty(pairs: Sequence[AlignedPair]) -> Honesty:
    """Score the stated variance.

    Contact samples are those of 0.05 N or more of true force; contact-free samples lie outside true contacts and the
    0.25 s after each. A finite force whose variance is not a positive number is never within its bounds.

    Parameters
    ----------
    pairs : sequence of AlignedPair
        Estimates beside truths; samples are pooled.

    Returns
    -------
    Honesty
        Shares and ratios.
    """
    error = np.concatenate([pair.force_n - pair.truth_n for pair in pairs])
    variance = np.concatenate([pair.variance_n2 for pair in pairs])
    contact = np.concatenate([pair.is_contact for pair in pairs])
    free = np.concatenate([pair.is_free for pair in pairs])
    finite = np.isfinite(error)
    stated = np.where(variance > 0.0, variance, 0.0)
    within = error**2 <= 4.0 * stated
    axes = np.array([[_share(within[:, k], rows & finite[:, k]) for k in range(3)] for rows in (contact, free)])
    with np.errstate(divide="ignore", invalid="ignore"):
        squared = error**2 / stated
    nees = np.full(3, np.nan)
    band = np.full((3, 2), np.nan)
    for axis in range(3):
        rows = contact & finite[:, axis]
        if np.any(rows):
            nees[axis] = np.mean(squared[rows, axis])
            if np.isfinite(nees[axis]):
                band[axis] = compute_nees_band(estimate_effective_size(squared[rows, axis]))
    return Honesty(
        within_2_sigma_contact=_share(within, finite & contact[:, None]),
        within_2_sigma_free=_share(within, finite & free[:, None]),
        within_2_sigma_axes=axes,
        nees=nees,
        nees_band=band,
        free_sigma_n=root_mean_square(np.sqrt(stated), finite & free[:, None]),
        free_error_n=root_mean_square(error, finite & free[:, None]),
    )


def compute_nees_band(effective_size: float, *, probability: float = 0.95) -> tuple[float, float]:
    """Return the band in which the mean normalised squared error of an honest scalar estimator lies.

    Parameters
    ----------
    effective_size : float
        Number of independent samples (1), >= 1.
    probability : float
        Probability of the band (1).

    Returns
    -------
    low, high : float
        Bounds of the mean (1).

    Notes
    -----
    Source: Bar-Shalom, Li, Kirubarajan, Estimation with Applications to Tracking and Navigation (2001), section 5.4:
    n times the mean is chi-square with n degrees of freedom.
    """
    tail = (1.0 - probability) / 2.0
    low, high = scipy.stats.chi2.ppf([tail, 1.0 - tail], effective_size) / effective_size
    return float(low), float(high)


def estimate_effective_size(values: Array) -> float:
    """Return how many independent samples a correlated series is worth for its mean.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
        The series, any unit.

    Returns
    -------
    float
        Between 1 and n (1).

    Notes
    -----
    n / (1 + 2 sum of autocorrelations), the sum cut where the sum of two neighbouring autocorrelations first falls
    to zero. Source: C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992) 473 (initial
    positive sequence).
    """
    n = len(values)
    centred = values - np.mean(values)
    power = float(np.sum(centred**2))
    if n < 4 or power <= 0.0:
        return 1.0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    correlation = np.fft.irfft(np.abs(spectrum) ** 2, size)[:n] / power
    paired = correlation[: n - n % 2].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(paired <= 0.0)
    last = negative[0] if len(negative) else len(paired)
    inflation = 2.0 * float(np.sum(paired[:last])) - 1.0
    return float(np.clip(n / max(inflation, 1.0), 1.0, n))


def _share(values: NDArray[np.bool_], mask: NDArray[np.bool_]) -> float:
    count = np.count_nonzero(mask)
    return float(np.count_nonzero(values & mask) / count) if count else float("nan")
