"""Group J: the contact filter on linear pads, where it must be the textbook filter, and its consistency."""

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.stats import chi2
from soft_tactile_node.estimation.pad import NORMAL_TERMS
from soft_tactile_node.estimation.separation import SeparationModel, predict_contact, update_contact

FORCE, FIRST_MEMORY = 2, 3
HARVEY = "local level, Harvey 1989, sec. 3.3 [NUM]"


def linear_model(noise, force_rate, quick_s=0.0, channels=1):
    """Channels that each read the loaded memory itself: equal weights make the pad's curves a straight line."""
    stack = np.zeros((1, channels, channels))
    return SeparationModel(
        axes=1,
        channels=channels,
        pad_weights=np.ones((NORMAL_TERMS, channels)),
        quick_s=np.full(2, quick_s),
        lag_s=np.zeros(0),
        shear_s=np.zeros(0),
        noise=np.asarray(noise) * np.eye(channels),
        wander_s=np.ones(1),
        wander_rest=stack,
        wander_active=stack,
        wander_loaded=stack,
        error_floor=np.zeros((channels, channels)),
        error_relative=np.zeros((channels, channels)),
        force_rate_n=force_rate,
        touch_z=np.ones(1),
        shear_share=np.ones(2),
    )


class Filter:
    """The package's contact filter, one scan after the other."""

    def __init__(self, model, variance, offset=0.0, dt_s=1.0):
        c = model.channels
        self.model, self.dt_s = model, dt_s
        self.state, self.covariance = np.zeros(4 + c), np.zeros((4 + c, 4 + c))
        self.covariance[2:4, 2:4] = variance
        self.covariance[4:, 4:] = offset
        self.terms, self.slopes = np.zeros(NORMAL_TERMS), np.zeros((NORMAL_TERMS, 3))

    def predict(self, growth=None):
        c = self.model.channels
        predict_contact(
            self.model, self.state, self.covariance, self.dt_s, np.zeros((c, c)) if growth is None else growth
        )

    def update(self, reading):
        """Take a scan; return its normalised innovation squared, the mean of the channels."""
        values = np.atleast_1d(np.asarray(reading, dtype=float))
        used = np.ones(values.size)
        return update_contact(self.model, self.state, self.covariance, values, used, 0.3, self.terms, self.slopes)


@pytest.mark.parametrize("ratio", [0.1, 0.5, 1.0, 2.0, 10.0])
def test_steady_gain_of_a_local_level(table, ratio):
    """J1, J2: prediction and posterior variance of a random walk in noise settle at the closed form."""
    noise = 0.04
    kalman = Filter(linear_model(noise, np.sqrt(ratio * noise)), 1.0)
    for _ in range(400):
        kalman.predict()
        predicted = kalman.covariance[FIRST_MEMORY, FIRST_MEMORY]
        kalman.update(0.0)
    x = 0.5 * (ratio + np.sqrt(ratio**2 + 4.0 * ratio))
    table.close(f"J1 predicted / R, q = {ratio}", predicted / noise, x, HARVEY, rtol=1e-7)
    table.close(f"J1 posterior / R, q = {ratio}", kalman.covariance[2, 2] / noise, x / (1 + x), HARVEY, rtol=1e-7)
    published = {0.1: 0.2701562, 0.5: 0.5, 1.0: 0.6180340, 2.0: 0.7320508, 10.0: 0.9160798}
    table.close(f"J2 gain, q = {ratio}", kalman.covariance[2, 2] / noise, published[ratio], HARVEY, atol=5e-8)


def test_nile(table, read_table):
    """J7: the filtered level of the Nile and its variance, as Durbin & Koopman filter it."""
    flow = [row["flow"] for row in read_table("nile.csv")]
    source = "Durbin & Koopman 2001, ch. 2 [NUM][LIB statsmodels]"
    noise, walk = 15099.0, 1469.1
    kalman = Filter(linear_model(noise, np.sqrt(walk)), 1e9)
    levels = []
    for number, value in enumerate(flow):
        if number:
            kalman.predict()
        predicted = kalman.covariance[FIRST_MEMORY, FIRST_MEMORY]
        kalman.update(value)
        levels.append(kalman.state[FORCE])
    table.close("J7 second level", levels[1], 1140.928, source, rtol=1e-5)
    table.close("J7 last level", levels[-1], 798.370, source, rtol=1e-5)
    table.close("J7 posterior variance", kalman.covariance[2, 2], 4032.16, source, rtol=1e-5)
    table.close("J7 predicted variance", predicted, 5501.26, source, rtol=1e-5)
    table.close("J7 gain", kalman.covariance[2, 2] / noise, 0.267048, source, rtol=1e-5)


