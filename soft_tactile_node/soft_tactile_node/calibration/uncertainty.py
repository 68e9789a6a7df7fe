"""Uncertainty of measured figures: combination, degrees of freedom, coverage, straight line, correlated samples.

Source: JCGM 100:2008 (GUM): combination with correlation 5.2.2, Welch-Satterthwaite G.4.1, coverage factor G.3 and G.6,
straight line H.3; delete-one-block jackknife: Miller, Biometrika 61 (1974) 1-15 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.checks import check_range, check_shape
from soft_tactile_node.samples import Array

LEVEL = 0.95
"""Level of confidence of an expanded uncertainty (1)."""


@dataclass(frozen=True)
class Uncertainty:
    """Uncertainty of one value, in the unit of the value.

    Attributes
    ----------
    standard : float
        Combined standard uncertainty.
    degrees_of_freedom : float
        Effective degrees of freedom (1), infinite = known exactly.
    coverage : float
        Coverage factor (1).
    expanded : float
        Coverage factor times standard uncertainty.
    """

    standard: float
    degrees_of_freedom: float
    coverage: float
    expanded: float


def coverage_factor(degrees_of_freedom: float, level: float = LEVEL) -> float:
    """Return the factor that makes a standard uncertainty an interval of the stated level of confidence.

    Parameters
    ----------
    degrees_of_freedom : float
        Effective degrees of freedom (1), at least 1; rounded to a tenth and cut down to a whole number (G.4.1).
    level : float
        Level of confidence (1), between 0 and 1.

    Returns
    -------
    float
        Two-sided quantile of Student's t, of the normal distribution where the degrees are infinite (1).
    """
    from scipy.stats import norm, t

    quantile = 0.5 + 0.5 * check_range(level, 0.0, 1.0, name="level", open_low=True)
    if degrees_of_freedom == math.inf:
        return float(norm.ppf(quantile))
    check_range(degrees_of_freedom, 1.0, name="degrees_of_freedom")
    return float(t.ppf(quantile, math.floor(round(degrees_of_freedom, 1))))


def expand(standard: float, degrees_of_freedom: float = math.inf, level: float = LEVEL) -> Uncertainty:
    """Return a standard uncertainty with its coverage factor.

    Parameters
    ----------
    standard : float
        Standard uncertainty, any unit.
    degrees_of_freedom : float
        Degrees of freedom (1), at least 1.
    level : float
        Level of confidence (1).

    Returns
    -------
    Uncertainty
        In the same unit.
    """
    coverage = coverage_factor(degrees_of_freedom, level)
    return Uncertainty(float(standard), float(degrees_of_freedom), coverage, coverage * float(standard))


def combine(
    uncertainty: Array,
    sensitivity: Array,
    degrees_of_freedom: Array | None = None,
    correlation: Array | None = None,
    level: float = LEVEL,
) -> Uncertainty:
    """Return the combined uncertainty of a value that depends on several inputs.

    Parameters
    ----------
    uncertainty : numpy.ndarray, shape (m,)
        Standard uncertainty of each input, in its unit.
    sensitivity : numpy.ndarray, shape (m,)
        Change of the value per unit of each input.
    degrees_of_freedom : numpy.ndarray, shape (m,), or None
        Of each input (1); None = infinite.
    correlation : numpy.ndarray, shape (m, m), or None
        Correlation of the inputs (1); None = independent.
    level : float
        Level of confidence (1).

    Returns
    -------
    Uncertainty
        In the unit of the value. The formula for the degrees of freedom holds for independent inputs; for correlated
        ones the smallest of theirs is taken, which is never too many (own rule).

    Notes
    -----
    Source: JCGM 100:2008, equations (16) and (G.2b).
    """
    spread = check_shape(uncertainty, (None,), name="uncertainty")
    parts = spread * check_shape(sensitivity, spread.shape, name="sensitivity")
    matrix = check_shape(
        np.eye(parts.size) if correlation is None else correlation, (parts.size, parts.size), name="correlation"
    )
    variance = max(float(parts @ matrix @ parts), 0.0)
    degrees = check_shape(
        np.full(parts.size, np.inf) if degrees_of_freedom is None else degrees_of_freedom,
        parts.shape,
        name="degrees_of_freedom",
    )
    if np.array_equal(matrix, np.eye(parts.size)):
        share = float(np.sum(parts**4 / degrees))
        effective = variance**2 / share if share > 0.0 else math.inf
    else:
        effective = float(degrees[parts != 0.0].min(initial=np.inf))
    return expand(math.sqrt(variance), effective if effective >= 1.0 else 1.0, level)


@dataclass(frozen=True)
class Line:
    """A straight line by least squares, y = intercept + slope (x - origin).

    Attributes
    ----------
    origin : float
        Where the intercept is taken, unit of x.
    intercept, slope : float
        Unit of y, and of y per x.
    intercept_uncertainty, slope_uncertainty : float
        Standard uncertainties in the same units.
    correlation : float
        Correlation of intercept and slope (1).
    deviation : float
        Standard deviation of the residuals, unit of y.
    degrees_of_freedom : int
        Points less two (1).
    """

    origin: float
    intercept: float
    slope: float
    intercept_uncertainty: float
    slope_uncertainty: float
    correlation: float
    deviation: float
    degrees_of_freedom: int

    def at(self, x: float, level: float = LEVEL) -> tuple[float, Uncertainty]:
        """Return the line's value at a point and its uncertainty.

        Parameters
        ----------
        x : float
            The point, in the unit of the fitted x.
        level : float
            Level of confidence (1).

        Returns
        -------
        value : float
            In the unit of y.
        uncertainty : Uncertainty
            In the unit of y, with the correlation of intercept and slope.
        """
        step = x - self.origin
        joint = np.array([[1.0, self.correlation], [self.correlation, 1.0]])
        degrees = np.full(2, float(self.degrees_of_freedom))
        spread = np.array([self.intercept_uncertainty, self.slope_uncertainty])
        return self.intercept + self.slope * step, combine(spread, np.array([1.0, step]), degrees, joint, level)


def fit_line(x: Array, y: Array, origin: float = 0.0) -> Line:
    """Fit a straight line to points of equal, unknown uncertainty in y.

    Parameters
    ----------
    x, y : numpy.ndarray, shape (n,)
        At least three points, any units; x not all equal.
    origin : float
        Where the intercept is taken, unit of x.

    Returns
    -------
    Line
        See Line.

    Raises
    ------
    RangeError
        If there are fewer than three points, or all at one place.

    Notes
    -----
    Source: JCGM 100:2008, H.3.2, equations (H.13a) to (H.13g).
    """
    step = check_shape(x, (None,), name="x") - origin
    points = check_shape(y, step.shape, name="y")
    check_range(float(step.size), 3.0, name="number of points")
    n = step.size
    centred = step - step.mean()
    spread = float(centred @ centred)
    check_range(spread, 0.0, name="spread of x", open_low=True)
    slope = float(centred @ points) / spread
    intercept = float(points.mean()) - slope * float(step.mean())
    residual = points - intercept - slope * step
    deviation = math.sqrt(float(residual @ residual) / (n - 2))
    squares = float(step @ step)
    return Line(
        origin=origin,
        intercept=intercept,
        slope=slope,
        intercept_uncertainty=deviation * math.sqrt(squares / (n * spread)),
        slope_uncertainty=deviation / math.sqrt(spread),
        correlation=-float(step.sum()) / math.sqrt(n * squares) if squares > 0.0 else 0.0,
        deviation=deviation,
        degrees_of_freedom=n - 2,
    )


def effective_size(values: Array) -> float:
    """Return how many independent samples tell as much about the mean as these correlated ones.

    The variance of the mean of n samples with autocorrelation rho is (variance / n) (1 + 2 sum rho); the sum is cut
    where the sum of two neighbouring terms, which cannot be negative for a reversible process, turns so.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
        Evenly spaced samples, any unit.

    Returns
    -------
    float
        Between 1 and n (1).

    Notes
    -----
    Source: initial positive sequence, Geyer, Statistical Science 7 (1992) 473-483 (from memory).
    """
    centred = np.asarray(values, dtype=np.float64) - np.mean(values)
    n = centred.size
    check_range(float(n), 2.0, name="number of samples")
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(centred, size)) ** 2
    covariance = np.fft.irfft(spectrum, size)[:n]
    if not covariance[0] > 0.0:
        return float(n)
    rho = covariance / covariance[0]
    pairs = rho[0 : n - 1 : 2] + rho[1:n:2]
    negative = np.flatnonzero(pairs <= 0.0)
    kept = pairs[: negative[0]] if negative.size else pairs
    return float(np.clip(n / max(2.0 * kept.sum() - 1.0, 1.0 / n), 1.0, n))


def jackknife(statistic: Callable[..., float], arrays: tuple[Array, ...], blocks: int) -> tuple[float, Uncertainty]:
    """Return a statistic of rows and its uncertainty, from what it gives when one block of rows is left out.

    Blocks are runs of neighbouring rows; where they are longer than the rows are correlated the uncertainty is honest.

    Parameters
    ----------
    statistic : callable
        Takes the arrays, returns a float; NaN where it cannot be computed.
    arrays : tuple of numpy.ndarray, shape (n, ...)
        Rows that belong together, each array in a unit of its own.
    blocks : int
        Number of blocks, at least 2.

    Returns
    -------
    value : float
        The statistic of all rows, in its unit.
    uncertainty : Uncertainty
        In the same unit, with blocks - 1 degrees of freedom; NaN if the statistic fails without a block.
    """
    check_range(float(blocks), 2.0, name="blocks")
    n = len(arrays[0])
    number = np.arange(n) * blocks // n
    left_out = np.array([statistic(*(a[number != block] for a in arrays)) for block in range(blocks)])
    standard = math.sqrt((blocks - 1) * float(np.var(left_out)))
    return float(statistic(*arrays)), expand(standard, blocks - 1)
