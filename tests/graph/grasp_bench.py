"""Controller, monitor and a hand over fingers that are springs: for tests of grasping code."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rclpy.node import Node
from soft_tactile_msgs.msg import ContactEvent, PadEstimate, PressureCommand
from std_srvs.srv import Trigger

from graph.graph_tools import ACTIVATE, CONFIGURE, Graph
from soft_tactile_node.grasping import Hand
from soft_tactile_node.ros.nodes.grasp_controller import GraspController
from soft_tactile_node.ros.nodes.grasp_monitor import GraspMonitor
from soft_tactile_node.ros.wire import qos

FINGERS = ("left_finger", "right_finger")
GRIPPER = "/gripper"
CONTROLLER = f"{GRIPPER}/grasp_controller"
QUICK = {"closing_speed": 2e4, "regulation": 1e4, "max_force": 3.0, "finger_timeout": 1.0}
"""A machine that stands still for a third of a second is no finger that fell silent, and while a machine that is busy
lets commands wait for a twentieth of a second, the fingers close by 0.1 N and no more."""

TOUCH_PA, NEWTON_PER_PA = 5e3, 1e-4

SILENT = r"no estimate for (0\.[3-9]|[1-9])[\d.]* s"
"""Said of a finger that is silent beyond the deadline of 0.3 s, by as much as the machine was busy."""


class SoftFingers:
    """Stands in for fingers and sensors: follows commands at once, feels a spring from 5 kPa on, 200 times a second.

    Lives on a node of its own that can be killed as a whole.
    """

    def __init__(self, live: Graph, *, there: bool = True, space: str = "") -> None:
        self.live = live
        self.node = Node("fingers", context=live.context)
        live.executor.add_node(self.node)
        self.there = there
        self.silent: set[str] = set()
        self.spoil: Callable[[str, PadEstimate], None] = lambda _finger, _message: None
        self.pressure_pa = dict.fromkeys(FINGERS, 0.0)
        self.highest_pa = 0.0
        make = self.node.create_publisher
        self.estimates = {f: make(PadEstimate, f"{space}/{f}/pad_estimate", qos.estimate(0.1)) for f in FINGERS}
        self.events = {f: make(ContactEvent, f"{space}/{f}/contact_events", qos.reliable(50)) for f in FINGERS}
        for finger in FINGERS:
            command = f"{space}/{finger}/pressure_command"
            self.node.create_subscription(
                PressureCommand, command, lambda m, f=finger: self._follow(f, m), qos.reliable(10)
            )
            self.node.create_service(Trigger, f"{space}/{finger}/tare", self._on_tare)
        self.node.create_timer(0.005, self._tell)

    def close(self) -> None:
        """Die."""
        if self.node is not None:
            self.live.executor.remove_node(self.node)
            self.node.destroy_node()
            self.node = None

    def force(self, finger: str) -> float:
        """Return what a finger feels (N)."""
        return max(self.pressure_pa[finger] - TOUCH_PA, 0.0) * NEWTON_PER_PA if self.there else 0.0

    def slip(self, finger: str) -> None:
        """Report a slip."""
        event = ContactEvent(kind=ContactEvent.SLIP)
        event.header.stamp = self.node.get_clock().now().to_msg()
        self.events[finger].publish(event)

    def _follow(self, finger: str, message: PressureCommand) -> None:
        self.pressure_pa[finger] = message.pressure
        self.highest_pa = max(self.highest_pa, self.pressure_pa[finger])

    def _on_tare(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        response.success = max(self.pressure_pa.values()) < 1e3
        response.message = "" if response.success else "pressurised"
        return response

    def _tell(self) -> None:
        for finger in set(FINGERS) - self.silent:
            force = self.force(finger)
            state = PadEstimate.STATE_CONTACT if force > 0.0 else PadEstimate.STATE_FREE
            message = PadEstimate(in_contact=force > 0.0, state=state, pressure=self.pressure_pa[finger], bend=0.3)
            message.wrench.force.z = force
            message.header.stamp = self.live.client.get_clock().now().to_msg()
            self.spoil(finger, message)
            self.estimates[finger].publish(message)


class Bench:
    """Fingers, controller, monitor and a hand on the client, all ready."""

    def __init__(self, live: Graph, *, there: bool = True, space: str = "", **parameters: object) -> None:
        self.live = live
        self.fingers = SoftFingers(live, there=there, space=space)
        for make, name in ((GraspController, CONTROLLER), (GraspMonitor, f"{GRIPPER}/grasp_monitor")):
            given = {**QUICK, **parameters} if make is GraspController else {}
            live.add(make, namespace=f"{space}{GRIPPER}", parameters={"autostart": False, **given})
            assert live.transition(space + name, CONFIGURE)
            assert live.transition(space + name, ACTIVATE)
        self.hand = Hand(live.client, FINGERS, space + GRIPPER)
        ready = self.hand.ready()
        live.wait(ready.done, "fingers, controller and monitor")

    def end(self, future: Any, what: str) -> Any:
        """Return the result of a future."""
        self.live.wait(future.done, what)
        return future.result()

    def close(self) -> None:
        """Take the bench down."""
        self.hand.close()
        self.fingers.close()
