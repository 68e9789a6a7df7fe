"""PASS and FAIL of a score."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from soft_tactile_node.scoring import score
from soft_tactile_node.scoring.verdict import format_verdict, judge_score
from unit.scoring.cases import make_estimate, make_truth

TOUCHES = ((3.0, 4.0, 1.0), (5.0, 6.0, 0.2))
REPORTS = tuple((begin, end) for begin, end, _ in TOUCHES)


def noisy(seed: int, size: int, sigma_n: float = 0.02) -> np.ndarray:
    """Return errors of an honest estimator on three axes (N)."""
    return np.random.default_rng(seed).normal(0.0, sigma_n, size=(size, 3))


def test_a_good_estimate_passes() -> None:
    """Every limit is judged and kept; the last line says so."""
    truth = make_truth(*TOUCHES)
    verdict = judge_score(score([(make_estimate(truth, *REPORTS, error_n=noisy(1, 5000)), truth)]))
    assert [entry.name for entry in verdict.judged if entry.holds is not True] == []
    assert verdict.passed
    assert format_verdict(verdict) == "PASS: 9 of 9 limits of a finger with iron disc kept"


@pytest.mark.parametrize(
    ("name", "reports", "error", "sigma_n"),
    [
        ("force_z_rmse_n", REPORTS, noisy(2, 5000, 0.06), 0.06),
        ("missed_share", REPORTS[:1], noisy(3, 5000), 0.02),
        ("false_alarms_per_min", (*REPORTS, (8.0, 8.2)), noisy(4, 5000), 0.02),
        ("f1_light", ((3.0, 4.0), (5.5, 6.0)), noisy(5, 5000), 0.02),
        ("within_2_sigma_contact", REPORTS, noisy(6, 5000, 0.03), 0.02),
        ("within_2_sigma_contact", REPORTS, noisy(7, 5000, 0.02), 0.05),
        ("wrong_force_max_s", REPORTS, np.where(np.arange(5000)[:, None] // 60 == 60, 0.3, noisy(8, 5000)), 0.02),
    ],
)
def test_each_limit_fails_by_name(
    name: str, reports: tuple[tuple[float, float], ...], error: np.ndarray, sigma_n: float
) -> None:
    """A broken limit is named with what it must be, and the last line says FAIL."""
    truth = make_truth(*TOUCHES)
    estimate = make_estimate(truth, *reports, error_n=error, sigma_n=sigma_n)
    verdict = judge_score(score([(estimate, truth)]))
    assert name in [entry.name for entry in verdict.judged if entry.holds is False]
    lines = format_verdict(verdict).splitlines()
    assert any(line.startswith(f"limit broken: {name} is ") for line in lines)
    assert lines[-1].startswith("FAIL: ")


def test_a_struck_score_fails() -> None:
    """Where too few rows are finite no figure is computed; that is a failure, not a blank."""
    truth = make_truth(*TOUCHES)
    estimate = make_estimate(truth, *REPORTS, error_n=noisy(9, 5000))
    force = estimate.force_n.copy()
    force[2000:2100] = np.nan
    result = score([(replace(estimate, force_n=force), truth)])
    assert result.figures["force_z_rmse_n"] is None
    assert not judge_score(result).passed
    blind = score([(replace(estimate, force_n=np.full_like(force, np.nan)), truth)])
    assert not judge_score(blind).passed


def test_what_was_not_computed_counts_neither_way() -> None:
    """Without a contact the limits on contacts are named as not judged; the rest still decides."""
    truth = make_truth()
    good = judge_score(score([(make_estimate(truth, error_n=noisy(10, 5000)), truth)]))
    assert good.passed
    assert "limit not judged: missed_share: needs a contact in TRUTH" in format_verdict(good)
    alarms = judge_score(score([(make_estimate(truth, (4.0, 4.1)), truth)]))
    assert not alarms.passed


def test_the_pad_decides_the_limits() -> None:
    """One observed axis, or a calibration that says so, has the limits of the liquid metal."""
    truth = make_truth(*TOUCHES)
    estimate = make_estimate(truth, *REPORTS, error_n=noisy(11, 5000, 0.06), sigma_n=0.06)
    assert not judge_score(score([(estimate, truth)])).passed
    assert judge_score(score([(estimate, truth)]), "liquid_metal").passed
    one = estimate.force_n.copy()
    one[:, :2] = np.nan
    assert judge_score(score([(replace(estimate, force_n=one), truth)])).limits.pad == "liquid metal"
