from __future__ import annotations

import math
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from action_msgs.msg import GoalStatus
from rclpy.action import ActionClient
from rclpy.node import Node
from soft_tactile_msgs.msg import ContactEvent, PadEstimate, ValveStatus
from std_srvs.srv import Trigger

from graph.graph_tools import ACTIVATE, CLEANUP, CONFIGURE, DEACTIVATE, Graph
from graph.grasp_bench import CONTROLLER, NEWTON_PER_PA, SILENT, TOUCH_PA, Bench
from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.grasping import Hand, HoldResult, SensorLostError, Touch
from soft_tactile_node.ros.gripper import gripper_command, hold_action
from soft_tactile_node.ros.hand.finger_watch import FingerWatch
from soft_tactile_node.ros.wire import qos


@pytest.fixture
def bench(live: Graph) -> Iterator[Bench]:
    """Give a bench with an object between the fingers."""
    made = Bench(live)
    yield made
    made.close()


@pytest.fixture
def deaf(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Give the names of fingers that the controller does not hear, while others do."""
    names: set[str] = set()
    take = FingerWatch._take_estimate

    def hear(watch: FingerWatch, message: PadEstimate) -> None:
        if watch._node.get_name() != "grasp_controller" or watch.name not in names:
            take(watch, message)

    monkeypatch.setattr(FingerWatch, "_take_estimate", hear)
    return names


def test_the_pick_of_the_tutorial_holds_and_lets_go(live: Graph) -> None:
    """The grasping program of the ROS tutorial, run as it stands there, holds the object, tells its forces, lets go."""
    bench = Bench(live, space="/sim")
    text = (Path(__file__).resolve().parents[2] / "shared/docs/ros_tutorial.md").read_text()
    program = next(block for block in re.findall(r"```python\n(.*?)```", text, re.DOTALL) if "hold_force" in block)
    picker = subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    bench.live.processes.append(picker)
    bench.live.wait(lambda: picker.poll() is not None, "the end of the tutorial's pick")
    output, _ = picker.communicate()
    bench.live.processes.remove(picker)
    assert picker.returncode == 0, output
    held = [float(force) for force in re.findall(r"(\d\.\d\d) N", output)]
    assert held == pytest.approx([0.3, 0.3], abs=0.15), output
    assert bench.fingers.highest_pa > TOUCH_PA
    bench.live.wait(lambda: max(bench.fingers.pressure_pa.values()) == 0.0, "vented")
    bench.close()


class TestHold:
    """The action hold_force, through the hand."""

    def test_holds_with_the_force_and_lets_go(self, bench: Bench) -> None:
        """A hold reaches its force, says so on the way, ends HELD after its duration and lets go as asked."""
        hold = bench.hand.hold_force(0.8, duration_s=0.5, release=True)
        assert bench.end(hold.held, "the object held") is True
        bench.live.run(0.2)
        assert hold.feedback is not None
        assert hold.feedback.target_normal_force == 0.8
        assert list(hold.feedback.normal_force) == pytest.approx([0.8, 0.8], abs=0.15)
        result: HoldResult = bench.end(hold.result, "the result")
        assert result.outcome == "held"
        assert result.normal_n == pytest.approx((0.8, 0.8), abs=0.15)
        bench.live.wait(lambda: max(bench.fingers.pressure_pa.values()) == 0.0, "vented")

    def test_goes_on_holding_and_takes_a_new_goal_from_there(self, bench: Bench) -> None:
        """Without `release` the pressure stays after the goal; the next goal goes on from it; `release` lets go."""
        first = bench.hand.hold_force(0.8, duration_s=0.0)
        assert bench.end(first.result, "the first result").outcome == "held"
        bench.live.run(0.3)
        lowest_pa = min(bench.fingers.pressure_pa.values())
        assert lowest_pa > TOUCH_PA + 0.6 / NEWTON_PER_PA
        second = bench.hand.hold_force(1.2, duration_s=0.0)
        assert bench.end(second.result, "the second result").outcome == "held"
        assert min(bench.fingers.pressure_pa.values()) > lowest_pa
        bench.end(bench.hand.release(), "the release")
        bench.live.wait(lambda: max(bench.fingers.pressure_pa.values()) == 0.0, "vented")

    def test_a_valve_that_obeys_somebody_else_ends_the_hold(self, bench: Bench) -> None:
        """When a valve refuses the controller, the hold ends REFUSED with the name of the other and vents the rest."""
        valve = bench.live.client.create_publisher(
            ValveStatus, "/left_finger/valve_status", qos.reliable(1, latched=True)
        )
        hold = bench.hand.hold_force(0.8)
        bench.end(hold.held, "the object held")
        valve.publish(
            ValveStatus(
                state=ValveStatus.OWNED, owner="/other", lease=0.5, refused=CONTROLLER, refused_sequence=10_000,
                reason="/other commands the pressure",
            )
        )  # fmt: skip
        result = bench.end(hold.result, "the result")
        assert result.outcome == "refused"
        assert result.message == "/left_finger/pressure_command is refused: /other commands the pressure"
        bench.live.wait(lambda: max(bench.fingers.pressure_pa.values()) == 0.0, "vented")

    def test_cancel_lets_go(self, bench: Bench) -> None:
        """A cancelled hold ends CANCELLED and opens the gripper."""
        hold = bench.hand.hold_force(0.8)
        bench.end(hold.held, "the object held")
        assert bench.end(hold.cancel(), "the result").outcome == "cancelled"
        bench.live.wait(lambda: max(bench.fingers.pressure_pa.values()) == 0.0, "vented")

    def test_refuses_with_the_reason(self, bench: Bench) -> None:
        """A goal outside the limits, or beside another one, is REFUSED, says why, and moves nothing."""
        too_much = bench.end(bench.hand.hold_force(9.0).result, "the refusal")
        assert too_much.outcome == "refused"
        assert too_much.message == "the goal must stay within max_force 3 N and max_pressure 55000 Pa"
        nothing = bench.end(bench.hand.hold_force(-1.0).result, "the refusal")
        assert nothing.message == "normal_force must be > 0 N; got -1"
        assert bench.fingers.highest_pa == 0.0
        hold = bench.hand.hold_force(0.8)
        bench.end(hold.held, "the object held")
        busy = bench.end(bench.hand.hold_force(0.5).result, "the refusal")
        assert (busy.outcome, busy.message) == ("refused", "busy: another goal is under way")
        assert not bench.live.call(Trigger, "/gripper/pick", Trigger.Request()).success
        bench.end(hold.cancel(), "the result")

    def test_waits_for_a_finger_not_heard_yet(self, live: Graph, deaf: set[str]) -> None:
        """A goal that comes before the controller has heard a finger which its caller has heard waits, then holds."""
        deaf.add("left_finger")
        bench = Bench(live)
        hold = bench.hand.hold_force(0.8)
        live.run(0.3)
        assert not hold.result.done()
        deaf.clear()
        assert bench.end(hold.held, "the object held") is True, hold.result.result()
        bench.end(hold.cancel(), "the result")
        bench.close()

    def test_waits_in_bounded_time(self, live: Graph, deaf: set[str], monkeypatch: pytest.MonkeyPatch) -> None:
        """A finger that is never heard is said; a goal cancelled while it waits moves nothing."""
        deaf.add("left_finger")
        bench = Bench(live)
        waiting = bench.hand.hold_force(0.8)
        live.run(0.3)
        assert bench.end(waiting.cancel(), "the result").message == "cancelled before it began"
        monkeypatch.setattr(hold_action, "HEAR_S", 0.2)
        result = bench.end(bench.hand.hold_force(0.8).result, "the refusal")
        assert (result.outcome, result.message) == ("refused", "left_finger is not ready: nothing heard yet")
        assert bench.fingers.highest_pa == 0.0
        bench.close()

    def test_a_slip_is_answered_and_counted(self, bench: Bench) -> None:
        """While held, a slip raises pressure and force; the listener hears it; the result counts it."""
        heard: list[Touch] = []
        bench.hand.on_slip(heard.append)
        hold = bench.hand.hold_force(0.8, max_normal_n=2.0)
        bench.end(hold.held, "the object held")
        before_pa = min(bench.fingers.pressure_pa.values())
        slip = bench.hand.next_slip()
        bench.fingers.slip("right_finger")
        assert bench.end(slip, "the slip").finger == "right_finger"
        assert [touch.kind for touch in heard] == ["slip"]
        bench.live.wait(lambda: min(bench.fingers.pressure_pa.values()) > before_pa + 1e3, "more pressure")
        assert bench.end(hold.cancel(), "the result").slips == 1

    def test_nothing_there(self, live: Graph) -> None:
        """Closing on nothing ends with NO_CONTACT, open again, no further than the pressure allowed."""
        bench = Bench(live, there=False)
        result = bench.end(bench.hand.hold_force(0.8, max_pressure_pa=20e3).result, "the result")
        assert result.outcome == "no contact"
        assert [math.isnan(value) for value in result.normal_n] == [True, True]
        assert bench.fingers.highest_pa <= 20e3 + 1e-6
        bench.close()

    def test_lost(self, bench: Bench) -> None:
        """An object that vanishes ends the hold with LOST."""
        hold = bench.hand.hold_force(0.8)
        bench.end(hold.held, "the object held")
        bench.fingers.there = False
        assert bench.end(hold.result, "the result").outcome == "lost"

    @pytest.mark.parametrize(("on_fault", "vents"), [("hold", False), ("vent", True)])
    def test_sensing_lost(self, live: Graph, on_fault: str, vents: bool) -> None:
        """A finger that falls silent ends the hold with SENSING_LOST; the gripper does what on_fault says."""
        bench = Bench(live, on_fault=on_fault, finger_timeout=0.3)
        lost: list[SensorLostError] = []
        bench.hand.on_sensor_lost(lost.append)
        hold = bench.hand.hold_force(0.8)
        bench.end(hold.held, "the object held")
        bench.fingers.silent = {"left_finger"}
        result = bench.end(hold.result, "the result")
        assert result.outcome == "sensing lost"
        assert re.search(rf"left_finger \({SILENT}\)", result.message)
        live.wait(lambda: lost, "word of the dead sensor")
        assert str(lost[0]).startswith("left_finger: ")
        live.run(0.5)
        assert (max(bench.fingers.pressure_pa.values()) == 0.0) == vents
        bench.close()

    def test_deactivated_it_ends_the_goal_and_comes_back(self, bench: Bench) -> None:
        """Deactivating ends a goal under way; cleaned up and activated again, the controller serves the next."""
        hold = bench.hand.hold_force(0.8)
        bench.end(hold.held, "the object held")
        assert bench.live.transition(CONTROLLER, DEACTIVATE)
        result = bench.end(hold.result, "the result")
        assert (result.outcome, result.message) == ("cancelled", "the controller was deactivated")
        bench.fingers.pressure_pa = dict.fromkeys(bench.fingers.pressure_pa, 0.0)  # as a valve that hears no command
        assert bench.live.transition(CONTROLLER, CLEANUP)
        assert bench.live.transition(CONTROLLER, CONFIGURE)
        assert bench.live.transition(CONTROLLER, ACTIVATE)
        bench.end(bench.hand.ready(), "the controller again")
        assert bench.end(bench.hand.hold_force(0.8, duration_s=0.0).result, "the result").outcome == "held"


class TestHand:
    """Awaiting touches and tares, and dead sensors."""

    def test_first_contact(self, bench: Bench) -> None:
        """The next contact event of any finger completes the future with what it said."""
        touch = bench.hand.first_contact()
        event = ContactEvent(kind=ContactEvent.CONTACT, probability=0.97)
        event.wrench.force.z = 0.06
        event.onset.sec = 12
        bench.fingers.events["left_finger"].publish(event)
        got: Touch = bench.end(touch, "the touch")
        assert (got.finger, got.kind, got.onset_s, got.probability) == ("left_finger", "contact", 12.0, 0.97)
        assert got.force_n[2] == 0.06

    def test_awaits_in_a_coroutine(self, bench: Bench) -> None:
        """Everything can be awaited in a coroutine of the executor, one after the other."""

        async def grasp() -> str:
            await bench.hand.tare()
            hold = bench.hand.hold_force(0.6, duration_s=0.1, release=True)
            await hold.held
            return (await hold.result).outcome

        assert bench.end(bench.live.executor.create_task(grasp), "the grasp") == "held"

    def test_a_refused_tare_says_why(self, bench: Bench) -> None:
        """A tare under pressure fails with the reason of a finger."""
        bench.end(bench.hand.hold_force(0.8, duration_s=0.0).result, "the object held")
        with pytest.raises(SoftTactileError, match="_finger: tare refused: pressurised"):
            bench.end(bench.hand.tare(), "the refusal")
        bench.end(bench.hand.release(), "the release")

    def test_a_finger_that_falls_silent_fails_what_is_awaited(self, bench: Bench) -> None:
        """DEADLINE: estimates of one finger stay away, the awaited touch fails with its name; it can come back."""
        touch = bench.hand.first_contact()
        bench.fingers.silent = {"right_finger"}
        with pytest.raises(SensorLostError, match=rf"right_finger: {SILENT}"):
            bench.end(touch, "the failure")
        with pytest.raises(SensorLostError, match="right_finger"):
            bench.end(bench.hand.first_contact(), "the failure at once")
        bench.fingers.silent = set()
        bench.live.wait(lambda: bench.hand.fingers["right_finger"].ready, "the finger again")
        assert not bench.hand.first_contact().done()

    def test_a_node_that_dies_is_noticed(self, bench: Bench) -> None:
        """LIVELINESS or DEADLINE: the node of the sensors is gone, the awaited slip fails."""
        slip = bench.hand.next_slip()
        bench.fingers.close()
        with pytest.raises(SensorLostError):
            bench.end(slip, "the failure")

    def test_a_promise_that_is_too_slow_is_said(self, live: Graph) -> None:
        """A sensor whose coil_timeout is longer than the deadline asked for never matches: the reason says so."""
        slow = live.client.create_publisher(PadEstimate, "/left_finger/pad_estimate", qos.estimate(2.0))
        hand = Hand(live.client, ("left_finger",))
        live.wait(lambda: "DEADLINE of 0.3 s" in hand.fingers["left_finger"].lost, "the reason")
        assert not slow.get_subscription_count()
        hand.close()


class TestGripperCommand:
    """The standard gripper action; a stand-in takes the place of control_msgs where it is not installed."""

    def test_without_control_msgs_the_reason_is_said(self, live: Graph, capfd: pytest.CaptureFixture[str]) -> None:
        """Where the package is missing, the action is left out and the log says so."""
        if gripper_command.available():
            pytest.skip("control_msgs is installed here")
        bench = Bench(live)
        assert gripper_command.WHY_NOT in capfd.readouterr().err
        bench.close()

    def test_closes_until_it_stalls_on_the_object(self, live: Graph, monkeypatch: pytest.MonkeyPatch) -> None:
        """A position below open_position holds with max_effort and ends stalled; a wide position opens."""
        caller = RealCaller() if gripper_command.available() else StandInCaller(monkeypatch)
        bench = Bench(live)
        caller.meet(live)
        result, succeeded = caller.send(0.02, 0.9)
        assert succeeded
        assert (result.stalled, result.reached_goal) == (True, True)
        assert result.effort == pytest.approx(0.9, abs=0.15)
        assert caller.feedback, "feedback on the way"
        assert min(bench.fingers.pressure_pa.values()) > TOUCH_PA
        result, succeeded = caller.send(0.09, 0.9)
        assert succeeded
        assert (result.stalled, result.reached_goal) == (False, True)
        live.wait(lambda: max(bench.fingers.pressure_pa.values()) == 0.0, "open")
        live.wait(
            lambda: live.call(Trigger, "/gripper/release", Trigger.Request()).message == "idle", "the controller idle"
        )
        bench.fingers.there = False
        result, succeeded = caller.send(0.02, 0.9)
        assert not succeeded, "nothing there to stall on"
        assert (result.stalled, result.reached_goal) == (False, False)
        bench.close()


class RealCaller:
    """Calls the action over DDS."""

    def meet(self, live: Graph) -> None:
        """Find the server."""
        self.live = live
        self.feedback: list[Any] = []
        self.client = ActionClient(live.client, gripper_command.GripperCommand, "/gripper/gripper_cmd")
        live.wait(self.client.server_is_ready, "the action")

    def send(self, position_m: float, effort_n: float) -> tuple[Any, bool]:
        """Send a goal; returns its result and whether it succeeded."""
        goal = gripper_command.GripperCommand.Goal()
        goal.command.position, goal.command.max_effort = position_m, effort_n
        sent = self.client.send_goal_async(goal, feedback_callback=self.feedback.append)
        self.live.wait(sent.done, "the goal accepted")
        answered = sent.result().get_result_async()
        self.live.wait(answered.done, "the result")
        return answered.result().result, answered.result().status == GoalStatus.STATUS_SUCCEEDED


class StandInCaller:
    """Takes the place of control_msgs and of the action's transport; the controller's own code runs as it is."""

    is_cancel_requested = False

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.action = SimpleNamespace(Result=SimpleNamespace, Feedback=SimpleNamespace)
        self.execute: Any = None
        self.feedback: list[Any] = []
        monkeypatch.setattr(gripper_command, "GripperCommand", self.action)
        real = hold_action.ActionServer

        def serve(node: Node, action: Any, name: str, execute: Any, **options: Any) -> Any:
            if action is not self.action:
                return real(node, action, name, execute, **options)
            assert name == "gripper_cmd"
            self.execute = execute
            return SimpleNamespace()

        serve.destroy = lambda server: server.destroy() if isinstance(server, real) else None  # type: ignore[attr-defined]
        monkeypatch.setattr(hold_action, "ActionServer", serve)

    def meet(self, live: Graph) -> None:
        """Find the server."""
        self.live = live
        assert self.execute is not None

    def send(self, position_m: float, effort_n: float) -> tuple[Any, bool]:
        """Send a goal; returns its result and whether it succeeded."""
        self.request = SimpleNamespace(command=SimpleNamespace(position=position_m, max_effort=effort_n))
        self.succeeded: bool | None = None
        task = self.live.executor.create_task(self.execute, self)
        self.live.wait(task.done, "the result")
        assert self.succeeded is not None, "the goal was given an end"
        return task.result(), self.succeeded

    def succeed(self) -> None:
        """End well."""
        self.succeeded = True

    def abort(self) -> None:
        """End badly."""
        self.succeeded = False

    def publish_feedback(self, feedback: Any) -> None:
        """Keep feedback."""
        self.feedback.append(feedback)
