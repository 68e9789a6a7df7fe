"""Group J: the force filter of a touch, which must be the textbook filter, and its consistency."""

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.stats import chi2

from soft_tactile_node.estimation.separation import follow_force

HARVEY = "local level, Harvey 1989, sec. 3.3 [NUM]"


class Filter:
    """The package's force filter, one scan after the other."""

    def __init__(self, noise, walk, variance, axes=1):
        self.noise, self.walk = np.asarray(noise) * np.eye(axes), walk
        self.state, self.covariance = np.zeros(axes), variance * np.eye(axes)

    def step(self, measured, growth=None):
        values = np.atleast_1d(np.asarray(measured, dtype=float))
        assert follow_force(self.state, self.covariance, values, self.noise, self.walk if growth is None else growth)


@pytest.mark.parametrize("ratio", [0.1, 0.5, 1.0, 2.0, 10.0])
def test_steady_gain_of_a_local_level(table, ratio):
    """J1, J2: prediction and posterior variance of a random walk in noise settle at the closed form."""
    noise = 0.04
    kalman = Filter(noise, ratio * noise, 1.0)
    for _ in range(400):
        predicted = kalman.covariance[0, 0] + ratio * noise
        kalman.step(0.0)
    x = 0.5 * (ratio + np.sqrt(ratio**2 + 4.0 * ratio))
    table.close(f"J1 predicted / R, q = {ratio}", predicted / noise, x, HARVEY, rtol=1e-7)
    table.close(f"J1 posterior / R, q = {ratio}", kalman.covariance[0, 0] / noise, x / (1 + x), HARVEY, rtol=1e-7)
    published = {0.1: 0.2701562, 0.5: 0.5, 1.0: 0.6180340, 2.0: 0.7320508, 10.0: 0.9160798}
    table.close(f"J2 gain, q = {ratio}", kalman.covariance[0, 0] / noise, published[ratio], HARVEY, atol=5e-8)


def test_nile(table, read_table):
    """J7: the filtered level of the Nile and its variance, as Durbin & Koopman filter it."""
    flow = [row["flow"] for row in read_table("nile.csv")]
    source = "Durbin & Koopman 2001, ch. 2 [NUM][LIB statsmodels]"
    noise, walk = 15099.0, 1469.1
    kalman = Filter(noise, walk, 1e9)
    levels = []
    for number, value in enumerate(flow):
        predicted = kalman.covariance[0, 0] + (walk if number else 0.0)
        kalman.step(value, walk if number else 0.0)
        levels.append(kalman.state[0])
    table.close("J7 second level", levels[1], 1140.928, source, rtol=1e-5)
    table.close("J7 last level", levels[-1], 798.370, source, rtol=1e-5)
    table.close("J7 posterior variance", kalman.covariance[0, 0], 4032.16, source, rtol=1e-5)
    table.close("J7 predicted variance", predicted, 5501.26, source, rtol=1e-5)
    table.close("J7 gain", kalman.covariance[0, 0] / noise, 0.267048, source, rtol=1e-5)


def correlated(axes):
    """Return a covariance of correlated noise of several forces."""
    root = 0.01 * (np.eye(axes) + 0.3 * np.tri(axes))
    return root @ root.T


def test_riccati_of_three_forces(table):
    """Three forces measured with correlated noise: the steady prediction solves the Riccati equation."""
    noise, walk = correlated(3), 2e-4
    kalman = Filter(1.0, walk, 1.0, 3)
    kalman.noise = noise
    for _ in range(3000):
        prior = kalman.covariance + walk * np.eye(3)
        kalman.step(np.zeros(3))
    wanted = solve_discrete_are(np.eye(3), np.eye(3), walk * np.eye(3), noise)
    table.close("steady prior of three forces", prior, wanted, "scipy solve_discrete_are [LIB]", rtol=1e-7)


