"""The pad model: slopes against finite differences, a response of one sign, lags against their closed form."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.estimation.pad import NORMAL_TERMS, advance_pad, count_memory, count_terms, pad_terms, quick_tau

LAGS, SHEAR_LAGS = 2, 1


def _terms(shear: np.ndarray, memory: np.ndarray, pressure: float) -> tuple[np.ndarray, np.ndarray]:
    terms = np.zeros(count_terms(LAGS, SHEAR_LAGS, 3))
    slopes = np.zeros((terms.size, 2 + memory.size))
    pad_terms(shear, memory, pressure, LAGS, SHEAR_LAGS, 3, terms, slopes)
    return terms, slopes


@pytest.mark.parametrize("load", [-0.4, 0.01, 0.2, 1.7, 6.0])
def test_slopes_are_the_derivatives(load: float) -> None:
    """Each slope is the central difference of its term."""
    shear = np.array([0.3, -0.2])
    memory = np.array([load, 0.5, 0.4, 0.1, -0.1])
    _, slopes = _terms(shear, memory, 0.6)
    step = 1e-6
    for k in range(2 + memory.size):
        up, down = (np.concatenate([shear, memory]) for _ in range(2))
        up[k] += step
        down[k] -= step
        difference = (_terms(up[:2], up[2:], 0.6)[0] - _terms(down[:2], down[2:], 0.6)[0]) / (2.0 * step)
        assert_allclose(slopes[:, k], difference, rtol=1e-6, atol=1e-7)


@pytest.mark.parametrize("pressure", [0.0, 0.35, 1.0])
def test_positive_weights_make_a_rising_response(pressure: float) -> None:
    """Whatever the positive weights, more load is more signal: the model cannot turn around at light touches."""
    rng = np.random.default_rng(4)
    weights = rng.uniform(0.0, 1.0, NORMAL_TERMS)
    loads = np.linspace(0.0, 8.0, 200)
    response = [_terms(np.zeros(2), np.array([x, 0, 0, 0, 0]), pressure)[0][:NORMAL_TERMS] @ weights for x in loads]
    assert (np.diff(response) > 0.0).all()


def test_equal_weights_make_a_straight_line() -> None:
    """The curves add up to the load itself and the weights over pressure to one."""
    for load in (0.05, 0.9, 4.0):
        terms, _ = _terms(np.zeros(2), np.array([load, 0, 0, 0, 0]), 0.3)
        assert_allclose(terms[:NORMAL_TERMS].sum(), load, rtol=1e-12)


def test_quick_lag_fills_and_empties_at_its_own_rates() -> None:
    """Source: step response of a first-order lag; far from equilibrium the time constants are those given."""
    quick_s = np.array([0.05, 0.4])
    assert_allclose(quick_tau(1.0, quick_s), 0.05, rtol=1e-6)
    assert_allclose(quick_tau(-1.0, quick_s), 0.4, rtol=1e-6)
    memory = np.zeros(count_memory(LAGS, SHEAR_LAGS))
    advance_pad(memory, np.array([0.0, 0.0, 4.0]), 0.01, quick_s, np.array([0.5, 5.0]), np.array([1.0]))
    assert_allclose(memory[0], 4.0 * (1.0 - np.exp(-0.01 / 0.05)), rtol=1e-6)
