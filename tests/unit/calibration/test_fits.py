"""Regression and noise against closed forms."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose
from soft_tactile_node.calibration.wander import white_noise

from soft_tactile_node.calibration.ridge import fit_ridge, fit_signed, split_blocks


def test_without_penalty_it_is_least_squares() -> None:
    """Source: numpy's least squares on the same data."""
    rng = np.random.default_rng(2)
    design = rng.normal(size=(400, 5)) * [1.0, 10.0, 0.1, 3.0, 1.0]
    target = design @ rng.normal(size=(5, 2)) + 0.1 * rng.normal(size=(400, 2))
    fit = fit_ridge(design, target, split_blocks([400], 8), penalties=(1e-14,))
    expected, *_ = np.linalg.lstsq(design, target, rcond=None)
    assert_allclose(fit.weights, expected, rtol=1e-8)


def test_held_out_error_is_larger_than_the_fit() -> None:
    """Held-out rows are predicted by a fit that did not see them."""
    rng = np.random.default_rng(6)
    design, target = rng.normal(size=(80, 30)), rng.normal(size=(80, 1))
    fit = fit_ridge(design, target, split_blocks([80], 8), penalties=(1e-10,))
    assert np.mean((target - fit.held_out) ** 2) > 1.5 * np.mean((target - design @ fit.weights) ** 2)


def test_the_smaller_model_wins_where_the_larger_gains_nothing() -> None:
    """Terms that explain nothing are left out."""
    rng = np.random.default_rng(7)
    design = rng.normal(size=(600, 12))
    target = design[:, :2] @ [[1.0], [2.0]] + 0.2 * rng.normal(size=(600, 1))
    small = np.arange(12) < 2
    fit = fit_ridge(design, target, split_blocks([600], 10), candidates=[small, np.ones(12, dtype=bool)])
    assert fit.terms.sum() == 2


def test_bound_weights_keep_the_sign_of_the_response() -> None:
    """A term whose free weight would turn around is held at the response's side of zero."""
    rng = np.random.default_rng(8)
    x = rng.uniform(0.0, 1.0, 500)
    design = np.stack([x, x**2], axis=1)
    target = (-2.0 * x + 0.8 * x**2)[:, None] + 0.01 * rng.normal(size=(500, 1))
    block = split_blocks([500], 6)
    free = fit_ridge(design, target, block)
    bound = fit_signed(design, target, x, np.ones(500), block, np.arange(500), free, np.ones(2))
    assert free.weights[1, 0] > 0.0
    assert (bound.weights < 0.0).all()


def test_noise_is_told_from_any_slow_signal() -> None:
    """Second differences of white noise have six times its variance; a slow wave adds nothing."""
    rng = np.random.default_rng(9)
    time_s = np.arange(0.0, 40.0, 0.002)
    change = 0.01 * np.sin(time_s)[:, None] + 3e-5 * rng.standard_normal((time_s.size, 2))
    assert_allclose(np.sqrt(np.diag(white_noise(change))), 3e-5, rtol=0.03)
