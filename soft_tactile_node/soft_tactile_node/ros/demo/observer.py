"""The demo's onlooker: hears every public topic of the gripper, keeps it, tells the story, asks for picks."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import rclpy
from rcl_interfaces.srv import SetParameters
from rclpy.context import Context
from rclpy.experimental import EventsExecutor
from rclpy.node import Node
from rclpy.parameter import Parameter
from rclpy.task import Future
from soft_tactile_msgs.msg import ContactEvent as EventMessage
from soft_tactile_msgs.msg import GraspState, PadEstimate, PadTruth, PressureCommand
from std_msgs.msg import Float64, String
from std_srvs.srv import Trigger

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.recordings.message_tables import estimate_of, event_of, truth_of
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.ros.wire.conversions import clock_s, stamp_to_seconds
from soft_tactile_node.samples import ContactEvent, EventKind, State

SPACE = "/sim"
GRIPPER = f"{SPACE}/gripper"


@dataclass(frozen=True)
class Entry:
    """One line of the story: when (s from the start), who, what happened."""

    time_s: float
    who: str
    what: str


class Finger:
    """What was heard from one finger, as it came; the age of each estimate when it was heard (s)."""

    def __init__(self) -> None:
        self.estimates: list[PadEstimate] = []
        self.ages_s: list[float] = []
        self.truths: list[PadTruth] = []
        self.events: list[ContactEvent] = []
        self.commands: list[tuple[float, float]] = []
        self.state = -1

    def forget(self) -> None:
        """Drop all of it; the state stays."""
        for rows in (self.estimates, self.ages_s, self.truths, self.events, self.commands):
            rows.clear()


class Observer:
    """Watches the gripper from a process of its own.

    Parameters
    ----------
    fingers : tuple of str
        Finger namespaces.
    domain : int
        ROS domain.
    tell : callable
        Takes each Entry as it happens.
    """

    def __init__(self, fingers: tuple[str, ...], domain: int, tell: Callable[[Entry], None]) -> None:
        self._tell = tell
        self.context = Context()
        rclpy.init(context=self.context, domain_id=domain)
        self.node = Node("demo_observer", context=self.context)
        self._executor = EventsExecutor(context=self.context)
        self._executor.add_node(self.node)
        self.start_s = clock_s(self.node)
        self.story: list[Entry] = []
        self.fingers = {finger: Finger() for finger in fingers}
        self.lift: list[tuple[float, float]] = []
        self.grasps: list[tuple[float, int]] = []
        self.phase = ""
        self._slip_s = -math.inf
        subscribe = self.node.create_subscription
        for finger in fingers:
            topics = f"{SPACE}/{finger}"
            subscribe(PadEstimate, f"{topics}/pad_estimate", partial(self._on_estimate, finger), qos.reliable(1000))
            subscribe(PadTruth, f"{topics}/truth", self.fingers[finger].truths.append, qos.reliable(1000))
            subscribe(EventMessage, f"{topics}/contact_events", partial(self._on_event, finger), qos.reliable(50))
            subscribe(
                PressureCommand, f"{topics}/pressure_command", partial(self._on_command, finger), qos.reliable(10)
            )
        subscribe(GraspState, f"{GRIPPER}/grasp_state", self._on_grasp, qos.reliable(1, latched=True))
        subscribe(String, f"{GRIPPER}/phase", self._on_phase, qos.reliable(1, latched=True))
        subscribe(Float64, f"{GRIPPER}/lift_command", self._on_lift, qos.reliable(10))

    # -- what is heard

    def now_s(self) -> float:
        """Return the time since the start of the demo (s)."""
        return clock_s(self.node) - self.start_s

    def begin(self) -> None:
        """Let the story begin now: what was heard while the nodes came up is forgotten."""
        self.start_s = clock_s(self.node)
        self.story.clear()
        self.lift.clear()
        self.grasps.clear()
        for finger in self.fingers.values():
            finger.forget()

    def say(self, who: str, what: str, time_s: float | None = None) -> None:
        """Add a line to the story."""
        entry = Entry(self.now_s() if time_s is None else time_s, who, what)
        self.story.append(entry)
        self._tell(entry)

    def _on_estimate(self, finger: str, message: PadEstimate) -> None:
        heard = self.fingers[finger]
        heard.estimates.append(message)
        heard.ages_s.append(clock_s(self.node) - stamp_to_seconds(message.header.stamp))
        if heard.state == State.TARING and message.state == State.FREE:
            self.say(finger, "tare done")
        heard.state = message.state

    def _on_event(self, finger: str, message: EventMessage) -> None:
        event = event_of(message)
        event = replace(event, time_s=event.time_s - self.start_s, onset_s=event.onset_s - self.start_s)
        self.fingers[finger].events.append(event)
        self.say(finger, _event_in_words(event), event.time_s)
        if event.kind is EventKind.SLIP:
            self._slip_s = self.now_s()

    def _on_command(self, finger: str, message: PressureCommand) -> None:
        commands = self.fingers[finger].commands
        before_pa = commands[-1][1] if commands else message.pressure
        commands.append((self.now_s(), message.pressure))
        rise_pa = message.pressure - before_pa
        if rise_pa > 1000.0 and math.isfinite(self._slip_s) and finger == next(iter(self.fingers)):
            delay_ms = (self.now_s() - self._slip_s) * 1e3
            self.say("controller", f"answers the slip after {delay_ms:.0f} ms: pressure up by {rise_pa * 1e-3:.1f} kPa")
            self._slip_s = math.nan

    def _on_grasp(self, message: GraspState) -> None:
        if not self.grasps or self.grasps[-1][1] != message.state:
            self.grasps.append((self.now_s(), message.state))
            force = ", ".join(f"{value:.2f}" for value in message.normal_force)
            self.say("grasp", f"{_grasp_name(message.state)} (normal force {force} N)")

    def _on_phase(self, message: String) -> None:
        self.phase = message.data
        self.say("controller", message.data)

    def _on_lift(self, message: Float64) -> None:
        if not self.lift or self.lift[-1][1] != message.data:
            self.lift.append((self.now_s(), message.data))

    # -- what is asked

    def wait(self, condition: Callable[[], bool], limit_s: float, what: str, check: Callable[[], None]) -> None:
        """Go on until a condition holds.

        Parameters
        ----------
        condition : callable
            Tells whether it holds.
        limit_s : float
            Longest wait (s).
        what : str
            What is waited for, for the error.
        check : callable
            Called every now and then; may raise to stop waiting.

        Raises
        ------
        SoftTactileError
            It did not come in time.
        """
        end_s = self.now_s() + limit_s
        while not condition():
            if self.now_s() > end_s:
                raise SoftTactileError(f"{what} did not come within {limit_s:g} s: see the logs of the nodes")
            check()
            self._executor.spin_until_future_complete(Future(), 0.05)

    def call(self, service: type, name: str, request: Any, check: Callable[[], None]) -> Any:
        """Call a service of a node and return its answer."""
        client = self.node.create_client(service, name)
        try:
            self.wait(client.service_is_ready, 20.0, f"service {name}", check)
            future = client.call_async(request)
            self.wait(future.done, 10.0, f"answer of {name}", check)
        finally:
            self.node.destroy_client(client)
        return future.result()

    def set_parameters(self, node: str, values: dict[str, Any], check: Callable[[], None]) -> None:
        """Change live parameters of a node."""
        parameters = [Parameter(name, value=value).to_parameter_msg() for name, value in values.items()]
        request = SetParameters.Request(parameters=parameters)
        for result in self.call(SetParameters, f"{node}/set_parameters", request, check).results:
            if not result.successful:
                raise SoftTactileError(f"{node}: {result.reason}")

    def pick(self, check: Callable[[], None], limit_s: float) -> str:
        """Have the controller do one pick; returns its outcome."""
        answer = self.call(Trigger, f"{GRIPPER}/pick", Trigger.Request(), check)
        if not answer.success:
            raise SoftTactileError(f"the controller refused the pick: {answer.message}")
        self.wait(lambda: not self.phase.startswith("idle"), 5.0, "begin of the pick", check)
        self.wait(lambda: self.phase.startswith("idle"), limit_s, "end of the pick", check)
        return self.phase.partition(": ")[2] or "done"

    def close(self) -> None:
        """Leave the graph."""
        self._executor.remove_node(self.node)
        self.node.destroy_node()
        self._executor.shutdown()
        self.context.try_shutdown()

    # -- what is left

    def estimate_of(self, finger: str) -> EstimateTable:
        """Return the estimates of one finger as a table, times from the start (s)."""
        table = estimate_of(self.fingers[finger].estimates)
        return replace(table, time_s=table.time_s - self.start_s)

    def truth_of(self, finger: str) -> Truth:
        """Return the truth of one finger as a table, times from the start (s)."""
        truth = truth_of(self.fingers[finger].truths)
        return replace(truth, time_s=truth.time_s - self.start_s)

    def heights(self, finger: str) -> list[tuple[float, float]]:
        """Return time from the start (s) and height of the object (m) as the truth of one finger has it."""
        heard = self.fingers[finger].truths
        return [(stamp_to_seconds(one.header.stamp) - self.start_s, one.object_height) for one in heard]

    def latency_s(self, finger: str) -> np.ndarray:
        """Return the age of each estimate when it was heard here (s), shape (n,)."""
        return np.array(self.fingers[finger].ages_s)


def _event_in_words(event: ContactEvent) -> str:
    words = event.kind.value
    if event.kind is EventKind.CONTACT:
        force_n = float(np.linalg.norm(event.force_n[np.isfinite(event.force_n)]))
        words += f": {force_n:.2f} N"
        if math.isfinite(event.onset_s):
            words += f", began at {event.onset_s:.2f} s"
    elif event.kind is EventKind.SLIP:
        words += f": normal force {event.force_n[2]:.2f} N"
    return f"{words} ({event.detail})" if event.detail else words


def _grasp_name(state: int) -> str:
    names = {
        GraspState.OPEN: "open", GraspState.CLOSING: "closing", GraspState.TOUCHING: "touching",
        GraspState.HOLDING: "holding", GraspState.SLIPPING: "slipping", GraspState.LOST: "lost",
    }  # fmt: skip
    return names.get(state, str(state))
