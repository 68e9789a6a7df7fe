"""The pad model: slopes against finite differences, relaxation against its closed form, recovery, missing channels."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.estimation.pad import (
    PadMap,
    count_terms,
    elastic_response,
    elastic_terms,
    relax,
    unloaded_response,
)
from soft_tactile_node.estimation.pad_replay import relax_terms, relaxation_terms
from soft_tactile_node.estimation.separation import fill_missing

CHANNELS, AXES = 4, 3
LAG_S = np.array([0.01, 0.03, 0.1, 0.3, 2.0, 20.0])


def _pad(seed: int = 3) -> PadMap:
    rng = np.random.default_rng(seed)
    shares = rng.uniform(0.0, 0.3, (2, AXES, LAG_S.size))
    return PadMap(
        scale=rng.uniform(0.5, 2.0, CHANNELS),
        lean=rng.normal(0.0, 0.4, (CHANNELS, AXES)),
        low=np.full(AXES, -1.5),
        high=np.full(AXES, 1.5),
        weights=rng.normal(size=(count_terms(CHANNELS, AXES), AXES)),
        lag_s=LAG_S,
        fill=shares[0],
        empty=shares[1],
    )


def _terms(pad: PadMap, contact: np.ndarray, load: float) -> tuple[np.ndarray, np.ndarray]:
    terms = np.zeros(count_terms(CHANNELS, AXES))
    slopes = np.zeros((terms.size, CHANNELS))
    elastic_terms(pad, contact, load, terms, slopes)
    return terms, slopes


@pytest.mark.parametrize("load", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("size", [0.1, 1.0, 30.0])
def test_slopes_are_the_derivatives(load: float, size: float) -> None:
    """Each slope is the central difference of its term, inside the calibrated range and far beyond it."""
    pad = _pad()
    contact = size * np.array([0.9, -0.4, 0.7, 0.2])
    _, slopes = _terms(pad, contact, load)
    step = 1e-6
    for k in range(CHANNELS):
        nudge = step * np.eye(CHANNELS)[k]
        difference = (_terms(pad, contact + nudge, load)[0] - _terms(pad, contact - nudge, load)[0]) / (2.0 * step)
        assert_allclose(slopes[:, k], difference, rtol=1e-6, atol=1e-6 * max(1.0, size))


def test_beyond_its_range_the_map_grows_no_faster_than_the_channels() -> None:
    """A spike a thousand times the range makes at most a thousand times the response of the range's end."""
    pad = _pad()
    contact = 10.0 * np.array([0.9, -0.4, 0.7, 0.2])
    near, far = _terms(pad, contact, 0.5)[0], _terms(pad, 1000.0 * contact, 0.5)[0]
    assert (np.abs(far) <= 1000.0 * np.abs(near) * (1.0 + 1e-9)).all()


def test_a_step_relaxes_as_the_closed_form_says() -> None:
    """Source: step response of first-order lags; after a step of E the force is E (1 + sum g exp(-t/lag))."""
    pad = _pad()
    response, force = np.ones(AXES), np.zeros(AXES)
    memory = np.zeros((AXES, 1 + LAG_S.size))
    memory[:, 0] = 1.0  # smoothing long settled
    dt_s, scans = 0.001, 700
    for _ in range(scans):
        relax(pad, memory, response, dt_s, force)
    wanted = 1.0 + pad.fill @ np.exp(-scans * dt_s / LAG_S)
    assert_allclose(force, wanted, rtol=1e-9)


def test_an_unloaded_pad_shows_the_response_of_zero_force() -> None:
    """After a press the recovering response is that at which the model's force is zero, and it fades."""
    pad = _pad()
    force = np.zeros(AXES)
    memory = np.full((AXES, 1 + LAG_S.size), 0.8)
    response = np.zeros(AXES)
    unloaded_response(pad, memory, response)
    first = response.copy()
    memory[:, 0] = response
    relax(pad, memory, response, 1e-9, force)
    assert_allclose(force, 0.0, atol=1e-6)
    for _ in range(3000):
        unloaded_response(pad, memory, response)
        relax(pad, memory, response, 0.02, force)
    assert (np.abs(response) < 0.05 * first).all()


def test_force_is_linear_in_the_weights_at_known_shares() -> None:
    """Terms passed through the relaxation give the force that the relaxed response gives."""
    pad = _pad()
    rng = np.random.default_rng(5)
    time_s = np.cumsum(rng.uniform(0.001, 0.006, 400))
    terms = np.cumsum(rng.normal(size=(400, 3)), axis=0)
    weight = np.array([0.3, -0.2, 0.5])
    gaps = relaxation_terms(time_s, terms @ weight, LAG_S)
    share = np.where(gaps[:, 0] > 0.0, pad.fill[2], pad.empty[2])
    wanted = terms @ weight + (gaps[:, 0] @ pad.fill[2]) + (gaps[:, 1] @ pad.empty[2])
    assert_allclose(relax_terms(time_s, terms, LAG_S, share) @ weight, wanted, rtol=1e-9, atol=1e-9)


def test_missing_channels_follow_as_conditional_means() -> None:
    """Source: conditional Gaussian; a channel that repeats another is filled in exactly, a lone one stays unknown."""
    pattern = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 4.0]]) + 1e-9 * np.eye(3)
    gather, doubt = np.zeros((3, 3)), np.zeros((3, 3))
    assert fill_missing(pattern, np.array([1.0, 0.0, 0.0]), gather, doubt)
    assert_allclose(gather @ [2.0, 0.0, 0.0], [2.0, 2.0, 0.0], rtol=1e-3, atol=1e-9)
    assert_allclose(doubt[2, 2], 4.0, rtol=1e-6)
    assert doubt[1, 1] < 0.01
    assert not fill_missing(pattern, np.zeros(3), gather, doubt)


def test_response_and_jacobian_belong_together() -> None:
    """The Jacobian is the slope of the response."""
    pad = _pad()
    count = count_terms(CHANNELS, AXES)
    terms, slopes = np.zeros(count), np.zeros((count, CHANNELS))
    contact = np.array([0.3, 0.1, -0.2, 0.5])
    response, jacobian = np.zeros(AXES), np.zeros((AXES, CHANNELS))
    elastic_response(pad, contact, 0.7, terms, slopes, response, jacobian)
    up, _ = np.zeros(AXES), None
    elastic_response(pad, contact + [0.0, 1e-6, 0.0, 0.0], 0.7, terms, slopes, up, np.zeros((AXES, CHANNELS)))
    assert_allclose((up - response) / 1e-6, jacobian[:, 1], rtol=1e-4, atol=1e-4)
