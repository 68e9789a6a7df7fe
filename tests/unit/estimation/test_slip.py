"""Slip: a stuck object swings after a sudden load, a sliding one does not."""

from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.estimation.slip import new_slip, watch_slip

DT_S = 0.002


def count_slips(shear_n: np.ndarray, normal_n: np.ndarray | float = 1.0, noise_n: float = 0.002) -> list[float]:
    """Return the times at which slips are called."""
    memo = new_slip()[0]
    rng = np.random.default_rng(1)
    normal = np.broadcast_to(normal_n, shear_n.shape)
    return [
        i * DT_S
        for i in range(shear_n.size)
        if watch_slip(memo, i * DT_S, DT_S, True, shear_n[i] + noise_n * rng.standard_normal(), 0.0, normal[i])
    ]


def loaded(swing: float) -> np.ndarray:
    """Shear of a sudden load at 1 s to 0.4 N; `swing` is the share of overshoot of a 20 Hz spring-mass response."""
    time_s = np.arange(0.0, 2.0, DT_S) - 1.0
    rise = np.clip(time_s / 0.03, 0.0, 1.0)
    ringing = swing * np.exp(-time_s / 0.15) * np.sin(2.0 * np.pi * 20.0 * (time_s - 0.03))
    return 0.1 + 0.3 * (rise + np.where(time_s > 0.03, ringing, 0.0))


def test_a_flat_end_of_a_sudden_load_is_a_slip() -> None:
    """Found within 100 ms of its start."""
    times = count_slips(loaded(0.0))
    assert len(times) == 1
    assert 1.03 < times[0] < 1.13


def test_a_swing_is_no_slip() -> None:
    """Source: free swing of a spring-loaded mass after a sudden load, any vibration text."""
    assert count_slips(loaded(0.3)) == []


def test_slow_load_is_not_judged() -> None:
    """A lift over seconds ends flat as well, without a slip."""
    time_s = np.arange(0.0, 4.0, DT_S)
    assert count_slips(0.1 + 0.3 * np.clip((time_s - 1.0) / 1.5, 0.0, 1.0)) == []


def test_setting_down_is_no_slip() -> None:
    """Shear that falls is unloading."""
    assert count_slips(0.5 - loaded(0.0)) == []


def test_pressing_harder_is_no_slip() -> None:
    """Shear that rises together with the normal force is a grip, not a slip."""
    shear = loaded(0.0)
    assert count_slips(shear, 1.0 + 2.0 * (shear - 0.1)) == []


def test_unobserved_shear_gives_no_probability() -> None:
    """Not observable is not zero."""
    memo = new_slip()[0]
    assert not watch_slip(memo, 0.0, DT_S, True, np.nan, np.nan, 1.0)
    assert np.isnan(memo["probability"])


@pytest.mark.parametrize("rate_hz", [200.0, 1000.0])
def test_any_rate(rate_hz: float) -> None:
    """The call does not depend on the sample rate."""
    memo = new_slip()[0]
    dt_s = 1.0 / rate_hz
    time_s = np.arange(0.0, 2.0, dt_s)
    shear = 0.1 + 0.3 * np.clip((time_s - 1.0) / 0.03, 0.0, 1.0)
    called = [t for t, f in zip(time_s, shear, strict=True) if watch_slip(memo, t, dt_s, True, f, 0.0, 1.0)]
    assert len(called) == 1


def test_a_grip_tightened_meanwhile_does_not_hide_a_slip() -> None:
    """While it slides, shear follows the friction limit, whatever a quick controller does to the normal force."""
    time_s = np.arange(0.0, 2.0, DT_S) - 1.0
    normal = 1.0 + 0.9 * np.clip((time_s - 0.06) / 0.2, 0.0, 1.0)
    shear = np.where(time_s < 0.03, loaded(0.0), 0.4 * normal)
    assert len(count_slips(shear, normal)) == 1