@pytest.mark.parametrize("axes", [1, 3])
def test_scan_by_scan_against_a_general_filter(table, axes):
    """One or three forces in correlated noise, scan by scan: the numbers of a general Kalman library."""
    from filterpy.kalman import KalmanFilter

    walk, noise = 8e-3, correlated(axes)
    own = Filter(1.0, walk, 0.7, axes)
    own.noise = noise
    other = KalmanFilter(dim_x=axes, dim_z=axes)
    other.F = other.H = np.eye(axes)
    other.Q, other.R, other.P, other.x = walk * np.eye(axes), noise, 0.7 * np.eye(axes), np.zeros((axes, 1))
    rng = np.random.default_rng(5)
    scans = np.cumsum(rng.normal(0.0, 0.05, (500, axes)), axis=0) + rng.normal(0.0, 0.01, (500, axes))
    got, wanted = [], []
    for scan in scans:
        own.step(scan)
        other.predict()
        other.update(scan[:, None])
        got.append([*own.state, *own.covariance.ravel()])
        wanted.append([*other.x[:, 0], *other.P.ravel()])
    size = np.abs(wanted).max(axis=0)
    table.close(f"500 scans, {axes} forces", got / size, wanted / size, "filterpy KalmanFilter [LIB]", atol=1e-9)


def test_noise_that_is_no_covariance_corrects_nothing():
    """A measurement whose noise is not a number is refused and leaves the force as it was."""
    state, covariance = np.array([0.3]), np.array([[0.01]])
    assert not follow_force(state, covariance, np.array([5.0]), np.array([[np.nan]]), 0.0)
    assert state[0] == 0.3


def band(runs, degrees):
    """Return the two-sided 95 % band of a mean of squared normalised errors."""
    return chi2.ppf([0.025, 0.975], runs * degrees) / runs


def test_quantiles(table):
    """J10, J11: the chi-square bands this file judges by, against printed ones."""
    source = "Bar-Shalom, Li, Kirubarajan 2001, sec. 5.4 [LIB scipy]"
    table.close("J11 N = 50, n = 2", band(50, 2), [1.48444, 2.59122], source, atol=1e-5)
    table.close("J11 N = 100, n = 1", band(100, 1), [0.742219, 1.295612], source, atol=1e-5)
    table.close("J10 95 %", chi2.ppf(0.95, [1, 2, 3, 6]), [3.84146, 5.99146, 7.81473, 12.59159], "tables", atol=1e-5)


def test_normalised_errors_are_consistent(table):
    """NEES of three forces over a hundred runs of a truth that obeys the filter's model lies in its chi-square band."""
    runs, walk, noise = 100, 2e-3, correlated(3)
    root = np.linalg.cholesky(noise)
    rng = np.random.default_rng(21)
    total = 0.0
    for _ in range(runs):
        kalman = Filter(1.0, walk, 0.5, 3)
        kalman.noise = noise
        truth = np.sqrt(0.5) * rng.standard_normal(3)
        for _ in range(60):
            truth = truth + np.sqrt(walk) * rng.standard_normal(3)
            kalman.step(truth + root @ rng.standard_normal(3))
        error = kalman.state - truth
        total += error @ np.linalg.solve(kalman.covariance, error)
    low, high = band(runs, 3)
    table.between("NEES of three forces", total / runs, low, high, "chi-square, 95 % band")


def test_innovations_are_consistent(table):
    """J13: the mean normalised innovation squared of 20 000 scans lies in its chi-square band, and is white."""
    scans, walk, noise = 20000, 2e-3, correlated(2)
    root = np.linalg.cholesky(noise)
    rng = np.random.default_rng(3)
    kalman = Filter(1.0, walk, 0.5, 2)
    kalman.noise = noise
    truth = np.sqrt(0.5) * rng.standard_normal(2)
    values = np.zeros(scans)
    for i in range(scans):
        truth = truth + np.sqrt(walk) * rng.standard_normal(2)
        reading = truth + root @ rng.standard_normal(2)
        innovation = reading - kalman.state
        values[i] = innovation @ np.linalg.solve(kalman.covariance + walk * np.eye(2) + noise, innovation)
        kalman.step(reading)
    low, high = band(scans, 2)
    table.between("NIS of two forces", values.mean(), low, high, "chi-square, 95 % band")
    # white: neighbours do not know of each other; 1.96 / sqrt(n) is the 95 % bound of a correlation
    centred = values - values.mean()
    correlation = centred[1:] @ centred[:-1] / (centred @ centred)
    table.between("correlation of neighbouring NIS", correlation, -1.96 / scans**0.5, 1.96 / scans**0.5, "Bartlett")
