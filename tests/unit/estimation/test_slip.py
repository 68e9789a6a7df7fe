"""Slip: an object that breaks loose drops from the static to the kinetic friction limit, a stuck one only swings."""

from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.estimation.slip import LOOSE_S, new_slip_state, watch_slip

DT_S = 0.002
LOADED_S = 1.0


def count_slips(
    shear_n: np.ndarray, normal_n: np.ndarray | float = 1.0, noise_n: float = 0.002, dt_s: float = DT_S
) -> list[float]:
    """Return the times at which slips are called."""
    memo = new_slip_state()
    rng = np.random.default_rng(1)
    normal = np.broadcast_to(normal_n, shear_n.shape)
    return [
        i * dt_s
        for i in range(shear_n.size)
        if watch_slip(memo, i * dt_s, dt_s, True, shear_n[i] + noise_n * rng.standard_normal(), 0.0, normal[i])
    ]


def since_load(length_s: float = 2.0, dt_s: float = DT_S) -> np.ndarray:
    """Time since the load began (s)."""
    return np.arange(0.0, length_s, dt_s) - LOADED_S


def broken_loose(time_s: np.ndarray, static_n: float = 0.45, kinetic_n: float = 0.38) -> np.ndarray:
    """Shear of a load that rises for 30 ms, stays 10 ms at the static limit and slides on at the kinetic one."""
    return np.where(time_s < 0.04 - 1e-9, 0.1 + (static_n - 0.1) * np.clip(time_s / 0.03, 0.0, 1.0), kinetic_n)


def test_breaking_loose_is_a_slip_found_at_once() -> None:
    """Found within 10 ms of the fall from the static to the kinetic limit, and called once."""
    times = count_slips(broken_loose(since_load()))
    assert len(times) == 1
    assert -1e-9 <= times[0] - (LOADED_S + 0.04) < 0.01


def test_stick_slip_is_called_once() -> None:
    """A saw-tooth of sticking and falling is one slip; after a rest the next one is called again."""
    time_s = since_load(4.0)
    tooth = 0.40 + 0.07 * ((np.maximum(time_s, 0.0) / 0.03) % 1.0)
    slides = ((time_s > 0.0) & (time_s < 0.5)) | ((time_s > 1.5) & (time_s < 1.8))
    assert LOOSE_S < 1.0
    assert len(count_slips(np.where(slides, tooth, 0.4))) == 2


@pytest.mark.parametrize("frequency_hz", [8.0, 15.0, 25.0])
def test_a_swing_is_no_slip(frequency_hz: float) -> None:
    """A stuck object swings about its new load, as far as a sudden load makes it.

    Source: free swing of a spring-loaded mass, a sudden load doubles it at most; any vibration text.
    """
    time_s = since_load()
    swing = 1.0 - np.cos(2.0 * np.pi * frequency_hz * time_s) * np.exp(-time_s / 0.15)
    assert count_slips(0.1 + 0.1 * np.where(time_s > 0.0, swing, 0.0), 2.0) == []


def test_loading_is_no_slip() -> None:
    """Neither a sudden nor a slow rise of shear to a flat end is a slip."""
    time_s = since_load(4.0)
    assert count_slips(0.1 + 0.3 * np.clip(time_s / 0.03, 0.0, 1.0)) == []
    assert count_slips(0.1 + 0.3 * np.clip(time_s / 1.5, 0.0, 1.0)) == []


def test_setting_down_is_no_slip() -> None:
    """Shear that falls over a twentieth of a second is unloading."""
    assert count_slips(0.5 - 0.4 * np.clip(since_load() / 0.05, 0.0, 1.0), 1.5) == []


def test_opening_the_grip_is_no_slip() -> None:
    """Shear that falls with the normal force is a release."""
    normal = 1.0 - 0.8 * np.clip(since_load() / 0.01, 0.0, 1.0)
    assert count_slips(0.4 * normal, normal) == []


def test_unobserved_shear_gives_no_probability() -> None:
    """Not observable is not zero."""
    memo = new_slip_state()
    assert not watch_slip(memo, 0.0, DT_S, True, np.nan, np.nan, 1.0)
    assert np.isnan(memo.scalar[0])


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0, 2000.0])
def test_any_rate_from_100_hz(rate_hz: float) -> None:
    """The call does not depend on the sample rate."""
    dt_s = 1.0 / rate_hz
    assert len(count_slips(broken_loose(since_load(dt_s=dt_s)), dt_s=dt_s)) == 1


def test_scans_that_come_too_slowly_judge_nothing() -> None:
    """At 50 Hz a swing looks like a fall: the probability is not observed, nothing is called."""
    memo = new_slip_state()
    for i, shear_n in enumerate(broken_loose(since_load(dt_s=0.02))):
        assert not watch_slip(memo, 0.02 * i, 0.02, True, shear_n, 0.0, 1.0)
    assert np.isnan(memo.scalar[0])


def test_a_grip_tightened_meanwhile_does_not_hide_a_slip() -> None:
    """While it slides, shear follows the friction limit, whatever a quick controller does to the normal force."""
    time_s = since_load()
    normal = 1.0 + 0.9 * np.clip((time_s - 0.06) / 0.2, 0.0, 1.0)
    assert len(count_slips(broken_loose(time_s) * normal, normal)) == 1
