"""Regression and noise against closed forms and other libraries."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from sklearn.linear_model import Ridge as OtherRidge

from soft_tactile_node.calibration.health_fit import white_noise
from soft_tactile_node.calibration.map_fit import fit_nonnegative
from soft_tactile_node.calibration.ridge import Ridge, split_blocks

ROWS, TERMS, PENALTY = 400, 5, 1e-3


@pytest.fixture(scope="module")
def problem() -> dict[str, np.ndarray]:
    """Terms of very different size, two targets, blocks of unequal length, unequal row weights and penalties."""
    rng = np.random.default_rng(2)
    design = rng.normal(size=(ROWS, TERMS)) * [1.0, 10.0, 0.1, 3.0, 1.0]
    return {
        "design": design,
        "target": design @ rng.normal(size=(TERMS, 2)) + 0.1 * rng.normal(size=(ROWS, 2)),
        "block": np.sort(rng.integers(0, 7, ROWS)),
        "row_weight": rng.uniform(0.2, 3.0, ROWS),
        "scale": np.array([1.0, 4.0, 16.0, 1.0, 4.0]),
    }


def columns_of(problem: dict[str, np.ndarray]) -> np.ndarray:
    """Return the penalised size of each column: its weighted rms times its scale."""
    rms = np.sqrt(np.average(problem["design"] ** 2, axis=0, weights=problem["row_weight"] ** 2))
    return np.asarray(rms * problem["scale"])


def other_weights(problem: dict[str, np.ndarray], kept: np.ndarray) -> np.ndarray:
    """Return scikit-learn's weights from some of the rows; columns and penalty are those of all rows."""
    size = columns_of(problem)
    other = OtherRidge(alpha=PENALTY * ROWS, fit_intercept=False, solver="cholesky")
    other.fit(problem["design"][kept] / size, problem["target"][kept], problem["row_weight"][kept] ** 2)
    return np.asarray(other.coef_.T / size[:, None])


def test_weights_are_those_of_another_library(problem: dict[str, np.ndarray]) -> None:
    """Source: scikit-learn's Ridge on columns over their size, rows weighted."""
    assert_allclose(Ridge(**problem).weights(PENALTY), other_weights(problem, np.ones(ROWS, dtype=bool)), rtol=1e-9)


def test_held_out_rows_are_those_of_an_explicit_loop(problem: dict[str, np.ndarray]) -> None:
    """Leaving out one block after the other by hand, with scikit-learn, gives the same predictions and error."""
    wanted = np.zeros((ROWS, 2))
    for number in np.unique(problem["block"]):
        here = problem["block"] == number
        wanted[here] = problem["design"][here] @ other_weights(problem, ~here)
    ridge = Ridge(**problem)
    assert_allclose(ridge.held_out(PENALTY), wanted, rtol=1e-8)
    wrong = np.average((wanted - problem["target"]) ** 2, axis=0, weights=problem["row_weight"] ** 2).sum()
    assert_allclose(ridge.error(PENALTY), wrong, rtol=1e-8)


def test_leverage_is_the_diagonal_of_the_hat_matrix(problem: dict[str, np.ndarray]) -> None:
    """Source: numpy's inverse of the penalised normal equations; Belsley, Kuh & Welsch (1980), sec. 2.1."""
    x, weighted = problem["design"], problem["design"] * problem["row_weight"][:, None]
    penalty = PENALTY * ROWS * np.diag(columns_of(problem) ** 2)
    inverse = np.linalg.inv(weighted.T @ weighted + penalty)
    ridge = Ridge(**problem)
    assert_allclose(ridge.leverage_matrix(PENALTY), inverse, rtol=1e-8)
    held_out = np.zeros(ROWS)
    for number in np.unique(problem["block"]):
        here = problem["block"] == number
        rest = np.linalg.inv(weighted[~here].T @ weighted[~here] + penalty)
        held_out[here] = np.diag(x[here] @ rest @ x[here].T)
    assert_allclose(ridge.held_out_leverage(PENALTY), held_out, rtol=1e-8)


def test_without_penalty_it_is_least_squares(problem: dict[str, np.ndarray]) -> None:
    """Source: numpy's least squares on the same data."""
    ridge = Ridge(problem["design"], problem["target"], problem["block"])
    expected, *_ = np.linalg.lstsq(problem["design"], problem["target"], rcond=None)
    assert_allclose(ridge.weights(1e-14), expected, rtol=1e-8)


def test_the_largest_penalty_close_to_the_best_is_chosen(problem: dict[str, np.ndarray]) -> None:
    """Of several candidates the largest whose held-out error is within the factor; with a factor of one the best."""
    ridge = Ridge(**problem)
    candidates = (1e-8, 1e-4, 1e-2, 1e-1, 1.0)
    errors = {penalty: ridge.error(penalty) for penalty in candidates}
    assert ridge.choose(1.0, candidates) == (min(errors, key=errors.__getitem__), min(errors.values()))
    for factor in (1.1, 2.0, 1e9):
        within = [penalty for penalty, error in errors.items() if error <= factor * min(errors.values())]
        assert ridge.choose(factor, candidates)[0] == max(within)


def test_blocks_are_pieces_of_one_recording() -> None:
    """Blocks last as long as asked, and none spans two recordings."""
    first, second = np.arange(0.0, 13.0, 0.5), 100.0 + np.arange(0.0, 5.0, 0.5)
    assert_array_equal(split_blocks([first, second]), [0] * 12 + [1] * 12 + [2] * 2 + [3] * 10)


def test_variances_are_found_and_stay_above_zero() -> None:
    """Weights of a known variance come back; a term that would need a negative weight gets none."""
    rng = np.random.default_rng(8)
    terms = np.column_stack([np.ones(20_000), rng.uniform(0.0, 3.0, 20_000) ** 2, rng.uniform(0.0, 1.0, 20_000)])
    squares = (terms @ [0.5, 2.0, 0.0]) * rng.standard_normal(20_000) ** 2
    found = fit_nonnegative(terms, squares)
    assert_allclose(found[:2], [0.5, 2.0], rtol=0.15)
    assert (found >= 0.0).all()
    falling = (4.0 - terms[:, 2]) * rng.standard_normal(20_000) ** 2
    assert fit_nonnegative(terms, falling)[2] == 0.0


def test_noise_is_told_from_any_slow_signal() -> None:
    """Second differences of white noise have six times its variance; a slow wave adds nothing."""
    rng = np.random.default_rng(9)
    time_s = np.arange(0.0, 40.0, 0.002)
    change = 0.01 * np.sin(time_s)[:, None] + 3e-5 * rng.standard_normal((time_s.size, 2))
    assert_allclose(np.sqrt(np.diag(white_noise(change))), 3e-5, rtol=0.03)