def lagged_system(lag_s, dt_s, rate):
    """Return transition and process noise of a force that walks and a memory that follows it, in textbook form."""
    gain = 1.0 - np.exp(-dt_s / lag_s)
    transition = np.array([[1.0, 0.0], [gain, 1.0 - gain]])
    push = np.array([1.0, gain])  # the memory follows the force already moved
    return transition, rate**2 * dt_s * np.outer(push, push)


def test_riccati_of_force_and_memory(table):
    """A force seen through the pad's first-order memory: the steady covariance solves the Riccati equation."""
    dt_s, lag_s, noise, rate = 0.002, 0.05, 1e-4, 2.0
    kalman = Filter(linear_model(noise, rate, lag_s), 1.0, dt_s=dt_s)
    for _ in range(20000):
        kalman.predict()
        prior = kalman.covariance[2:4, 2:4].copy()
        kalman.update(0.0)
    transition, process = lagged_system(lag_s, dt_s, rate)
    wanted = solve_discrete_are(transition.T, np.array([[0.0], [1.0]]), process, np.array([[noise]]))
    table.close("steady prior of force and memory", prior, wanted, "scipy solve_discrete_are [LIB]", rtol=1e-7)


@pytest.mark.parametrize("channels", [1, 4])
def test_scan_by_scan_against_a_general_filter(table, channels):
    """Force and memory through one or four noisy channels, scan by scan: the numbers of a general Kalman library."""
    from filterpy.kalman import KalmanFilter

    dt_s, lag_s, rate = 0.002, 0.05, 2.0
    noise = np.diag(1e-4 * np.arange(1.0, channels + 1.0))
    own = Filter(linear_model(np.diag(noise), rate, lag_s, channels), np.diag([1.0, 0.5]), dt_s=dt_s)
    other = KalmanFilter(dim_x=2, dim_z=channels)
    other.F, other.Q = lagged_system(lag_s, dt_s, rate)
    other.H = np.tile([[0.0, 1.0]], (channels, 1))
    other.R, other.P, other.x = noise, np.diag([1.0, 0.5]), np.zeros((2, 1))
    rng = np.random.default_rng(5)
    scans = np.cumsum(rng.normal(0.0, 0.05, 500))[:, None] + rng.normal(0.0, 0.01, (500, channels))
    got, wanted = np.zeros((500, 6)), np.zeros((500, 6))
    for i, scan in enumerate(scans):
        own.predict()
        own.update(scan)
        other.predict()
        other.update(scan[:, None])
        got[i] = [*own.state[2:4], *own.covariance[2:4, 2:4].ravel()]
        wanted[i] = [*other.x[:, 0], *other.P.ravel()]
    size = np.abs(wanted).max(axis=0)
    table.close(f"500 scans, {channels} channels", got / size, wanted / size, "filterpy KalmanFilter [LIB]", atol=1e-9)


def test_considered_offset_is_the_schmidt_filter(table):
    """An offset that is considered, not estimated: the covariance of the Schmidt-Kalman recursion, gain and all."""
    noise, rate, offset = 1e-3, 0.7, 0.02
    own = Filter(linear_model(noise, rate), np.ones((2, 2)), offset, dt_s=0.01)
    # augmented state force, offset; gain of the offset put to zero, covariance in the form valid for any gain
    state, covariance = np.zeros(2), np.diag([1.0, offset])
    sensitivity = np.array([1.0, 1.0])
    readings = np.cumsum(np.random.default_rng(9).normal(0.0, 0.1, 300))
    got, wanted = [], []
    for z in readings:
        own.predict()
        own.update(z)
        covariance[0, 0] += rate**2 * 0.01
        spread = sensitivity @ covariance @ sensitivity + noise
        gain = np.array([(covariance @ sensitivity)[0] / spread, 0.0])
        state = state + gain * (z - sensitivity @ state)
        left = np.eye(2) - np.outer(gain, sensitivity)
        covariance = left @ covariance @ left.T + noise * np.outer(gain, gain)
        got.append([own.state[2], own.covariance[2, 2], own.covariance[2, 4]])
        wanted.append([state[0], covariance[0, 0], covariance[0, 1]])
    table.close("force, variance, covariance with offset", got, wanted, "Schmidt 1966, Joseph form", atol=1e-10)


