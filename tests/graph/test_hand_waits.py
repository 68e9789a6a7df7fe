from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from typing import Any

import pytest
from rclpy.action import ActionServer, CancelResponse
from rclpy.node import Node
from rclpy.parameter import Parameter
from rclpy.task import Future
from rclpy.time import Time
from rosgraph_msgs.msg import Clock
from soft_tactile_msgs.action import HoldForce
from soft_tactile_msgs.msg import PadEstimate
from std_srvs.srv import Trigger

from graph.graph_tools import WAIT_S, Graph
from graph.grasp_bench import FINGERS, QUICK, SILENT, Bench, SoftFingers
from soft_tactile_node.examples import program
from soft_tactile_node.grasping import Hand, Hold, NoAnswerError, SensorLostError, pause
from soft_tactile_node.ros.hand import controller_watch
from soft_tactile_node.ros.hand import hold as hold_module
from soft_tactile_node.ros.running import awaiting
from soft_tactile_node.ros.wire import qos

SILENCE_S = 1.0
"""Patience of the hands of these tests: short, for every one of them ends by it."""


class Deaf:
    """A node whose services and actions are there, but which nobody runs: it answers nothing."""

    def __init__(self, live: Graph, *services: str) -> None:
        self.node = Node("deaf", context=live.context)
        for name in services:
            self.node.create_service(Trigger, name, lambda _request, response: response)
        self.action = ActionServer(self.node, HoldForce, "/gripper/hold_force", lambda _handle: HoldForce.Result())

    def close(self) -> None:
        """Go away."""
        self.action.destroy()
        self.node.destroy_node()


@pytest.fixture
def hand(live: Graph) -> Iterator[Hand]:
    """Give a hand without patience, and nobody there."""
    made = Hand(live.client, FINGERS, silence_s=SILENCE_S)
    yield made
    made.close()


@pytest.fixture
def fingers(live: Graph) -> Iterator[SoftFingers]:
    """Give fingers that live."""
    made = SoftFingers(live)
    yield made
    made.close()


def failure(live: Graph, future: Any, limit_s: float = 10.0) -> str:
    """Return the text with which an awaited thing fails, in bounded time."""
    live.wait(future.done, "an end", limit_s)
    with pytest.raises(NoAnswerError) as caught:
        future.result()
    assert "\n" not in str(caught.value)
    return str(caught.value)


def end_of(live: Graph, hold: Hold, limit_s: float = 10.0) -> tuple[bool, str, str]:
    """Return how a hold ends: held, outcome and message, in bounded time."""
    live.wait(hold.result.done, "an end", limit_s)
    assert hold.held.done(), "who awaits `held` is told, too"
    result = hold.result.result()
    return hold.held.result(), result.outcome, result.message


def test_ready_lists_what_is_missing(live: Graph, hand: Hand) -> None:
    """Where nobody is there, `ready` fails at its limit and lists finger by finger what it missed."""
    assert failure(live, hand.ready(limit_s=0.5)) == (
        "not within 0.5 s: left_finger: nothing heard yet; right_finger: nothing heard yet; "
        "nothing on /gripper/grasp_state: check grasp_monitor; "
        "no /gripper/hold_force and release: check grasp_controller"
    )


def test_services_that_are_not_there(live: Graph, hand: Hand) -> None:
    """`tare` and `release` name the service that is missing."""
    assert failure(live, hand.tare()) == "service /left_finger/tare is not there for 1 s: check that its node runs"
    assert failure(live, hand.release()) == "service /gripper/release is not there for 1 s: check that its node runs"


def test_services_that_do_not_answer(live: Graph, hand: Hand) -> None:
    """`tare` and `release` name the service that is there and says nothing."""
    deaf = Deaf(live, "/left_finger/tare", "/right_finger/tare", "/gripper/release")
    assert "service /left_finger/tare does not answer for 1 s" in failure(live, hand.tare())
    assert "service /gripper/release does not answer for 1 s" in failure(live, hand.release())
    deaf.close()


