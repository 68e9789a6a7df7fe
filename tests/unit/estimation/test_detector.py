"""The detector: closed forms of one scan, thresholds that keep their rate, and touches that are not learnt away."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.calibration.touch_fit import fit_extremes
from soft_tactile_node.estimation.detector import (
    CONTACT_BEGAN,
    CONTACT_ENDED,
    DETECTOR,
    TESTS,
    TRACK,
    advance_activity,
    advance_detector,
    learn_zero,
    set_thresholds,
    start_detector,
)
from soft_tactile_node.estimation.model import TouchModel, touch_model
from soft_tactile_node.estimation.settings import LIGHT, SURE
from soft_tactile_node.estimation.tuning import TUNING
from unit.estimation.fingers import Finger, pressed

DT_S = 0.002
SPREAD = np.array([[4e-6, 0.01, 1e-4]] * TESTS)
TOUCH = TouchModel(SPREAD, np.full(TESTS, 6.0), 0.03)


def new_state() -> np.ndarray:
    """Return a detector at rest."""
    state = np.zeros(1, DETECTOR)
    start_detector(state[0], 0.0)
    return state


def follow(state: np.ndarray, force_n: np.ndarray | list[float]) -> list[int]:
    """Return what the detector tells for each normal force, a scan each."""
    told = []
    for i, force in enumerate(force_n):
        u = np.array([0.0, 0.0, force])
        told.append(advance_detector(TUNING, TOUCH, state[0], u, 0.0, 0.0, i * DT_S, DT_S))
    return told


def test_activity_is_the_difference_of_two_lags() -> None:
    """Source: step responses of first-order lags; after the step it decays with its own memory."""
    state = new_state()
    advance_activity(TUNING, state[0], 0.5, DT_S)
    quick = 1.0 - math.exp(-DT_S / TUNING.detect_s[1])
    slow = 1.0 - math.exp(-DT_S / TUNING.activity_s)
    assert_allclose(state["activity"][0], 0.5 * (quick - slow), rtol=1e-12)
    state["p_quick"] = state["p_slow"] = 0.5
    before = float(state["activity"][0])
    advance_activity(TUNING, state[0], 0.5, DT_S)
    assert_allclose(state["activity"][0], before * math.exp(-DT_S / TUNING.recent_s), rtol=1e-12)


def test_thresholds_grow_with_activity_load_and_ringing() -> None:
    """The threshold is the level times the spread, at least the floor, at least the ringing times its gain."""
    state = new_state()
    set_thresholds(TUNING, TOUCH, state[0])
    assert_allclose(state["theta"][0], 0.03, rtol=1e-12)
    state["activity"], state["carried"] = 0.3, 2.0
    set_thresholds(TUNING, TOUCH, state[0])
    sigma = math.sqrt(4e-6 + 0.01 * 0.3**2 + 1e-4 * 2.0**2)
    assert_allclose(state["theta0"][0], 6.0 * sigma, rtol=1e-12)
    state["ring"] = 0.04
    set_thresholds(TUNING, TOUCH, state[0])
    assert_allclose(state["theta"][0], max(6.0 * sigma, TUNING.ring_gain * 0.2), rtol=1e-12)


@pytest.mark.parametrize("hidden", [1.0, 10.0])
def test_the_zero_learns_the_slower_the_more_is_hidden(hidden: float) -> None:
    """One scan moves the zero as a first-order lag does, with its memory times threshold over floor."""
    state = new_state()
    state["free_s"] = 100.0
    state["theta0"] = 0.03 * hidden
    learn_zero(TUNING, TOUCH, state[0], np.array([0.1, -0.2, 0.02]), DT_S)
    gain = 1.0 - math.exp(-DT_S / (TUNING.zero_s * hidden))
    assert_allclose(state["zero"][0], gain * np.array([0.1, -0.2, 0.02]), rtol=1e-9)


def test_a_touch_is_confirmed_and_told_from_the_scan_before() -> None:
    """A force above the threshold is a contact once it has lasted, with the stamp of the scan before; it ends."""
    state = new_state()
    told = follow(state, [0.0] * 500 + [0.5] * 200 + [0.0] * 100)
    began, ended = told.index(CONTACT_BEGAN), told.index(CONTACT_ENDED)
    assert began == 500 + math.ceil(TUNING.confirm_s / DT_S) - 1
    assert_allclose(state["onset_s"][0], 499 * DT_S, rtol=1e-12)
    assert_allclose((ended - 699) * DT_S, TUNING.release_s, atol=1.5 * DT_S)
    assert told.count(CONTACT_BEGAN) == told.count(CONTACT_ENDED) == 1


def test_a_shorter_excess_is_no_touch() -> None:
    """One scan at three times the threshold is not enough at 500 Hz."""
    assert CONTACT_BEGAN not in follow(new_state(), [0.0] * 500 + [0.09] + [0.0] * 100)


def test_a_touch_under_a_high_threshold_is_not_learnt_away() -> None:
    """Its edge came before it could be claimed, and is remembered; the same force that came slowly is drift."""
    sudden, slow = new_state(), new_state()
    sudden["activity"] = slow["activity"] = 1.2
    follow(sudden, [0.0] * 10 + [0.3] * 2000)
    follow(slow, [0.0] * 10 + list(np.linspace(0.0, 0.3, 2000)))
    assert sudden["in_contact"][0] == 1
    assert sudden["zero"][0, 2] < 0.1
    assert slow["zero"][0, 2] > 0.1


def test_a_light_touch_soon_after_a_firm_one_is_not_learnt_away() -> None:
    """Its edge is told against the free finger, not against what was held before."""
    state = new_state()
    follow(state, [2.5] * 3000 + [0.0] * 250 + [0.3] * 2000)
    assert state["in_contact"][0] == 1
    assert abs(state["zero"][0, 2]) < 1e-3


@pytest.mark.parametrize("after", [TUNING.held_s / 3.0, 2.0], ids=["at once", "held first"])
def test_what_pulled_before_a_touch_is_remembered_while_it_lasts(after: float) -> None:
    """A touch out of a force below zero hides as much as that stood below; long after it, nothing is left of it."""
    pull = [-0.4] * math.ceil(after / DT_S)
    state, later = new_state(), new_state()
    follow(state, [0.0] * 500 + pull + list(np.linspace(-0.4, 1.0, 100)) + [1.0] * 1000)
    assert state["in_contact"][0] == 1
    assert_allclose(state["pulled"][0], 0.4, rtol=0.15)
    follow(later, [0.0] * 500 + pull + [0.0] * 4000 + [1.0] * 1000)
    assert later["in_contact"][0] == 1
    assert later["pulled"][0] < 0.01


def test_a_pad_cannot_pull() -> None:
    """A force below zero for long enough says that the finger is held; a touch must then exceed the zero before."""
    state = new_state()
    lasting = math.ceil(TUNING.held_s / DT_S)
    follow(state, [0.0] * 500 + [-0.2] * (lasting - 15))
    assert state["held"][0] == 0
    told = follow(state, [-0.2] * 1000 + [-0.05] * 100)
    assert state["held"][0] == 1
    assert CONTACT_BEGAN not in told


def test_a_finger_that_is_let_go_has_its_old_zero() -> None:
    """Once the force is back near the zero from before it was held, that zero counts again.

    It is that of the moment at which the finger counted as held: it had learnt for that long.
    """
    state = new_state()
    follow(state, [0.0] * 500 + [-0.2] * 1000 + [0.0] * 20)
    assert state["held"][0] == 0
    assert_allclose(state["zero"][0], 0.0, atol=1.2 * 0.2 * TUNING.held_s / TUNING.zero_s)


def test_a_swing_raises_the_threshold() -> None:
    """A short contact and at once the other way was a swing: the threshold rises to its size for a while."""
    back = [0.0] * 10 + [-0.5] * 10 + [0.0] * 100
    swing, press = new_state(), new_state()
    follow(swing, [0.0] * 500 + [0.6] * 100 + back)
    follow(press, [0.0] * 500 + [0.6] * 500 + back)
    assert swing["theta"][0].min() > TUNING.ring_gain * 0.6 * math.sqrt(0.5 * math.exp(-0.3))
    assert press["theta"][0].max() < 0.5 * swing["theta"][0].min()


@pytest.mark.parametrize("settings", [LIGHT, SURE], ids=["light", "sure"])
def test_levels_are_crossed_at_the_stated_rate(settings: object) -> None:
    """Source: Gumbel (1958); of maxima of that law in a second, the stated number a minute lies above the level.

    Counts are Poisson: three of their standard deviations are allowed.
    """
    location, scale = np.array([1.6, 1.1, 0.5]), np.array([0.75, 0.8, 0.85])
    part = SimpleNamespace(spread=SPREAD, location=location, scale=scale)
    level = touch_model(SimpleNamespace(touch=part), settings).level  # type: ignore[arg-type]
    minutes, rng = 200_000.0, np.random.default_rng(5)
    seconds = round(60.0 * minutes)
    above = sum(int(np.count_nonzero(rng.gumbel(location[j], scale[j], seconds) > level[j])) for j in range(TESTS))
    wanted = settings.false_alarms_per_minute * minutes  # type: ignore[attr-defined]
    assert abs(above - wanted) < 3.0 * math.sqrt(wanted)


def test_the_law_of_extremes_is_found() -> None:
    """Maxima drawn from a known law give its location and scale back."""
    rng, seconds = np.random.default_rng(6), 40_000
    spread = np.zeros((TESTS, 3))
    spread[:, 0] = [1.0, 4.0, 0.25]
    location, scale = np.array([1.6, 1.1, 0.5]), np.array([0.75, 0.8, 0.85])
    track = np.zeros(seconds, TRACK)
    track["d"] = rng.gumbel(location, scale, (seconds, TESTS)) * np.sqrt(spread[:, 0])
    item = SimpleNamespace(item=SimpleNamespace(time_s=np.arange(seconds, dtype=float)))
    found = fit_extremes([item], [track], [np.ones(seconds, dtype=bool)], spread)  # type: ignore[list-item]
    # the scatter of moments of 40 000 maxima is below one per cent
    assert_allclose(found[0], location, atol=0.02)
    assert_allclose(found[1], scale, rtol=0.03)


@pytest.mark.parametrize("start_s", [4.0, 6.0, 10.2])
def test_a_touch_while_the_pressure_moves_is_not_learnt_away(finger: Finger, start_s: float) -> None:
    """A press of half a newton that begins while the pressure rises or falls is told within 0.1 s, and 10 s later.

    Slopes of 10 and 20 kPa/s; the bending underneath goes on.
    """
    recording = pressed(finger.ramps, finger.touch, [0.0, start_s, start_s + 0.03, 100.0], [0.0, 0.0, 1.0, 1.0])
    table, _ = finger.replay(recording)
    later = (recording.time_s > start_s + 0.1) & (recording.time_s < start_s + 10.0)
    assert not table.in_contact[recording.time_s < start_s].any()
    assert table.in_contact[later].all()
    assert 0.25 < table.force_n[later, 2][-1] < 1.0
