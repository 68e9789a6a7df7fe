"""The terms of the free bend against the published play operator and the closed form of a first-order lag."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.testing import assert_allclose

from soft_tactile_node.estimation.drive import CELL_TERMS, POWERS, count_terms, drive_terms, rest_terms
from soft_tactile_node.estimation.tuning import TUNING

PLAY = Path(__file__).parents[3] / "shared" / "reference" / "play_operator.csv"
AT_ONCE = TUNING._replace(quick_s=1e-9)
LAGS = POWERS + 2 * len(TUNING.play_radius)
CELL = LAGS + 2 * len(TUNING.creep_s)


def stepped(rate_hz: float, end_s: float = 3.0, height: float = 0.8) -> tuple[np.ndarray, np.ndarray]:
    """Return stamps and the pressure of a step after the first scan."""
    time_s = np.arange(0.0, end_s + 0.5 / rate_hz, 1.0 / rate_hz)
    return time_s, np.where(time_s > 0.0, height, 0.0)


def test_hysteresis_terms_follow_the_play_operator() -> None:
    """Source: play operator, Krasnosel'skii & Pokrovskii (1989), hand-checkable trace in shared/reference."""
    table = np.genfromtxt(
        [row for row in PLAY.read_text().splitlines() if not row.startswith("#")], delimiter=",", names=True
    )
    pressure = np.concatenate([[0.0], table["u"]])
    radii = tuple(float(r) for r in range(1, 1 + len(TUNING.play_radius)))
    terms = drive_terms(AT_ONCE._replace(play_radius=radii), np.arange(pressure.size, dtype=float), pressure)
    for k, name in enumerate(("r1", "r2", "r3")):
        play = terms[1:, POWERS + 2 * k]
        assert_allclose(play, table[name], rtol=0.0, atol=1e-12)
        assert_allclose(terms[1:, POWERS + 2 * k + 1], play**2, rtol=0.0, atol=1e-12)


def test_lag_terms_follow_the_step_response() -> None:
    """Source: step response of a first-order lag, 1 - exp(-t/tau), any control text."""
    time_s, pressure = stepped(100.0, height=0.5)
    terms = drive_terms(AT_ONCE, time_s, pressure)
    for j, tau in enumerate(TUNING.creep_s):
        answer = 1.0 - np.exp(-time_s / tau)
        assert_allclose(terms[:, LAGS + 2 * j], 0.5 * answer, rtol=1e-12, atol=1e-12)
        assert_allclose(terms[:, LAGS + 2 * j + 1], 0.25 * answer, rtol=1e-12, atol=1e-12)


def test_a_cell_fills_quickly_and_empties_slowly() -> None:
    """The cell's terms rise with the time of filling and fall with that of emptying (first-order lags)."""
    time_s = np.arange(0.0, 10.0, 0.01)
    up = (time_s > 0.0) & (time_s <= 5.0)
    terms = drive_terms(AT_ONCE, time_s, np.where(up, 0.9, 0.0))[:, CELL]
    assert_allclose(terms[up], 0.9 * (1.0 - np.exp(-time_s[up] / TUNING.fill_s)), rtol=1e-9)
    last = np.flatnonzero(up)[-1]
    after = time_s[last:] - time_s[last]
    assert_allclose(terms[last:], terms[last] * np.exp(-after / TUNING.empty_s), rtol=1e-9)


def test_terms_do_not_depend_on_the_sample_rate() -> None:
    """A held pressure gives the same terms whatever the rate it is sampled at."""
    ends = [drive_terms(AT_ONCE, *stepped(rate_hz))[-1] for rate_hz in (50.0, 2000.0)]
    assert_allclose(ends[0], ends[1], rtol=1e-9, atol=1e-12)


def test_a_finger_that_rested_for_long_has_the_terms_of_rest() -> None:
    """Minutes at one pressure, reached from below, end in `rest_terms`; as many terms as `count_terms` says."""
    time_s, pressure = stepped(20.0, end_s=1200.0, height=0.6)
    held = drive_terms(TUNING, time_s, pressure)
    assert held.shape == (time_s.size, count_terms(TUNING))
    assert count_terms(TUNING) == CELL + CELL_TERMS
    assert_allclose(held[-1], rest_terms(TUNING, 0.6), rtol=1e-7)
