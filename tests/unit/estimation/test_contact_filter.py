"""The contact filter on a linear pad, where it must be the textbook Kalman filter."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.estimation.pad import NORMAL_TERMS
from soft_tactile_node.estimation.separation import SeparationModel, predict_contact, update_contact

DT_S = 0.01


def linear_model(noise: float, force_rate_n: float) -> SeparationModel:
    """One channel that reads the force itself: equal weights make the curves a straight line."""
    square = np.zeros((1, 1))
    stack = np.zeros((1, 1, 1))
    return SeparationModel(
        axes=1,
        channels=1,
        pad_weights=np.ones((NORMAL_TERMS, 1)),
        quick_s=np.zeros(2),
        lag_s=np.zeros(0),
        shear_s=np.zeros(0),
        noise=square + noise,
        wander_s=np.ones(1),
        wander_rest=stack,
        wander_active=stack,
        wander_loaded=stack,
        error_floor=square,
        error_relative=square,
        force_rate_n=force_rate_n,
        touch_z=np.ones(1),
        shear_share=np.ones(2),
    )


def run(model: SeparationModel, readings: np.ndarray, offset_variance: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return force and its variance after each reading, from a force of zero with variance one."""
    state, covariance = np.zeros(5), np.zeros((5, 5))
    covariance[2, 2] = covariance[3, 3] = covariance[2, 3] = covariance[3, 2] = 1.0
    covariance[4, 4] = offset_variance
    out = np.zeros((readings.size, 2))
    for i, z in enumerate(readings):
        predict_contact(model, state, covariance, DT_S, np.zeros((1, 1)))
        update_contact(
            model,
            state,
            covariance,
            np.array([z]),
            np.ones(1),
            0.3,
            np.zeros(NORMAL_TERMS),
            np.zeros((NORMAL_TERMS, 3)),
        )
        out[i] = state[2], covariance[2, 2]
    return out[:, 0], out[:, 1]


@pytest.mark.parametrize(("ratio", "gain"), [(0.1, 0.2701562), (1.0, 0.6180340), (10.0, 0.9160798)])
def test_steady_variance_of_a_local_level(ratio: float, gain: float) -> None:
    """Source: local level model, Harvey (1989) sec. 3.3; posterior variance over R equals the steady gain."""
    noise = 0.04
    model = linear_model(noise, np.sqrt(ratio * noise / DT_S))
    _, variance = run(model, np.zeros(400))
    assert_allclose(variance[-1] / noise, gain, rtol=1e-6)


def test_same_as_an_independent_filter() -> None:
    """Source: filterpy KalmanFilter on the same local level, scan by scan."""
    kalman = pytest.importorskip("filterpy.kalman").KalmanFilter(dim_x=1, dim_z=1)
    noise, rate = 0.02, 1.5
    kalman.F = kalman.H = np.eye(1)
    kalman.R, kalman.Q, kalman.P = np.eye(1) * noise, np.eye(1) * rate**2 * DT_S, np.eye(1)
    kalman.x = np.zeros((1, 1))
    readings = np.cumsum(np.random.default_rng(3).normal(0.0, 0.1, 200))
    force, variance = run(linear_model(noise, rate), readings)
    for i, z in enumerate(readings):
        kalman.predict()
        kalman.update(np.array([[z]]))
        assert_allclose([force[i], variance[i]], [kalman.x[0, 0], kalman.P[0, 0]], rtol=1e-9, atol=1e-12)


def test_an_offset_that_is_not_known_stays_in_the_variance() -> None:
    """However many scans agree, an unknown offset is never averaged away."""
    _, variance = run(linear_model(1e-4, 0.5), np.full(2000, 1.0), offset_variance=0.01)
    assert variance[-1] >= 0.0099
