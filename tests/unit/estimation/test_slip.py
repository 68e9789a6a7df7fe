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


@pytest.mark.parametrize("rise_n", [0.3, 0.1])
def test_a_grip_tightened_meanwhile_does_not_hide_a_slip(rise_n: float) -> None:
    """While it slides, shear follows the friction limit, whatever a quick controller does to the normal force."""
    time_s = np.arange(0.0, 2.0, DT_S) - 1.0
    normal = 1.0 + 0.9 * np.clip((time_s - 0.06) / 0.2, 0.0, 1.0)
    shear = np.where(time_s < 0.03, 0.4 - rise_n / 0.3 * (0.4 - loaded(0.0)), 0.4 * normal)
    assert len(count_slips(shear, normal)) == 1


def test_a_slip_that_is_stopped_at_once_is_called_all_the_same() -> None:
    """A grip tightened so quickly that shear stays behind ends the watch: what was seen until then must do."""
    time_s = np.arange(0.0, 2.0, DT_S) - 1.0
    assert len(count_slips(loaded(0.0), 1.0 + 0.5 * np.clip((time_s - 0.08) / 0.05, 0.0, 1.0))) == 1


def follow(shear_n: np.ndarray, normal_n: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return slip probability and friction use of each scan."""
    memo = new_slip()[0]
    told = []
    for i in range(shear_n.size):
        watch_slip(memo, i * DT_S, DT_S, True, shear_n[i], 0.0, normal_n[i])
        told.append((float(memo["probability"]), float(memo["friction_use"])))
    return np.array(told)[:, 0], np.array(told)[:, 1]


def test_the_friction_limit_is_known_once_it_has_slid() -> None:
    """Before a slip its use is not known; then it is shear over normal force by that at which it slid, by hand."""
    time_s = np.arange(0.0, 2.0, DT_S)
    normal = np.where(time_s < 1.5, 1.0, 2.0)
    probability, use = follow(loaded(0.0), normal)
    called = int(np.argmax(probability == 1.0))
    assert np.isnan(use[: called + 1]).all()
    np.testing.assert_allclose(use[called + 1 : 740], 1.0, rtol=0.01)
    np.testing.assert_allclose(use[760:], 0.5, rtol=0.01)


@pytest.mark.parametrize("firmer", [1.0, 1.2])
def test_it_slides_until_the_grip_is_firm_enough(firmer: float) -> None:
    """Sliding on is 1 while shear follows the friction limit, and 0 at once when a firmer grip leaves it behind."""
    time_s = np.arange(0.0, 2.0, DT_S)
    probability, _ = follow(loaded(0.0), np.where(time_s < 1.2, 1.0, firmer))
    called = int(np.argmax(probability == 1.0))
    assert time_s[called] < 1.15
    assert (probability[called:600] == 1.0).all()
    assert set(probability[601:610]) == {1.0 if firmer == 1.0 else 0.0}


def test_a_new_contact_knows_no_limit() -> None:
    """What was let go and is touched again may be another object."""
    memo = new_slip()[0]
    shear = loaded(0.0)
    for i in range(shear.size):
        watch_slip(memo, i * DT_S, DT_S, True, shear[i], 0.0, 1.0)
    assert memo["friction_use"] > 0.9
    for touched in (False, True):
        watch_slip(memo, 2.0, DT_S, touched, 0.4, 0.0, 1.0)
        assert np.isnan(memo["friction_use"])