def test_an_answer_that_is_lost_is_asked_for_again(
    live: Graph, hand: Hand, fingers: SoftFingers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A request whose answer never comes is sent again, and the tare goes through."""
    monkeypatch.setattr(awaiting, "AGAIN_S", 0.1)
    lost: list[Future[Any]] = []
    client = hand._tares[0]
    call = client.call_async

    def lose_the_first(request: Any) -> Future[Any]:
        if lost:
            return call(request)
        lost.append(Future())
        return lost[0]

    monkeypatch.setattr(client, "call_async", lose_the_first)
    tared = hand.tare()
    live.wait(tared.done, "the tare")
    assert tared.result() is None
    assert lost


def test_a_tare_that_is_not_come_through(live: Graph, hand: Hand, fingers: SoftFingers) -> None:
    """A finger that stays at its tare is named at the limit, and so is one that has fallen silent."""

    def tares_on(finger: str, message: PadEstimate) -> None:
        if finger == "left_finger":
            message.state = PadEstimate.STATE_TARING

    fingers.spoil = tares_on
    said = failure(live, hand.tare(limit_s=1.0))
    assert said == "not within 1 s: left_finger is taking its tare: keep it at rest"
    fingers.silent = {"left_finger"}
    said = failure(live, hand.tare(limit_s=1.0))
    assert re.fullmatch(rf"not within 1 s: left_finger {SILENT}", said)


@pytest.mark.parametrize(("wait", "kind"), [("first_contact", "contact"), ("next_slip", "slip")])
def test_a_touch_that_does_not_come(live: Graph, hand: Hand, fingers: SoftFingers, wait: str, kind: str) -> None:
    """What is awaited of the fingers fails at its limit, and not before."""
    live.wait(lambda: all(finger.ready for finger in hand.fingers.values()), "the fingers")
    begun_s = time.monotonic()
    said = failure(live, getattr(hand, wait)(limit_s=0.5))
    assert said == f"not within 0.5 s: a {kind} of left_finger or right_finger"
    assert time.monotonic() - begun_s > 0.5


def test_a_finger_that_never_lets_go(live: Graph) -> None:
    """`release` names the finger that touches still when its time is over."""
    bench = Bench(live)

    def sticks(finger: str, message: PadEstimate) -> None:
        if finger == "right_finger":
            message.in_contact, message.state = True, PadEstimate.STATE_CONTACT

    bench.fingers.spoil = sticks
    live.wait(lambda: bench.hand.fingers["right_finger"].in_contact, "the touch")
    said = failure(live, bench.hand.release(limit_s=0.5))
    assert said == "not within 0.5 s: right_finger still touching, as far as is known"
    bench.close()


class TestHolds:
    """A hold always ends, whatever its controller does."""

    def test_no_controller(self, live: Graph, hand: Hand) -> None:
        """Nobody serves the action: the hold ends with no answer and says so."""
        held, outcome, said = end_of(live, hand.hold_force(0.5))
        assert (held, outcome) == (False, "no answer")
        assert said.startswith("/gripper/hold_force is not there: check that grasp_controller runs")

    def test_a_controller_that_comes_late_gets_the_goal(self, live: Graph) -> None:
        """A goal asked for before the action is found is sent once it is."""
        early = Hand(live.client, FINGERS)
        hold = early.hold_force(0.8, duration_s=0.0, release=True)
        assert not early._holds.server_is_ready(), "otherwise this proves nothing"
        bench = Bench(live)
        live.wait(hold.result.done, "the result")
        assert hold.result.result().outcome in ("held", "refused")  # the fingers may not have been known yet
        early.close()
        bench.close()

    def test_a_goal_that_is_not_answered(self, live: Graph, hand: Hand) -> None:
        """The controller is there and hung: the hold ends with no answer, and warns that it may act all the same."""
        deaf = Deaf(live)
        held, outcome, said = end_of(live, hand.hold_force(0.5))
        assert (held, outcome) == (False, "no answer")
        assert "does not answer the goal and may act on it all the same: release() lets go" in said
        deaf.close()

    def test_a_controller_that_falls_silent(self, live: Graph) -> None:
        """No feedback any more while something is held: the hold ends with no answer."""
        bench = Bench(live)
        impatient = Hand(live.client, FINGERS, silence_s=SILENCE_S)
        live.wait(impatient.ready().done, "all")
        hold = impatient.hold_force(0.8)
        live.wait(hold.held.done, "the object held")
        assert hold.held.result() is True
        live.run(2.0 * SILENCE_S)
        assert not hold.result.done(), "a controller that speaks is waited for"
        live.executor.remove_node(live.nodes[0])
        held, outcome, said = end_of(live, hold)
        assert (held, outcome) == (True, "no answer")
        assert "has fallen silent and may hold on" in said
        impatient.close()
        bench.close()

    def test_a_controller_that_dies(self, live: Graph, fingers: SoftFingers) -> None:
        """One killed by force says no goodbye: the hold ends within a second all the same, long before its patience."""
        quick = [word for pair in QUICK.items() for word in ("-p", f"{pair[0]}:={pair[1]}")]
        controller = live.start("grasp_controller", "-r", "__ns:=/gripper", *quick)
        patient = Hand(live.client, FINGERS, silence_s=60.0)
        hold = patient.hold_force(0.8)
        live.wait(hold.held.done, "the object held", 60.0)
        assert hold.held.result() is True, hold.result.result()
        live.run(2.0 * SILENCE_S)
        assert not hold.result.done(), "a controller that lives is waited for"
        controller.kill()
        died_s = time.monotonic()
        held, outcome, said = end_of(live, hold)
        assert time.monotonic() - died_s < 5.0, "the DDS lease of a participant alone is 20 s"
        assert qos.LIVELINESS_LEASE_S + controller_watch.GRACE_S + hold_module.LOOK_S < 1.0
        assert (held, outcome) == (True, "no answer")
        assert "hold_force has died" in said
        patient.close()

    def test_a_cancel_that_is_not_obeyed(self, live: Graph, hand: Hand) -> None:
        """A controller that goes on telling and does not end a cancelled hold: the hold ends with no answer."""
        over: Future[None] = Future()
        node = Node("stubborn", context=live.context)
        goals: list[Any] = []

        async def go_on(goal: Any) -> HoldForce.Result:
            goals.append(goal)
            await over
            goal.abort()
            return HoldForce.Result()

        server = ActionServer(
            node, HoldForce, "/gripper/hold_force", go_on, cancel_callback=lambda _goal: CancelResponse.REJECT
        )
        node.create_timer(0.05, lambda: [goal.publish_feedback(HoldForce.Feedback()) for goal in goals])
        live.executor.add_node(node)
        hold = hand.hold_force(0.5)
        live.wait(lambda: hold.feedback is not None, "feedback")
        hold.cancel()
        held, outcome, said = end_of(live, hold)
        assert (held, outcome) == (False, "no answer")
        assert "does not end a hold that was cancelled" in said
        over.set_result(None)
        live.run(0.2)
        live.executor.remove_node(node)
        server.destroy()
        node.destroy_node()


class TestSimulatedTime:
    """Waits on a clock that somebody else keeps."""

    @pytest.fixture
    def clock(self, live: Graph) -> Any:
        """Give a publisher of /clock that the client follows."""
        live.client.set_parameters([Parameter("use_sim_time", value=True)])
        publisher = live.client.create_publisher(Clock, "/clock", qos.reliable(10))
        self.tell(live, publisher, 100.0)
        return publisher

    def tell(self, live: Graph, publisher: Any, time_s: float) -> None:
        """Tell the time until the client has it."""

        def told() -> bool:
            publisher.publish(Clock(clock=Time(seconds=time_s).to_msg()))
            return abs(live.client.get_clock().now().nanoseconds * 1e-9 - time_s) < 1e-6

        live.wait(told, f"{time_s:g} s on the clock")

    def test_a_clock_that_stands_still_ends_every_wait(
        self, live: Graph, clock: Any, hand: Hand, fingers: SoftFingers
    ) -> None:
        """The simulation has ended: pauses and awaited touches fail within the patience and point to /clock."""
        live.wait(lambda: all(finger.ready for finger in hand.fingers.values()), "the fingers")
        touch = hand.first_contact()

        async def rest() -> str:
            with pytest.raises(NoAnswerError) as caught:
                await pause(live.client, 5.0, SILENCE_S)
            return str(caught.value)

        rested = live.executor.create_task(rest)
        assert failure(live, touch) == (
            "time has stood still for 1 s, check who publishes /clock: a contact of left_finger or right_finger"
        )
        live.wait(rested.done, "an end", 5.0)
        assert rested.result().endswith("check who publishes /clock: a pause of 5 s does not end")

    def test_a_clock_that_is_first_heard_is_no_time_that_has_passed(self, live: Graph, hand: Hand) -> None:
        """Until /clock is heard a simulated time shows 0: the jump from there counts against no limit."""
        live.client.set_parameters([Parameter("use_sim_time", value=True)])
        publisher = live.client.create_publisher(Clock, "/clock", qos.reliable(10))
        released = hand.release(limit_s=20.0)
        live.run(0.1)
        self.tell(live, publisher, 100.0)
        assert "is not there for 1 s" in failure(live, released), "and not: not within 20 s"

    def test_limits_count_simulated_time(self, live: Graph, clock: Any, hand: Hand, fingers: SoftFingers) -> None:
        """A limit passes with the simulated time, be it fast or slow."""
        live.wait(lambda: all(finger.ready for finger in hand.fingers.values()), "the fingers")
        touch, paused = hand.first_contact(limit_s=50.0), live.executor.create_task(pause, live.client, 20.0)
        live.run(0.1)
        self.tell(live, clock, 121.0)
        live.wait(paused.done, "the end of the pause")
        paused.result()
        assert not touch.done()
        fingers.silent = set(FINGERS)  # a jump of the clock is no silence of theirs, but one follows now
        self.tell(live, clock, 151.0)
        live.wait(touch.done, "the failure")
        with pytest.raises((NoAnswerError, SensorLostError)):
            touch.result()

    def test_a_silent_finger_is_noticed(self, live: Graph, clock: Any, hand: Hand, fingers: SoftFingers) -> None:
        """DDS counts no simulated deadline: the node's clock does, and what is awaited fails with the finger's name."""
        live.wait(lambda: all(finger.ready for finger in hand.fingers.values()), "the fingers")
        touch = hand.first_contact()
        fingers.silent = {"right_finger"}
        live.run(0.2)  # what was under way arrives
        self.tell(live, clock, 101.0)
        live.wait(touch.done, "the failure", 5.0)
        with pytest.raises(SensorLostError, match=r"right_finger: no estimate for 1\.00 s"):
            touch.result()


@pytest.mark.parametrize("given", [None, "SUBNET"])
def test_examples_meet_the_simulation_on_this_machine_alone(monkeypatch: pytest.MonkeyPatch, given: str | None) -> None:
    """A real gripper, and other machines, have to be named: by --gripper, and by the variable of ROS 2."""
    monkeypatch.setenv("ROS_AUTOMATIC_DISCOVERY_RANGE", given or "")
    if given is None:
        monkeypatch.delenv("ROS_AUTOMATIC_DISCOVERY_RANGE")
    seen: list[str] = []

    def init(**_: object) -> None:
        seen.append(os.environ["ROS_AUTOMATIC_DISCOVERY_RANGE"])
        raise SystemExit

    monkeypatch.setattr(program.rclpy, "init", init)
    chosen = program.options("", [])[0].parse_args([])
    with pytest.raises(SystemExit):
        program.run("pick", chosen, lambda _node, _hand: pytest.fail("begun"), [])
    assert (chosen.gripper, seen) == ("/sim/gripper", [given or "LOCALHOST"])


@pytest.mark.parametrize("example", ["pick_gently", "sort_by_compliance", "stop_on_slip"])
def test_an_example_alone_ends_with_one_line(example: str) -> None:
    """Without any gripper an example ends by itself with exit code 1 and one line that lists what is missing."""
    command = [sys.executable, "-m", f"soft_tactile_node.examples.{example}", "--wait", "0.5"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=WAIT_S, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"{example}: not within 0.5 s: left_finger: nothing heard yet; ")
    assert done.stderr.count("\n") == 1
