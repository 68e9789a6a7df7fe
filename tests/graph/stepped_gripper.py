"""The simulated gripper as processes of their own, in a time that goes step by step: for runs of the examples."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from rclpy.task import Future
from soft_tactile_msgs.msg import GraspState, PadEstimate, PadTruth
from std_srvs.srv import Trigger

from graph.finger_driver import LEFT, RIGHT
from graph.graph_tools import Graph
from soft_tactile_node.ros.wire import qos

CONFIG = Path(__file__).resolve().parents[2] / "config" / "two_finger_gripper_simulated.yaml"
FINGERS = {"left_finger": LEFT, "right_finger": RIGHT}
SIMULATOR = "/sim/gripper/gripper_simulator"
START_S = 90.0
"""Longest wait for processes to come up, compiling included."""

EXAMPLE_S = 120.0
"""Longest that one example may take; on a busy machine simulated time goes more slowly."""

RATE_HZ = 100.0

PAD_M_N = 3.35e-3
"""Compliance of the pads of seed 1 (m/N), as in the parameter file."""


class Gripped:
    """The simulated gripper as processes of their own, and what truly happens to its object.

    Each scan waits for the commands of the one before: simulated time goes as fast as the nodes follow, and a machine
    that is busy makes them slow, not deaf.

    Parameters
    ----------
    live : Graph
        Where they are started.
    seed : int
        Picks the fingers, which `calibrations` belong to.
    calibrations : mapping of str to pathlib.Path or str
        File of each finger.
    pad_m_n : float
        Compliance of a pad of these fingers (m/N).
    """

    def __init__(
        self, live: Graph, seed: int = 1, calibrations: Mapping[str, Path | str] = FINGERS, pad_m_n: float = PAD_M_N
    ) -> None:
        self.live = live
        self.troubles: list[str] = []
        own_time = ("-p", "time:=step", "-p", f"rate:={RATE_HZ}", "-p", "object:=none", "-p", f"seed:={seed}")
        self.start("gripper_simulator", "gripper", *own_time)
        for finger, calibration in calibrations.items():
            self.start("tactile_sensor", finger, "-p", f"calibration:={calibration}", "-p", "use_sim_time:=true")
        self.start("grasp_monitor", "gripper", "-p", "use_sim_time:=true", "-p", f"pad_compliance:={pad_m_n:.3e}")
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
