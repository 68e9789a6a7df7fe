from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from numpy.testing import assert_allclose
from rclpy.qos import QoSDurabilityPolicy, QoSProfile, QoSReliabilityPolicy
from soft_tactile_msgs.msg import ContactEvent, GraspState, PadEstimate, PressureCommand, ValveStatus
from std_msgs.msg import Float64, String
from std_srvs.srv import Trigger

from graph.graph_tools import ACTIVATE, CONFIGURE, UNCONFIGURED, Graph
from soft_tactile_node.ros.nodes import grasp_monitor
from soft_tactile_node.ros.nodes.grasp_controller import GraspController
from soft_tactile_node.ros.nodes.grasp_monitor import GraspMonitor
from soft_tactile_node.ros.wire import qos

FINGERS = ("left_finger", "right_finger")
MONITOR, CONTROLLER = "/gripper/grasp_monitor", "/gripper/grasp_controller"


class Hand:
    """Stands in for the sensors of two fingers: publishes what a test wants them to feel."""

    def __init__(self, live: Graph) -> None:
        self.live = live
        client = live.client
        self.estimates = {
            f: client.create_publisher(PadEstimate, f"/{f}/pad_estimate", qos.estimate(0.1)) for f in FINGERS
        }
        self.events = {
            f: client.create_publisher(ContactEvent, f"/{f}/contact_events", qos.reliable(50)) for f in FINGERS
        }
        self.tares = [client.create_service(Trigger, f"/{f}/tare", self._on_tare) for f in FINGERS]
        self.tare_calls = 0
        self.matched = False

    def _on_tare(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        self.tare_calls += 1
        response.success = True
        return response

    def feel(self, normal_n: tuple[float, float], pressure_pa: float = 20e3, **fields: object) -> None:
        """Publish one estimate of each finger; a finger touches where its force is above zero."""
        if not self.matched:
            publishers = [*self.estimates.values(), *self.events.values()]
            self.live.wait(lambda: all(p.get_subscription_count() for p in publishers), "the node on the fingers")
            self.matched = True
        for finger, force in zip(FINGERS, normal_n, strict=True):
            touches = force > 0.0
            state = PadEstimate.STATE_CONTACT if touches else PadEstimate.STATE_FREE
            message = PadEstimate(
                in_contact=touches, state=state, pressure=pressure_pa, bend=0.3, bend_variance=1e-4, **fields
            )
            message.wrench.force.z = force
            message.header.stamp = self.live.client.get_clock().now().to_msg()
            self.estimates[finger].publish(message)

    def feel_until(self, condition: object, normal_n: tuple[float, float], pressure_pa: float = 20e3) -> None:
        """Go on feeling the same until a condition holds."""

        def feel_and_look() -> object:
            self.feel(normal_n, pressure_pa)
            return condition()  # type: ignore[operator]

        self.live.wait(feel_and_look, "the answer to what is felt")


def bring_up(live: Graph, make: type, name: str, **parameters: object) -> None:
    """Add a node and activate it."""
    live.add(make, namespace="gripper", parameters={"autostart": False, **parameters})
    assert live.transition(name, CONFIGURE)
    assert live.transition(name, ACTIVATE)


def last(phases: list[String]) -> str:
    """Return the newest phase, or nothing."""
    return str(phases[-1].data) if phases else ""


class TestMonitor:
    """The grasp monitor."""

    def test_late_subscribers_get_the_present_state(self, live: Graph) -> None:
        """grasp_state is reliable and transient local: who comes late still hears the last one."""
        bring_up(live, GraspMonitor, MONITOR)
        live.run(0.3)
        heard = live.listen(GraspState, "/gripper/grasp_state", qos.reliable(1, latched=True))
        profile = live.client.get_publishers_info_by_topic("/gripper/grasp_state")[0].qos_profile
        assert profile.reliability == QoSReliabilityPolicy.RELIABLE
        assert profile.durability == QoSDurabilityPolicy.TRANSIENT_LOCAL
        live.wait(lambda: heard, "grasp state")
        assert heard[0].state == GraspState.OPEN
        assert list(heard[0].fingers) == list(FINGERS)
        assert np.isnan(heard[0].normal_force).tolist() == [True] * len(FINGERS)
        assert math.isnan(heard[0].width)
        assert heard[0].header.frame_id == "gripper_palm"

    def test_says_where_the_finger_roots_are(self, live: Graph, monkeypatch: pytest.MonkeyPatch) -> None:
        """With tf2_msgs and a known palm, /tf_static fixes each root beside the axis, upright fingers along it."""
        sent: list[SimpleNamespace] = []  # stands in for tf2_msgs, which not every installation has
        topics: list[tuple[str, QoSDurabilityPolicy]] = []
        make = GraspMonitor.publish_on

        def publish_on(node: GraspMonitor, message: type, topic: str, profile: QoSProfile) -> object:
            if message is not SimpleNamespace:
                return make(node, message, topic, profile)
            topics.append((topic, profile.durability))
            return SimpleNamespace(publish=sent.append)

        monkeypatch.setattr(grasp_monitor, "TFMessage", SimpleNamespace)
        monkeypatch.setattr(GraspMonitor, "publish_on", publish_on)
        bring_up(live, GraspMonitor, MONITOR, finger_root_radius=0.03)
        assert topics == [("/tf_static", QoSDurabilityPolicy.TRANSIENT_LOCAL)]
        left, right = sent[0].transforms
        assert (left.header.frame_id, left.child_frame_id) == ("gripper_palm", "left_finger_finger_root")
        assert right.child_frame_id == "right_finger_finger_root"
        place = [(t.transform.translation.x, t.transform.translation.y) for t in (left, right)]
        assert_allclose(place, [(0.03, 0.0), (-0.03, 0.0)], atol=1e-12)
        # x of the left root along z of the palm, its z along x of the palm: half a turn about (1, 0, 1)
        turn = left.transform.rotation
        assert_allclose(
            np.abs([turn.x, turn.y, turn.z, turn.w]), [math.sqrt(0.5), 0.0, math.sqrt(0.5), 0.0], atol=1e-12
        )

    def test_two_touching_fingers_hold_and_slips_show(self, live: Graph) -> None:
        """Both fingers touching is HOLDING with their forces; a slip event shows as SLIPPING and passes."""
        bring_up(live, GraspMonitor, MONITOR, slip_hold=0.3, finger_timeout=10.0)
        hand = Hand(live)
        heard = live.listen(GraspState, "/gripper/grasp_state", qos.reliable(1, latched=True))
        hand.feel_until(lambda: heard and heard[-1].state == GraspState.TOUCHING, (0.4, 0.0))
        hand.feel_until(lambda: heard[-1].state == GraspState.HOLDING, (0.4, 0.5))
        assert_allclose(heard[-1].normal_force, [0.4, 0.5], rtol=0, atol=0)
        assert list(heard[-1].in_contact) == [True, True]
        hand.events["right_finger"].publish(ContactEvent(kind=ContactEvent.SLIP))
        hand.feel_until(lambda: heard[-1].state == GraspState.SLIPPING, (0.4, 0.5))
        hand.feel_until(lambda: heard[-1].state == GraspState.HOLDING, (0.4, 0.5))
        hand.feel_until(lambda: heard[-1].state == GraspState.LOST, (0.0, 0.0))
        hand.feel_until(lambda: heard[-1].state == GraspState.OPEN, (0.0, 0.0), 0.0)

    def test_width_and_forces_of_the_palm(self, live: Graph) -> None:
        """With the palm's lengths, width and palm-frame forces come along; an even squeeze has no imbalance across."""
        lengths = {"finger_root_radius": 0.055, "arc_length": 0.08, "surface_offset": 0.012}
        bring_up(live, GraspMonitor, MONITOR, finger_timeout=10.0, **lengths)
        hand = Hand(live)
        heard = live.listen(GraspState, "/gripper/grasp_state", qos.reliable(1, latched=True))
        hand.feel_until(lambda: heard and heard[-1].state == GraspState.HOLDING, (1.0, 1.0))
        expected = 2 * (0.055 - 0.08 * (1 - math.cos(0.3)) / 0.3 - 0.012 * math.cos(0.3))  # constant curvature, by hand
        assert_allclose(heard[-1].width, expected, rtol=1e-9)
        assert heard[-1].width_variance > 0.0
        assert_allclose([heard[-1].imbalance.x, heard[-1].imbalance.y], 0.0, rtol=0, atol=1e-12)
        assert_allclose(heard[-1].total_force.z, 2 * math.sin(0.3), rtol=1e-9)

    def test_a_dead_finger_is_an_error(self, live: Graph) -> None:
        """A finger that falls silent is named in diagnostics, its force becomes NaN, and it comes back."""
        bring_up(live, GraspMonitor, MONITOR, finger_timeout=0.3)
        hand = Hand(live)
        heard = live.listen(GraspState, "/gripper/grasp_state", qos.reliable(1, latched=True))
        health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
        hand.feel_until(lambda: health and health[-1].status[0].level == DiagnosticStatus.OK, (0.4, 0.5))
        live.wait(lambda: health[-1].status[0].level == DiagnosticStatus.ERROR, "diagnostics ERROR")
        assert "no estimates from left_finger" in health[-1].status[0].message
        live.wait(lambda: math.isnan(heard[-1].normal_force[0]), "unknown force")
        hand.feel_until(lambda: health[-1].status[0].level == DiagnosticStatus.OK, (0.4, 0.5))

    @pytest.mark.parametrize(
        ("parameters", "said"),
        [
            ({"fingers": ["alone"]}, "parameter 'fingers' must be two to six different names; got ['alone']"),
            ({"finger_angles": [0.0, 2.0, 4.0]}, "parameter 'finger_angles' must be empty or of 2 numbers; got 3"),
        ],
    )
    def test_refuses_what_does_not_fit_together(
        self, live: Graph, capfd: pytest.CaptureFixture[str], parameters: dict[str, object], said: str
    ) -> None:
        """Combinations that cannot work are refused at configure by name."""
        live.add(GraspMonitor, namespace="gripper", parameters={"autostart": False, **parameters})
        assert not live.transition(MONITOR, CONFIGURE)
        assert live.state(MONITOR) == UNCONFIGURED
        assert said in capfd.readouterr().err


class TestController:
    """The example controller."""

    def test_picks_with_the_fingers_feeling(self, live: Graph) -> None:
        """A pick tares every finger, closes until both touch, holds, lifts, lowers, and lets go vented."""
        quick = {"closing_speed": 1e5, "hold_time": 0.05, "carry_time": 0.05, "lift_speed": 1.0, "grip_force": 0.5}
        bring_up(live, GraspController, CONTROLLER, **quick)
        hand = Hand(live)
        phases = live.listen(String, "/gripper/phase", qos.reliable(1, latched=True))
        commands = live.listen(PressureCommand, "/left_finger/pressure_command", qos.reliable(50))
        lifts = live.listen(Float64, "/gripper/lift_command", qos.reliable(50))

        def touch() -> tuple[float, float]:
            closed = bool(commands) and commands[-1].pressure > 20e3
            return (1.0, 1.0) if closed else (0.0, 0.0)

        hand.feel((0.0, 0.0))
        assert live.call(Trigger, "/gripper/pick", Trigger.Request()).success

        def picked() -> bool:
            hand.feel(touch())
            return last(phases).startswith("idle: ")

        live.wait(picked, "end of the pick")
        assert last(phases) == "idle: done"
        assert hand.tare_calls == 2
        assert max(lift.data for lift in lifts) == pytest.approx(0.08)
        live.wait(lambda: commands[-1].lease == 0.0, "the lease given back")
        assert commands[-1].pressure == 0.0
        assert {(command.owner, command.simulated) for command in commands} == {(CONTROLLER, False)}
        assert [command.sequence for command in commands] == list(range(1, len(commands) + 1))
        assert min(command.pressure for command in commands) >= 0.0

    def test_slip_raises_the_pressure_at_once(self, live: Graph) -> None:
        """While holding, a slip event makes the next command of every finger higher by slip_step."""
        bring_up(live, GraspController, CONTROLLER, closing_speed=1e5, hold_time=60.0, slip_step=3e3, grip_force=0.5)
        hand = Hand(live)
        phases = live.listen(String, "/gripper/phase", qos.reliable(1, latched=True))
        commands = live.listen(PressureCommand, "/right_finger/pressure_command", qos.reliable(50))
        hand.feel((0.0, 0.0))
        assert live.call(Trigger, "/gripper/pick", Trigger.Request()).success
        hand.feel_until(lambda: last(phases) == "close", (0.0, 0.0))
        hand.feel_until(lambda: last(phases) == "hold", (1.0, 1.0))
        live.wait(lambda: len({c.pressure for c in commands[-3:]}) == 1, "a standing pressure")
        before = commands[-1].pressure
        hand.events["left_finger"].publish(ContactEvent(kind=ContactEvent.SLIP))
        hand.feel_until(lambda: commands[-1].pressure != before, (1.0, 1.0))
        assert commands[-1].pressure == pytest.approx(before + 3e3)

    @pytest.mark.parametrize(("on_fault", "vents"), [("hold", False), ("vent", True)])
    def test_sensing_lost_while_holding(self, live: Graph, on_fault: str, vents: bool) -> None:
        """When the fingers fall silent during a hold, the controller does what on_fault says."""
        bring_up(
            live, GraspController, CONTROLLER, closing_speed=1e5, hold_time=60.0, on_fault=on_fault, grip_force=0.5
        )
        hand = Hand(live)
        phases = live.listen(String, "/gripper/phase", qos.reliable(1, latched=True))
        commands = live.listen(PressureCommand, "/right_finger/pressure_command", qos.reliable(50))
        hand.feel((0.0, 0.0))
        assert live.call(Trigger, "/gripper/pick", Trigger.Request()).success
        hand.feel_until(lambda: commands and commands[-1].pressure > 10e3, (0.0, 0.0))
        hand.feel_until(lambda: last(phases) == "hold", (1.0, 1.0))
        live.run(1.0)
        assert (commands[-1].pressure == 0.0) == vents
        if not vents:
            assert last(phases) == "hold"

    def test_idle_it_is_silent_and_begins_alone(self, live: Graph) -> None:
        """Nothing is commanded while nothing is to be done, and nothing is begun while somebody else commands."""
        bring_up(live, GraspController, CONTROLLER)
        hand = Hand(live)
        hand.feel((0.0, 0.0))
        commands = live.listen(PressureCommand, "/left_finger/pressure_command", qos.reliable(50))
        live.run(0.5)
        assert commands == []
        valve = live.client.create_publisher(ValveStatus, "/left_finger/valve_status", qos.reliable(1, latched=True))
        valve.publish(ValveStatus(state=ValveStatus.OWNED, owner="/client", lease=0.5))
        live.wait(live.nodes[0]._owners[0].in_the_way, "the word of the valve")
        refused = live.call(Trigger, "/gripper/pick", Trigger.Request())
        assert not refused.success
        assert refused.message == "/left_finger/pressure_command is commanded by /client, too: stop that first"
        assert commands == []

    def test_one_pick_at_a_time(self, live: Graph) -> None:
        """A second pick is refused while one is under way, and `release` ends it."""
        bring_up(live, GraspController, CONTROLLER)
        hand = Hand(live)
        hand.feel((0.0, 0.0))
        assert live.call(Trigger, "/gripper/pick", Trigger.Request()).success
        again = live.call(Trigger, "/gripper/pick", Trigger.Request())
        assert not again.success
        assert again.message.startswith("busy: ")
        phases = live.listen(String, "/gripper/phase", qos.reliable(1, latched=True))
        assert live.call(Trigger, "/gripper/release", Trigger.Request()).success
        hand.feel_until(lambda: last(phases) == "idle: released on request", (0.0, 0.0))
