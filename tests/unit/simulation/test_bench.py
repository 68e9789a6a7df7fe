"""The simulated bench: the stage reaches the force asked for, the references read what is."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.errors import RangeError, ShapeError
from soft_tactile_node.simulation.bench import CAMERA_NOISE_RAD, CELL_NOISE_N, Bench
from soft_tactile_node.simulation.gripper import Gripper


def test_the_stage_seeks_force_and_place_and_lets_go() -> None:
    """Asked for normal force and shear the pad carries them; kept off it carries nothing."""
    bench = Bench(2, rate_hz=100.0)
    bench.press((0.8, -0.5, 3.0), (1e-3, 0.0))
    for _ in range(200):
        step = bench.step([0.0])
    truth = step.truths[0]
    assert_allclose(truth.force_n, [0.8, -0.5, 3.0], atol=0.05)
    # moment of the normal force about the pad's origin: y fz, -x fz; the shear adds its lever, some tenths
    assert truth.torque_n_m[1] < 0.0
    bench.press(None)
    for _ in range(100):
        step = bench.step([0.0])
    assert not step.truths[0].in_contact
    assert_allclose(step.truths[0].force_n, 0.0, atol=1e-12)


def test_references_read_the_truth_with_their_noise() -> None:
    """Cell and camera differ from the truth by their stated noise."""
    bench = Bench(3, rate_hz=100.0)
    bench.press((0.0, 0.0, 2.0))
    cell, camera = [], []
    for _ in range(600):
        step = bench.step([20e3])
        cell.append(bench.reference_force(step) - step.truths[0].force_n)
        camera.append(bench.reference_bend(step) - step.truths[0].bend_rad)
    # 1800 and 600 samples: the deviation is known to 2 % and 3 % (1 over the root of 2 n), three times that allowed
    assert_allclose(np.std(cell), CELL_NOISE_N, rtol=0.06)
    assert_allclose(np.std(camera), CAMERA_NOISE_RAD, rtol=0.1)


def test_the_coils_follow_the_heater_slowly() -> None:
    """Heated by 10 K the coils lag behind by their 25 s, then are there; the inductance drifts with them."""
    bench = Bench(4, rate_hz=20.0, temperature_c=20.0)
    cold = bench.step([0.0]).scans[0]
    bench.heat(30.0)
    for _ in range(20 * 50):
        step = bench.step([0.0])
    # the surroundings are there at 50 s; a first-order lag of 25 s trails a ramp of 0.2 K/s by 5 K (1 - exp(-2))
    assert_allclose(step.scans[0].temperature_c, 30.0 - 5.0 * (1.0 - np.exp(-2.0)), atol=0.2)
    for _ in range(20 * 200):
        step = bench.step([0.0])
    assert_allclose(step.scans[0].temperature_c, 30.0, atol=0.2)
    assert np.all(np.abs(step.scans[0].inductance_h / cold.inductance_h - 1.0) > 1e-4)


def test_it_is_the_finger_of_the_gripper_with_the_same_seed() -> None:
    """A bench calibrates the specimen that a gripper of the same seed picks with."""
    assert (
        Bench(5, rate_hz=50.0).specimens[0].finger == Gripper(("finger",), "none", 5, rate_hz=50.0).specimens[0].finger
    )
    assert Bench(5, rate_hz=50.0).specimens[0].finger != Bench(6, rate_hz=50.0).specimens[0].finger


@pytest.mark.parametrize(
    ("force", "place", "error"),
    [
        ((0.0, 0.0, 30.0), (0.0, 0.0), RangeError),
        ((0.0, 0.0, -1.0), (0.0, 0.0), RangeError),
        ((0.0, np.nan, 1.0), (0.0, 0.0), RangeError),
        ((0.0, 1.0), (0.0, 0.0), ShapeError),
        ((0.0, 0.0, 1.0), (0.05, 0.0), RangeError),
    ],
)
def test_impossible_presses_are_refused(force: tuple[float, ...], place: tuple[float, float], error: type) -> None:
    """Forces and places a stage cannot do are refused by name."""
    with pytest.raises(error, match=r"^(force_n|place_m)"):
        Bench(1, rate_hz=50.0).press(force, place)
