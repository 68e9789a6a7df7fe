"""The free-bend terms against the published play operator and the closed form of a first-order lag."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from soft_tactile_node.estimation.bending import POWERS, bending_terms, count_terms

PLAY = Path(__file__).parents[3] / "shared" / "reference" / "play_operator.csv"


def test_hysteresis_terms_follow_the_play_operator() -> None:
    """Source: play operator, Krasnosel'skii & Pokrovskii (1989), hand-checkable trace in shared/reference."""
    table = np.genfromtxt(
        [row for row in PLAY.read_text().splitlines() if not row.startswith("#")], delimiter=",", names=True
    )
    load = np.concatenate([[0.0], table["u"]])
    lag_s = np.array([1e-9])  # follows at once
    terms = bending_terms(
        np.arange(load.size, dtype=float), load, np.zeros(load.size), lag_s, np.array([1.0, 2.0, 3.0])
    )
    first = POWERS + 2
    for k, name in enumerate(("r1", "r2", "r3")):
        assert_allclose(load[1:] - terms[1:, first + 2 * k], table[name], rtol=0.0, atol=1e-12)


def test_lag_terms_follow_the_step_response() -> None:
    """Source: step response of a first-order lag, 1 - exp(-t/tau), any control text."""
    time_s = np.arange(0.0, 2.0, 0.01)
    load = np.where(time_s > 0.0, 0.5, 0.0)
    tau = 0.4
    terms = bending_terms(time_s, load, np.zeros(time_s.size), np.array([tau, 2.0]), np.array([0.1]))
    assert_allclose(terms[:, POWERS], 0.5 * (1.0 - np.exp(-time_s / tau)), rtol=1e-12, atol=1e-12)
    assert_allclose(terms[:, POWERS + 1], 0.25 * (1.0 - np.exp(-time_s / tau)), rtol=1e-12, atol=1e-12)


def test_terms_do_not_depend_on_the_sample_rate() -> None:
    """A held pressure gives the same terms whatever the rate it is sampled at."""
    lag_s, radius = np.array([0.05, 1.0]), np.array([0.1, 0.3])
    ends = []
    for rate in (50.0, 2000.0):
        time_s = np.arange(0.0, 3.0 + 0.5 / rate, 1.0 / rate)
        load = np.where(time_s > 0.0, 0.8, 0.0)
        ends.append(bending_terms(time_s, load, np.zeros(time_s.size), lag_s, radius)[-1])
    assert_allclose(ends[0], ends[1], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(("lags", "plays"), [(1, 1), (8, 6)])
def test_count_is_the_width(lags: int, plays: int) -> None:
    """`count_terms` is what the recursion writes."""
    terms = bending_terms(np.array([0.0, 0.1]), np.zeros(2), np.zeros(2), np.ones(lags), 0.1 * np.ones(plays))
    assert terms.shape == (2, count_terms(lags, plays))