def test_an_offset_that_is_not_known_stays_in_the_variance():
    """However many scans agree, an unknown offset is never averaged away."""
    kalman = Filter(linear_model(1e-4, 0.5), np.ones((2, 2)), 0.01, dt_s=0.01)
    for _ in range(2000):
        kalman.predict()
        kalman.update(1.0)
    assert kalman.covariance[2, 2] >= 0.0099


def band(runs, degrees):
    """Return the two-sided 95 % band of a mean of squared normalised errors."""
    return chi2.ppf([0.025, 0.975], runs * degrees) / runs


def test_quantiles(table):
    """J10, J11: the chi-square bands this file judges by, against printed ones."""
    source = "Bar-Shalom, Li, Kirubarajan 2001, sec. 5.4 [LIB scipy]"
    table.close("J11 N = 50, n = 2", band(50, 2), [1.48444, 2.59122], source, atol=1e-5)
    table.close("J11 N = 100, n = 1", band(100, 1), [0.742219, 1.295612], source, atol=1e-5)
    table.close("J10 95 %", chi2.ppf(0.95, [1, 2, 3, 6]), [3.84146, 5.99146, 7.81473, 12.59159], "tables", atol=1e-5)


def simulate(model, rng, scans, dt_s, lag_s, offset):
    """Return force, memory and readings of a truth that obeys the filter's own model."""
    transition, process = lagged_system(lag_s, dt_s, model.force_rate_n)
    root = np.sqrt(process[0, 0]) * np.array([1.0, transition[1, 0]])
    truth = np.zeros((scans, 2))
    now = rng.normal(0.0, [1.0, 0.5])
    for i in range(scans):
        now = transition @ now + root * rng.standard_normal()
        truth[i] = now
    noise = np.sqrt(np.diag(model.noise))
    readings = truth[:, 1:] + offset + noise * rng.standard_normal((scans, model.channels))
    return truth, readings


@pytest.mark.parametrize("offset_variance", [0.0, 0.04])
def test_normalised_errors_are_consistent(table, offset_variance):
    """NEES of force and memory over runs lies in its chi-square band, with and without an unknown offset.

    A hundred runs; the error is squared in the filter's own covariance at the last scan.
    """
    runs, dt_s, lag_s = 100, 0.01, 0.1
    model = linear_model([1e-3, 2e-3], 1.5, lag_s, 2)
    rng = np.random.default_rng(21)
    total = 0.0
    for _ in range(runs):
        offset = np.sqrt(offset_variance) * rng.standard_normal(2)
        truth, readings = simulate(model, rng, 60, dt_s, lag_s, offset)
        kalman = Filter(model, np.diag([1.0, 0.25]), offset_variance * np.eye(2), dt_s)
        for reading in readings:
            kalman.predict()
            kalman.update(reading)
        error = kalman.state[2:4] - truth[-1]
        total += error @ np.linalg.solve(kalman.covariance[2:4, 2:4], error)
    low, high = band(runs, 2)
    table.between(f"NEES, offset variance {offset_variance}", total / runs, low, high, "chi-square, 95 % band")


def test_innovations_are_consistent(table):
    """J13: the mean normalised innovation squared of 20 000 scans lies in its chi-square band."""
    scans, dt_s, lag_s = 20000, 0.01, 0.1
    model = linear_model([1e-3, 2e-3], 1.5, lag_s, 2)
    _, readings = simulate(model, np.random.default_rng(3), scans, dt_s, lag_s, np.zeros(2))
    kalman = Filter(model, np.diag([1.0, 0.25]), dt_s=dt_s)
    values = np.zeros(scans)
    for i, reading in enumerate(readings):
        kalman.predict()
        values[i] = 2.0 * kalman.update(reading)
    low, high = band(scans, 2)
    table.between("NIS of two channels", values.mean(), low, high, "chi-square, 95 % band")
    # white: neighbours do not know of each other; 1.96 / sqrt(n) is the 95 % bound of a correlation
    centred = values - values.mean()
    correlation = centred[1:] @ centred[:-1] / (centred @ centred)
    table.between("correlation of neighbouring NIS", correlation, -1.96 / scans**0.5, 1.96 / scans**0.5, "Bartlett")
