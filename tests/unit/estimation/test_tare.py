"""The tare takes rest, and refuses everything else with the reason."""

from __future__ import annotations

from contextlib import nullcontext, suppress
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.errors import CalibrationError, NotAtRestError
from soft_tactile_node.estimation import Estimator, take_tare
from soft_tactile_node.estimation.tare import Tare, check_unit, find_exchanged, find_moved
from soft_tactile_node.samples import Scan
from unit.estimation.fingers import Finger

TIME_S = np.arange(0.0, 1.0, 0.002)
NOISE = np.array([3e-5, 3e-5])


def readings(slope: float = 0.0) -> np.ndarray:
    """Two channels at rest, the second moving by `slope` per second."""
    rng = np.random.default_rng(0)
    change = NOISE * rng.standard_normal((TIME_S.size, 2))
    change[:, 1] += slope * TIME_S
    return np.array([4e-6, 5e-6]) * (1.0 + change)


def tare(**changes: np.ndarray) -> object:
    """Take a tare of rest with some of its inputs changed."""
    inputs = {
        "pressure_pa": np.full(TIME_S.size, 50.0),
        "inductance_h": readings(),
        "temperature_c": np.full(TIME_S.size, 21.0),
    }
    return take_tare(TIME_S, noise=NOISE, **(inputs | changes))


def test_mean_of_rest() -> None:
    """Inductance and temperature are those of the stretch."""
    result = tare()
    assert_allclose(result.inductance_h, [4e-6, 5e-6], rtol=1e-5)  # type: ignore[attr-defined]
    assert result.temperature_c == 21.0  # type: ignore[attr-defined]


def test_wild_samples_do_not_move_it() -> None:
    """Single spikes and gaps leave the tare where it was."""
    wild = readings()
    wild[100, 0] *= 1.3
    wild[200, 1] = np.nan
    assert_allclose(tare(inductance_h=wild).inductance_h, [4e-6, 5e-6], rtol=1e-5)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"pressure_pa": np.full(TIME_S.size, 4000.0)}, "vented"),
        ({"pressure_pa": np.full(TIME_S.size, np.nan)}, "pressure reading"),
        ({"inductance_h": readings(slope=1e-3)}, "channel 2 moves"),
        ({"inductance_h": np.full((TIME_S.size, 2), np.nan)}, "every channel is missing"),
    ],
)
def test_refuses_with_the_reason(changes: dict[str, np.ndarray], reason: str) -> None:
    """Pressurised, blind, moving or dead: refused in words."""
    with pytest.raises(NotAtRestError, match=reason):
        tare(**changes)


def test_exchanged_plugs_are_named() -> None:
    """Two channels that rest at each other's place are told from the same pad and from another one."""
    calibrated = np.array([5.0e-6, 5.1e-6, 5.2e-6])
    assert find_exchanged(calibrated[[1, 0, 2]] * 1.0005, calibrated) == (1, 2)
    assert find_exchanged(calibrated * 1.0005, calibrated) is None
    assert find_exchanged(calibrated * np.array([1.02, 0.97, 1.01]), calibrated) is None


def test_a_finger_that_rests_elsewhere_is_named() -> None:
    """A coil 0.6 % off its calibration is told with its number, one 0.3 % off or missing is not."""
    calibrated = np.array([5.0e-6, 5.1e-6, 5.2e-6])

    def moved(*shift: float) -> list[str]:
        return find_moved(Tare(calibrated * (1.0 + np.array(shift)), 21.0, 1.0), calibrated)

    assert moved(0.003, -0.003, np.nan) == []
    assert moved(0.003, -0.006, 0.0)[0].startswith("coil 2 rests -0.6 % off its calibration: that of another finger")


@pytest.mark.parametrize("factor", [1e-3, 1e-2, 1.45e-4], ids=["kPa", "hPa", "psi"])
def test_another_unit_of_pressure_is_told_by_its_noise(finger: Finger, factor: float) -> None:
    """At rest every unit reads about zero, but far more quietly than pascal do; refused before it moves."""
    wrong = replace(finger.pick, pressure_pa=factor * finger.pick.pressure_pa)
    with pytest.raises(CalibrationError, match=r"pressure strays by .* Pa at rest, at calibration by .*in pascal"):
        Estimator(finger.calibration).replay(wrong)


def test_a_sensor_of_whole_steps_may_repeat_a_reading() -> None:
    """Readings that are all equal, fewer than a tare needs, or as noisy as calibrated pass."""
    noisy = 45.0 * np.random.default_rng(1).standard_normal(100)
    for readings_pa in (np.zeros(100), 1e-3 * noisy[:5], noisy, np.where(noisy > 100.0, 100.0, 0.0)):
        check_unit(readings_pa, 45.0)
    with pytest.raises(CalibrationError):
        check_unit(1e-3 * noisy, 45.0)


def test_another_pad_is_refused_for_as_long_as_it_streams(iron_disc: Finger) -> None:
    """Refused at each scan once there is rest to judge, in a window that does not grow; the right pad is taken."""
    estimator = Estimator(iron_disc.calibration, tare_s=0.2)
    rest_h = np.array(iron_disc.calibration.tare_inductance_h)
    for k in range(1000):
        with pytest.raises(CalibrationError) if k >= 40 else nullcontext():
            estimator.step(Scan(0.005 * k, 1.3 * rest_h, 20.0), 0.0)
    assert len(estimator._rest) <= 42
    for k in range(1000, 1100):
        with suppress(CalibrationError):  # until nothing of the other pad is left in the window
            estimator.step(Scan(0.005 * k, rest_h, 20.0), 0.0)
    assert estimator.tare is not None
