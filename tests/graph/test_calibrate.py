"""The action `calibrate`: a finger calibrated on the robot is as good as one from the bench, and always vented."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from action_msgs.msg import GoalStatus
from rclpy.action import ActionClient
from soft_tactile_msgs.action import Calibrate
from soft_tactile_msgs.msg import PadEstimate, ValveStatus
from soft_tactile_msgs.srv import LoadCalibration
from std_srvs.srv import Trigger

from graph.bench_driver import MAX_PA, NODE, BenchDriver, vented
from graph.finger_driver import LEFT, SEED
from graph.graph_tools import ACTIVE, DEACTIVATE, FINALIZED, SHUTDOWN_OF, Graph
from soft_tactile_node.calibration.storage import calibration_id, load_calibration
from soft_tactile_node.commands.main import run as run_command
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.simulation import simulate


@pytest.fixture
def bench(live: Graph) -> Iterator[BenchDriver]:
    """Give a bench, and take its clients away at the end: one that is left over would be a reader in the next test."""
    driver = BenchDriver(live)
    yield driver
    for client in driver.clients:
        client.destroy()


def normal_rmse_n(path: Path) -> float:
    """Return the normal-force error over grasps and light touches of the same finger (N)."""
    errors = []
    for scenario in ("pick-bun", "pick-roll", "light-touch"):
        recording, truth = simulate(scenario, seed=11, specimen_seed=SEED, rate_hz=250.0)
        estimate, _ = Estimator(load_calibration(path)).replay(recording)
        errors.append((estimate.force_n[:, 2] - truth.force_n[:, 2])[recording.time_s > 1.0])
    error = np.concatenate(errors)
    assert np.isfinite(error).mean() > 0.995
    return float(np.sqrt(np.nanmean(error**2)))


def test_a_finger_calibrated_on_the_robot_scores_nearly_as_well(bench: BenchDriver, tmp_path: Path) -> None:
    """Sweeps, presses, fit: the finger's error is then at most 1.5 times that with the command's own calibration."""
    bench.sensor()
    path = tmp_path / "finger.yaml"
    handle = bench.send(path)
    assert handle.accepted
    answer = bench.result(handle)
    result = answer.result
    assert (answer.status, result.success) == (GoalStatus.STATUS_SUCCEEDED, True), result.message
    assert result.path == str(path)
    vented(bench)
    assert max(bench.commands) <= MAX_PA, "the valve would have refused more"
    phases = [feedback.phase for feedback in bench.feedback]
    assert [phase for k, phase in enumerate(phases) if k == 0 or phase != phases[k - 1]] == [
        Calibrate.Feedback.VENTING, Calibrate.Feedback.FREE_BEND, Calibrate.Feedback.VENTING, Calibrate.Feedback.PRESS,
        Calibrate.Feedback.VENTING, Calibrate.Feedback.FITTING,
    ]  # fmt: skip
    fractions = [feedback.fraction for feedback in bench.feedback]
    assert all(later >= earlier for earlier, later in zip(fractions, fractions[1:], strict=False))
    assert 0.0 < bench.feedback[-1].residual < 0.01, "residual of the free-bend fit"
    assert "temperature" in result.message, "what could not be identified is said"
    figures = dict(zip(result.figure_names, zip(result.figures, result.figure_units, strict=True), strict=True))
    assert figures["force_error"][1] == "N"
    # a held-out figure is uncertain itself: by that much two calibrations of one finger may differ
    shipped = load_calibration(LEFT).figures["force_error"]
    assert figures["force_error"][0] < shipped.value + shipped.expanded
    made = load_calibration(path)
    assert {source.name for source in made.sources} <= {file.name for file in tmp_path.iterdir()}, "recordings are kept"
    assert {file.suffix for file in tmp_path.iterdir()} == {".yaml", ".csv", ".html"}, "and a report; nothing else"
    assert made.base.angle_weights is not None, "reference_pose gave the bend"
    assert made.ranges.pressure_pa[1] == pytest.approx(MAX_PA, rel=0.02)
    # the command makes the very same calibration of the same recordings
    again = tmp_path / "again.yaml"
    files = {part: str(next(tmp_path.glob(f"*_{part}.csv"))) for part in ("free_bend", "press")}
    words = ["calibrate", "--free-bend", files["free_bend"], "--press", files["press"], "--out", str(again)]
    assert run_command(words) == 0
    assert calibration_id(load_calibration(again)) == result.calibration_id
    # the running node has taken it up
    estimates = bench.live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    bench.run_until(lambda: bool(estimates) and estimates[-1].calibration == int(result.calibration_id, 16), 1.0)
    action, command = normal_rmse_n(path), normal_rmse_n(LEFT)
    print(f"normal-force RMSE: action {action:.4f} N, command {command:.4f} N")
    # 1.4 when it was written: the bound guards against getting worse, it does not show that the two are equal
    assert action <= 1.5 * command


def test_cancelled_it_vents_and_leaves_nothing(bench: BenchDriver, tmp_path: Path) -> None:
    """A cancel in the middle of a sweep vents at once, ends as cancelled and writes nothing; the next goal is taken."""
    bench.sensor()
    handle = bench.send(tmp_path / "finger.yaml")
    bench.run_until(lambda: bench.pressure_pa > 20e3)
    before = len(bench.commands)
    cancel = handle.cancel_goal_async()
    bench.live.wait(cancel.done, "answer to the cancel")
    bench.live.wait(lambda: len(bench.commands) > before, "a command after the cancel")
    vented(bench)
    answer = bench.result(handle)
    assert answer.status == GoalStatus.STATUS_CANCELED
    assert not answer.result.success
    assert "cancelled" in answer.result.message
    assert bench.pressure_pa < 1e3
    assert list(tmp_path.iterdir()) == []
    again = bench.send(tmp_path / "finger.yaml", client=bench.client)
    assert again.accepted
    again.cancel_goal_async()
    assert bench.result(again).status == GoalStatus.STATUS_CANCELED


def test_a_second_writer_of_the_pressure_is_refused_by_name(bench: BenchDriver, tmp_path: Path) -> None:
    """While somebody else commands the pressure nothing is moved, and the answer says who it is."""
    node = bench.sensor()
    valve = bench.live.client.create_publisher(ValveStatus, "/finger/valve_status", qos.reliable(1, latched=True))
    valve.publish(ValveStatus(state=ValveStatus.OWNED, owner="/client", lease=0.5))
    bench.live.wait(node._action._topics._command.in_the_way, "the word of the valve")
    answer = bench.result(bench.send(tmp_path / "finger.yaml"))
    assert not answer.result.success
    assert answer.result.message == "/finger/pressure_command is commanded by /client, too: stop that first"
    assert bench.commands == []


@pytest.mark.parametrize("watched", [False, True])
def test_a_lost_client_means_vent(bench: BenchDriver, tmp_path: Path, watched: bool) -> None:
    """When the client goes away in the middle the finger is vented, also while somebody else watches the feedback."""
    node = bench.sensor()
    if watched:
        topic = "/finger/calibrate/_action/feedback"
        bench.live.client.create_subscription(Calibrate.Impl.FeedbackMessage, topic, lambda _: None, 10)
    from rclpy.node import Node

    other = Node("operator", context=bench.live.context)
    bench.live.executor.add_node(other)
    client = ActionClient(other, Calibrate, "/finger/calibrate")
    bench.send(tmp_path / "finger.yaml", client=client)
    bench.run_until(lambda: bench.pressure_pa > 20e3 and bool(node._action._run.client._first))
    client.destroy()
    bench.live.executor.remove_node(other)
    other.destroy_node()
    bench.run_until(lambda: not node._action.is_running)
    vented(bench)
    assert list(tmp_path.iterdir()) == []


OPERATOR = """
import sys, rclpy
from rclpy.action import ActionClient
from rclpy.node import Node
from soft_tactile_msgs.action import Calibrate
rclpy.init()
node = Node("operator")
client = ActionClient(node, Calibrate, "/finger/calibrate")
client.wait_for_server(30.0)
client.send_goal_async(Calibrate.Goal(path=sys.argv[1], max_pressure=60e3))
rclpy.spin(node)
"""
"""A client that is a process of its own."""

LEASE_S = 40.0
"""Longest time after which a killed process is missed: DDS gives it a lease of 20 s by default."""


def test_a_killed_client_means_vent(bench: BenchDriver, tmp_path: Path) -> None:
    """A client killed by force says no goodbye: its lease runs out, and the finger is vented in bounded time."""
    node = bench.sensor()
    operator = subprocess.Popen([sys.executable, "-c", OPERATOR, str(tmp_path / "finger.yaml")])
    bench.live.processes.append(operator)
    bench.live.wait(lambda: bench.step() or node._action.is_running, "the goal")
    bench.run_until(lambda: bench.pressure_pa > 20e3 and bool(node._action._run.client._first))
    operator.kill()
    operator.wait()
    end_s = time.monotonic() + LEASE_S
    while node._action._run is not None and node._action._run.result is None and time.monotonic() < end_s:
        bench.step()
        bench.live.run(0.2)  # the lease is real time; the calibration must not come to its end meanwhile
    assert node._action._run is not None
    assert node._action._run.result is not None, "still under way"
    assert node._action._run.result.message.startswith("the client is gone")
    bench.run_until(lambda: not node._action.is_running)
    vented(bench)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("what", ["touched", "stage missing", "leak", "silence"])
def test_what_cannot_be_calibrated_is_given_up_and_vented(bench: BenchDriver, tmp_path: Path, what: str) -> None:
    """A touch during the sweep, presses that never come, a lazy valve, silent coils: vented, with the reason."""
    bench.sensor(coil_timeout=1.0 if what == "silence" else 10.0)
    handle = bench.send(tmp_path / "finger.yaml")
    bench.run_until(lambda: bench.pressure_pa > 20e3)
    if what == "touched":
        bench.touch_n = lambda: np.array([0.0, 0.0, 1.0])
    elif what == "stage missing":
        bench.touch_n = lambda: np.zeros(3)
    elif what == "leak":
        bench.leaks = True
    answer = bench.result(handle, stepping=what != "silence")
    said = {
        "touched": "the pad was touched",
        "stage missing": "no press as asked within 5 s",
        "leak": "the pressure does not follow",
        "silence": "scans have stopped",
    }[what]
    assert answer.status == GoalStatus.STATUS_ABORTED
    assert said in answer.result.message
    vented(bench)
    assert list(tmp_path.iterdir()) == []


def test_goals_that_cannot_be_met_say_why(bench: BenchDriver, tmp_path: Path) -> None:
    """A goal with a wrong path or pressure is answered with the reason before anything moves."""
    bench.sensor(max_pressure=40e3)
    keep = tmp_path / "shopping.yaml"
    keep.write_text("flour: 2 kg\n")
    for path, pressure, said in (
        (tmp_path / "finger.txt", 30e3, "path must name a .yaml file"),
        (tmp_path / "no" / "finger.yaml", 30e3, "no such folder"),
        (keep, 30e3, "path must not name a file that is no calibration"),
        (tmp_path / "finger.yaml", 50e3, "max_pressure must be 3 kPa to 40 kPa"),
        (tmp_path / "finger.yaml", -1.0, "max_pressure must be 3 kPa to 40 kPa"),
        (tmp_path / "finger.yaml", 30.0, "got 30 Pa: for 30 kPa give 30000"),
        ("", 30e3, "path must name a .yaml file"),
    ):
        answer = bench.result(bench.send(path, pressure), stepping=False)
        assert answer.status == GoalStatus.STATUS_ABORTED
        assert said in answer.result.message
    assert bench.commands == []
    assert keep.read_text() == "flour: 2 kg\n"


def test_while_it_calibrates_nothing_else_may_interfere(bench: BenchDriver, tmp_path: Path) -> None:
    """A second goal, a tare and another calibration file are refused while a calibration is under way."""
    bench.sensor(calibration=str(LEFT))
    handle = bench.send(tmp_path / "finger.yaml")
    bench.run_until(lambda: bench.pressure_pa > 10e3)
    assert not bench.send(tmp_path / "other.yaml", client=bench.client).accepted
    for service, name, request in (
        (Trigger, "tare", Trigger.Request()),
        (LoadCalibration, "load_calibration", LoadCalibration.Request(path=str(LEFT))),
    ):
        answer = bench.live.call(service, f"/finger/{name}", request)
        assert not answer.success
        assert answer.message == "a calibration is under way: wait for its end, or cancel it"
    handle.cancel_goal_async()
    bench.result(handle)


@pytest.mark.parametrize("transition", [DEACTIVATE, SHUTDOWN_OF[ACTIVE]])
def test_a_node_taken_down_vents_first(bench: BenchDriver, tmp_path: Path, transition: int) -> None:
    """Deactivated or shut down in the middle, the node vents the finger before it falls silent, and lives on."""
    bench.sensor()
    handle = bench.send(tmp_path / "finger.yaml")
    bench.run_until(lambda: bench.pressure_pa > 20e3)
    before = len(bench.commands)
    assert bench.live.transition(NODE, transition)
    bench.live.wait(lambda: len(bench.commands) > before, "the last command")
    vented(bench)
    if transition == DEACTIVATE:
        answer = bench.result(handle, stepping=False)
        assert answer.status == GoalStatus.STATUS_ABORTED
        assert "deactivated" in answer.result.message
    else:
        bench.live.run(0.5)
        assert bench.live.state(NODE) == FINALIZED
    assert list(tmp_path.iterdir()) == []
