"""Health checks: what is left out, and when it comes back."""

from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.estimation.health import (
    GOOD,
    OPEN,
    PRESSURE,
    STUCK,
    HealthLimits,
    check_channels,
    check_pressure,
    new_channels,
)

DT_S = 0.002
LIMITS = HealthLimits(
    step_limit=np.array([1e-3]),
    step_s=DT_S,
    equal_limit=np.array([20.0]),
    low=np.array([-0.02]),
    high=np.array([0.05]),
    pressure_equal_limit=40.0,
    pressure_rate=5.0,
    pressure_timeout_s=0.25,
    pressure_noise=1e-3,
)


def follow(values: np.ndarray) -> tuple[list[float], list[float]]:
    """Return fault and use of a channel after each reading."""
    memo = new_channels(1)
    faults, uses = [], []
    for i, value in enumerate(values):
        check_channels(LIMITS, memo, i * DT_S, DT_S, np.array([value]))
        faults.append(float(memo["fault"][0]))
        uses.append(float(memo["used"][0]))
    return faults, uses


def noisy(length: int) -> np.ndarray:
    """A healthy channel."""
    return 1e-4 * np.random.default_rng(5).standard_normal(length)


def test_healthy_stays_good() -> None:
    """No fault and every sample used."""
    faults, uses = follow(noisy(500))
    assert set(faults) == {GOOD}
    assert set(uses) == {1.0}


@pytest.mark.parametrize("bad", [np.nan, np.inf, 0.4])
def test_open_is_seen_within_20_scans_and_comes_back(bad: float) -> None:
    """Missing or far outside: open; back to normal: used again after a while."""
    values = noisy(600)
    values[200:300] = bad
    faults, uses = follow(values)
    assert OPEN in faults[200:220]
    assert set(uses[203:300]) == {0.0}
    assert uses[-1] == 1.0


def test_stuck_is_seen() -> None:
    """A reading that never changes is not believed although it is plausible."""
    values = noisy(400)
    values[200:] = values[200]
    faults, _ = follow(values)
    assert faults[225] == STUCK


def test_a_spike_costs_one_sample_only() -> None:
    """The wild sample is not used, its neighbours are."""
    values = noisy(300)
    values[150] = 0.02
    _, uses = follow(values)
    assert uses[149:152] == [1.0, 0.0, 1.0]


def test_lost_pressure_is_flagged_and_its_variance_grows() -> None:
    """Silence beyond the timeout: the last value holds, ever less certain."""
    memo = np.zeros(1, PRESSURE)[0]
    check_pressure(LIMITS, memo, 0.0, 0.001, np.nan)
    for _ in range(10):
        check_pressure(LIMITS, memo, 0.02, memo["level"] + 0.05, np.nan)
    held = memo["level"]
    variances = [check_pressure(LIMITS, memo, DT_S, np.nan, np.nan) for _ in range(400)]
    assert memo["fault"] == 1
    assert memo["level"] == held
    assert variances[0] == 0.0
    assert variances[-1] > variances[-100] > 0.0


def test_a_reading_of_zero_while_bent_is_not_believed() -> None:
    """No valve empties a chamber between two scans; the channels, still bent, disagree as well."""
    memo = np.zeros(1, PRESSURE)[0]
    for k in range(60):
        check_pressure(LIMITS, memo, 0.02, 0.01 * k + 1e-4 * (-1) ** k, np.nan)
    bent = memo["level"]
    for _ in range(300):
        check_pressure(LIMITS, memo, DT_S, 0.0, bent)
    assert memo["fault"] == 1
    assert memo["level"] == bent
