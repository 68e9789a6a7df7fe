"""Each number that a person chose moves the estimate: none is a leftover."""

from __future__ import annotations

from dataclasses import replace

import numba
import numpy as np
import pytest

from soft_tactile_node.calibration import Calibration, base_fit, calibrate, map_fit, touch_fit
from soft_tactile_node.estimation import Estimator, model
from soft_tactile_node.estimation.detector import DETECTOR, advance_detector
from soft_tactile_node.estimation.model import touch_model
from soft_tactile_node.estimation.settings import LIGHT
from soft_tactile_node.estimation.tuning import TUNING, Tuning
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array
from unit.estimation.fingers import Finger, thinned

FACTOR = 1.8
MOMENT_S = 0.01


@pytest.fixture(scope="module")
def lagging(iron_disc: Finger) -> Calibration:
    """The calibration of a pad that has a lag of its own to be undone."""
    force_map = iron_disc.calibration.force_map.model_copy(update={"rise_s": 0.06, "fall_s": 0.3})
    return iron_disc.calibration.model_copy(update={"force_map": force_map})


@pytest.fixture(scope="module")
def recordings(iron_disc: Finger) -> list[Recording]:
    """A pick, and a slow one of a finger whose base moves, with two scans missing: longer than filters bear."""
    slow = thinned(iron_disc.pick, 6)
    slow = replace(slow, acceleration_m_s2=np.outer(np.sin(slow.time_s), [0.0, 0.0, 9.81]))
    slow.inductance_h[200:202] = np.nan
    return [iron_disc.pick, slow]


@numba.njit
def watch(tuning: Tuning, touch: object, state: object, u: Array, p: Array, out: Array) -> None:
    """Run the detector over forces and pressures; write zero, contact and held."""
    for i in range(u.shape[0]):
        advance_detector(tuning, touch, state, u[i], p[i], 0.0, i * MOMENT_S, MOMENT_S)
        out[i, 0] = state.zero[2]
        out[i, 1] = state.in_contact
        out[i, 2] = state.held


def detect(tuning: Tuning, calibration: Calibration) -> bytes:
    """Return what the detector makes of twenty minutes of steps, slopes and shocks of every size, as bytes."""
    rng = np.random.default_rng(4)
    count = round(1200.0 / MOMENT_S)
    knots = np.cumsum(rng.exponential(1.0, 3000) * rng.choice([0.02, 0.3, 2.0, 10.0], 3000, p=[0.5, 0.3, 0.15, 0.05]))
    level = rng.choice([0.0, 0.05, 0.2, 1.0, -0.2], 3000, p=[0.4, 0.2, 0.15, 0.15, 0.1])
    time_s = MOMENT_S * np.arange(count)
    u = np.zeros((count, 3))
    u[:, 2] = np.interp(time_s, knots, level) + 1e-3 * rng.standard_normal(count)
    u[-6000:, 2] = 0.0
    p = np.interp(time_s, np.arange(0.0, 1300.0, 4.0), rng.uniform(0.0, 1.0, 325))
    p[count // 2 :] = 0.5
    # swings: a touch, the other way at once or a third of a second later, a light touch while the threshold is still up
    swing = MOMENT_S * np.arange(900)
    at_once = np.interp(
        swing, [1.0, 1.02, 1.8, 1.82, 1.9, 1.92, 2.5, 2.52, 3.5, 3.52], [0, 1, 1, -0.7, -0.7, 0, 0, 0.5, 0.5, 0]
    )
    later = np.interp(
        swing, [6.0, 6.02, 6.5, 6.52, 6.82, 6.84, 6.9, 6.92, 7.4, 7.42], [0, 1, 1, 0, 0, -0.7, -0.7, 0, 0, 0.5]
    )
    u[-900:, 2] += at_once + later
    out = np.zeros((count, 3))
    watch(tuning, touch_model(calibration, LIGHT), np.zeros(1, DETECTOR)[0], u, p, out)
    return out.tobytes()


def estimate(calibration: Calibration, recordings: list[Recording]) -> bytes:
    """Return the estimates of all recordings, as bytes."""
    tables = [Estimator(calibration).replay(recording)[0] for recording in recordings]
    return b"".join(t.force_n.tobytes() + t.force_variance_n2.tobytes() + t.flags.tobytes() for t in tables)


@pytest.fixture(scope="module")
def before(lagging: Calibration, recordings: list[Recording]) -> tuple[bytes, bytes]:
    """What the tuning in use gives."""
    return estimate(lagging, recordings), detect(TUNING, lagging)


def change(tuning: Tuning, name: str) -> Tuning:
    """Return the tuning with one of its numbers, or all numbers of one of its lists, grown."""
    value = getattr(tuning, name)
    grown = tuple(FACTOR * x for x in value) if isinstance(value, tuple) else FACTOR * value
    return tuning._replace(**{name: grown})


@pytest.mark.parametrize("name", Tuning._fields)
def test_each_number_moves_the_estimate(
    name: str,
    iron_disc: Finger,
    lagging: Calibration,
    recordings: list[Recording],
    before: tuple[bytes, bytes],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Grown by 1.8 each number changes an estimate, what the detector decides, or the calibration of a finger."""
    changed = change(TUNING, name)
    for module in (base_fit, map_fit, touch_fit, model):
        monkeypatch.setattr(module, "TUNING", changed)
    if (estimate(lagging, recordings), detect(changed, lagging)) == before:
        assert calibrate([iron_disc.free], [iron_disc.press]) != iron_disc.calibration
