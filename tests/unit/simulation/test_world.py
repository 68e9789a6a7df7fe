"""The stepped world as a whole: converged in its substep, arm without overshoot, independent of the estimator."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

import soft_tactile_node.simulation as simulation
from soft_tactile_node.simulation import runs, world
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.sensors import draw_specimen
from soft_tactile_node.simulation.timeline import Timeline


@pytest.mark.parametrize("scenario", ["pick-jar", "pick-bun"])
def test_smaller_substeps_change_little(scenario, monkeypatch):
    """A far finer substep moves force (rms) by less than 1 mN, bend by less than 0.15 mrad, until it slips."""
    results = []
    for substep in (world.LONGEST_SUBSTEP_S, 0.05e-3):
        monkeypatch.setattr(runs, "LONGEST_SUBSTEP_S", substep)
        run = runs.run_scenario(scenario, draw_specimen(1, "iron_disc"), np.random.default_rng(5), 14.0, 50.0)
        results.append(run.states[:, 0])
    calm = np.all([np.cumsum(result[:, at.SLIP_DISTANCE]) < 1.0e-4 for result in results], axis=0)
    assert results[0][calm, at.FORCE_Z].max() > 0.5
    change = results[1][calm] - results[0][calm]
    assert np.sqrt(np.mean(change[:, at.FORCE_Z] ** 2)) < 1.0e-3
    assert np.sqrt(np.mean(change[:, at.BEND] ** 2)) < 1.5e-4


def test_arm_does_not_overshoot():
    """A step of the arm's command is followed within its speed and acceleration, without overshoot."""
    body = world.new_states(1)[1]
    course = []
    for _ in range(8000):
        world._step_arm(body, 0.2, 0.25e-3)
        course.append((body[at.LIFT], body[at.LIFT_RATE], body[at.LIFT_ACCELERATION]))
    lift, rate, acceleration = np.array(course).T
    assert_allclose(lift[-1], 0.2, rtol=0.0, atol=1.0e-4)
    assert lift.max() < 0.2 + 1.0e-4
    assert np.abs(rate).max() < 0.26
    assert np.abs(acceleration).max() <= 3.0


def test_dropped_object_falls_like_a_stone():
    """A falling object gains speed at 9.81 m/s^2 until it meets the tray, and stays there.

    Source: free fall.
    """
    gripper = simulation.Gripper(("finger",), "bun", seed=1)
    for _ in range(500):
        gripper.step([0.0], 0.1)
    gripper._body[at.OBJECT_X] -= 0.05
    speeds, heights = [], []
    for _ in range(400):
        heights.append(gripper.step([0.0], 0.1).height_m)
        speeds.append(float(gripper._body[at.OBJECT_VX]))
    assert_allclose(speeds[24] - speeds[4], 9.80665 * 20 * 0.002, rtol=0.01, atol=0.0)
    assert heights[-1] < 1.0e-3
    assert abs(speeds[-1]) < 1.0e-3


def test_timeline_holds_ramps_and_steps():
    """Ramps are straight, steps are steps, and a fresh object is put down in exactly one row."""
    script = Timeline(20.0)
    script.wait(1.0)
    script.move(at.COMMAND_PRESSURE, 10.0, 2.0)
    script.place_object()
    script.wait(1.0)
    script.remove_object()
    script.wait(1.0)
    rows = script.sample(np.arange(50) / 10.0)
    assert_allclose(rows[[0, 10, 20, 30, 49], at.COMMAND_PRESSURE], [0, 0, 5, 10, 10], rtol=0.0, atol=1.0e-12)
    assert_allclose(rows[[0, 29, 30, 31, 39, 40], at.COMMAND_OBJECT], [0, 0, 2, 1, 1, 0], rtol=0.0, atol=0.0)
    assert np.all(rows[:, at.COMMAND_TEMPERATURE] == 20.0)
    assert script.first(at.COMMAND_TEMPERATURE) == 20.0
    assert script.last(at.COMMAND_PRESSURE) == 10.0


def test_simulator_and_estimator_share_no_model():
    """No module of the simulator imports estimation or calibration, nor the play operator of their laws."""
    for path in Path(simulation.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
            module = node.module or "" if isinstance(node, ast.ImportFrom) else ""
            for name in (module, *names):
                assert not name.startswith(("soft_tactile_node.estimation", "soft_tactile_node.calibration"))
                assert "play" not in name
                assert "prandtl" not in name
