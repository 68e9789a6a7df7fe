from __future__ import annotations

import math
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from rclpy.task import Future
from soft_tactile_msgs.msg import GraspState, PadEstimate, PadTruth
from std_srvs.srv import Trigger

from graph.finger_driver import LEFT, RIGHT
from graph.graph_tools import Graph, graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.examples.sort_by_compliance import doubt_of, name_of
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.simulation.gripper import Gripper

CONFIG = Path(__file__).resolve().parents[2] / "config" / "two_finger_gripper_simulated.yaml"
FINGERS = {"left_finger": LEFT, "right_finger": RIGHT}
SIMULATOR = "/sim/gripper/gripper_simulator"
START_S = 90.0
"""Longest wait for processes to come up, compiling included."""

EXAMPLE_S = 120.0
"""Longest that one example may take; on a busy machine simulated time goes more slowly."""

RATE_HZ = 100.0


class Gripped:
    """The simulated gripper as processes of their own, and what truly happens to its object.

    Each scan waits for the commands of the one before: simulated time goes as fast as the nodes follow, and a machine
    that is busy makes them slow, not deaf.
    """

    def __init__(self, live: Graph) -> None:
        self.live = live
        self.troubles: list[str] = []
        own_time = ("-p", "time:=step", "-p", f"rate:={RATE_HZ}", "-p", "object:=none")
        self.start("gripper_simulator", "gripper", *own_time)
        for finger, calibration in FINGERS.items():
            self.start("tactile_sensor", finger, "-p", f"calibration:={calibration}", "-p", "use_sim_time:=true")
        self.start("grasp_monitor", "gripper", "-p", "use_sim_time:=true")
        self.start("grasp_controller", "gripper", "-p", "use_sim_time:=true", "-p", "picks:=0", "-p", "pace:=estimates")
        live.wait(lambda: live.client.count_publishers("/sim/gripper/grasp_state"), "the monitor", START_S)
        self.steps = live.client.create_client(Trigger, "/sim/gripper/step")
        live.wait(self.steps.service_is_ready, "the simulator", START_S)
        self.truths = {f: live.listen(PadTruth, f"/sim/{f}/truth", qos.reliable(1000)) for f in FINGERS}
        estimates = {f: live.listen(PadEstimate, f"/sim/{f}/pad_estimate", qos.reliable(10)) for f in FINGERS}
        self.grasps = live.listen(GraspState, "/sim/gripper/grasp_state", qos.reliable(100, latched=True))
        free = PadEstimate.STATE_FREE
        self.go_on()
        live.wait(lambda: all(e and e[-1].state == free for e in estimates.values()), "the tares", START_S)

    def start(self, module: str, namespace: str, *words: str) -> None:
        """Start one node."""
        self.live.start(module, "-r", f"__ns:=/sim/{namespace}", "--params-file", str(CONFIG), *words)

    def go_on(self) -> None:
        """Let time go on, step after step, whenever the graph runs."""
        self.steps.call_async(Trigger.Request()).add_done_callback(self.on_step)

    def on_step(self, answered: Future) -> None:
        """Begin the next step; one that failed is tried again."""
        if not answered.result().success:
            self.troubles.append(answered.result().message)
        self.go_on()

    def put(self, item: str) -> None:
        """Put a fresh item on the tray and forget the truth of the last one."""
        assert self.live.set(SIMULATOR, object=item)[0].successful
        for truths in self.truths.values():
            truths.clear()
        self.grasps.clear()

    def run(self, example: str, *words: str) -> tuple[int, str]:
        """Run an example as a program of its own; returns exit code and output."""
        command = [sys.executable, "-m", f"soft_tactile_node.examples.{example}", *words]
        command += ["--ros-args", "-p", "use_sim_time:=true"]
        with tempfile.TemporaryFile("w+") as output:
            program = subprocess.Popen(command, stdout=output, stderr=subprocess.STDOUT)
            try:
                self.live.wait(lambda: program.poll() is not None, f"the end of {example}", EXAMPLE_S)
            except AssertionError as error:
                output.seek(0)
                raise AssertionError(f"{error}; steps {self.troubles}; so far it said:\n{output.read()}") from None
            finally:
                program.kill()
                program.wait()
            self.live.run(0.2)
            output.seek(0)
            return program.returncode, output.read()

    def heights_m(self) -> list[float]:
        """Return the true height of the object above the tray (m)."""
        return [truth.object_height for truth in self.truths["left_finger"]]


@pytest.fixture(scope="module")
def gripped() -> Iterator[Gripped]:
    """Give one gripper to all tests of this file: it puts down what it picks."""
    warm_up(load_calibration(LEFT))
    Gripper(rate_hz=RATE_HZ).step([0.0, 0.0])
    with graph() as live:
        yield Gripped(live)


def test_pick_gently_never_squeezes_a_bun_above_its_limit(gripped: Gripped) -> None:
    """The choux bun is lifted and put down, and the true force on it never exceeds the limit of 0.8 N."""
    gripped.put("bun")
    code, output = gripped.run("pick_gently", "--force", "0.3", "--most", "0.8")
    assert code == 0, output
    assert "touched first" in output
    assert "put down" in output
    heights = gripped.heights_m()
    assert max(heights) > 0.04, "it was lifted"
    assert heights[-1] < 1e-3, "it was put down"
    strongest = max(math.hypot(t.wrench.force.x, t.wrench.force.z) for ts in gripped.truths.values() for t in ts)
    assert 0.2 < strongest <= 0.8, output


def test_pick_gently_says_what_it_lost(gripped: Gripped) -> None:
    """A jar is too heavy for the force that is allowed: it is not said to be put down, and the exit status is 1."""
    gripped.put("jar")
    code, output = gripped.run("pick_gently", "--force", "0.3", "--most", "0.8")
    assert code == 1, output
    assert output.endswith("the object is gone\n")


def test_stop_on_slip_catches_the_jar(gripped: Gripped) -> None:
    """The jar slips at first, the arm stops, the grip gets firmer, and the jar arrives without having fallen."""
    gripped.put("jar")
    code, output = gripped.run("stop_on_slip", "--force", "0.8")
    assert code == 0, output
    assert "the arm stops" in output
    assert "the arm goes on" in output
    truths = [truth for ts in gripped.truths.values() for truth in ts]
    assert any(truth.slip for truth in truths), "it truly slipped"
    assert not any(truth.object_dropped for truth in truths), output
    assert max(gripped.heights_m()) > 0.03, "it was lifted"
    assert any(grasp.state == GraspState.SLIPPING for grasp in gripped.grasps)


@pytest.mark.parametrize(("item", "name"), [("bun", "choux bun"), ("roll", "rye roll"), ("jar", "jam jar")])
def test_sort_by_compliance_is_right(gripped: Gripped, item: str, name: str) -> None:
    """Each bakery item is called by its name."""
    gripped.put(item)
    code, output = gripped.run("sort_by_compliance")
    assert code == 0, output
    assert output.splitlines()[-1].startswith(name), output


def test_names_and_doubts() -> None:
    """The limits between the kinds, and a word of doubt where another kind is within one standard uncertainty."""
    assert [name_of(value) for value in (5e-3, 2e-3, 1.5e-3, 1.1e-3, 1e-4, -1e-3)] == [
        "choux bun", "choux bun", "rye roll", "rye roll", "jam jar", "jam jar",
    ]  # fmt: skip
    assert doubt_of(1.15e-3, 0.1e-3) == " (or jam jar)"
    assert doubt_of(1.5e-3, 0.1e-3) == ""
    assert doubt_of(1.5e-3, 2e-3) == " (or choux bun or jam jar)"
