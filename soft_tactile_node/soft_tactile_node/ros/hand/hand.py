"""A gripper in the hands of grasping code: await a touch, hold with a force, hear of slips and of dead sensors."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from rclpy.action import ActionClient
from rclpy.node import Node
from rclpy.task import Future
from soft_tactile_msgs.action import HoldForce
from soft_tactile_msgs.msg import ContactEvent, GraspState
from std_srvs.srv import Trigger

from soft_tactile_node.errors import SensorLostError, SoftTactileError
from soft_tactile_node.ros.hand.controller_watch import ControllerWatch
from soft_tactile_node.ros.hand.finger_watch import FingerWatch
from soft_tactile_node.ros.hand.hold import Hold
from soft_tactile_node.ros.running.awaiting import REAL_TIME, Asking, Wait, real_s
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.ros.wire.conversions import clock_s, stamp_to_seconds
from soft_tactile_node.ros.wire.names import sibling
from soft_tactile_node.samples import Array

WORDS = {ContactEvent.CONTACT: "contact", ContactEvent.SLIP: "slip"}
"""The kinds of event that grasping code can wait for or hear."""

SHORTEST_TARE_S = 0.1
"""No tare is shorter (s): an estimate this soon after the grant may still be one from before."""

SETTLE_S = 0.5
"""Everything must be there for this long (s of real time): what this side has found may find this side a moment later,
and an answer before that is lost."""

CHECK_S = 0.05
"""In simulated time, fingers are asked this often whether they still tell something (s of real time)."""


@dataclass(frozen=True)
class Touch:
    """A touch or a slip that a finger has reported.

    Attributes
    ----------
    finger : str
        Which finger.
    kind : str
        "contact" or "slip".
    time_s : float
        When it was reported, on the clock of the estimates (s).
    onset_s : float
        When it is estimated to have begun (s); NaN = not estimated.
    force_n : numpy.ndarray, shape (3,)
        Force at that time (N, frame of the event); NaN = not observed.
    probability : float
        Probability of a touch (1).
    """

    finger: str
    kind: str
    time_s: float
    onset_s: float
    force_n: Array
    probability: float


def touch_of(finger: str, event: ContactEvent) -> Touch:
    """Return an event of a finger as a Touch."""
    force = event.wrench.force
    known = event.onset.sec or event.onset.nanosec
    return Touch(
        finger, WORDS[event.kind], stamp_to_seconds(event.header.stamp),
        stamp_to_seconds(event.onset) if known else math.nan,
        np.array([force.x, force.y, force.z]), float(event.probability),
    )  # fmt: skip


class Hand:
    """Fingers and controller of one gripper, for use from any rclpy node. It moves: read shared/docs/safety.md first.

    Everything that takes time gives a `rclpy.task.Future`: `await` it in a coroutine run by the node's executor, or
    wait for it with `rclpy.spin_until_future_complete`. Nothing here spins or blocks, and nothing waits for ever: what
    does not come within its `limit_s` (on the node's clock) fails with NoAnswerError and says what is missing, and so
    does everything once a partner, or the simulated time, has been silent for `silence_s`.

    Parameters
    ----------
    node : rclpy.node.Node
        Node to work from.
    fingers : sequence of str
        Names of the fingers, beside the gripper's namespace; with a leading slash they are taken as they are.
    gripper : str
        Namespace of monitor and controller.
    deadline_s : float
        Longest gap between two estimates of a finger (s); after that its sensor is lost.
    silence_s : float
        Longest wait for the answer of a node, for a word of the controller while it holds, and for a simulated time
        that stands still (s of real time).
    """

    def __init__(
        self,
        node: Node,
        fingers: Sequence[str] = ("left_finger", "right_finger"),
        gripper: str = "/gripper",
        *,
        deadline_s: float = 0.3,
        silence_s: float = 10.0,
    ) -> None:
        self._node = node
        self._silence_s = silence_s
        self.gripper = gripper
        self.grasp: GraspState | None = None
        self._listeners: dict[str, list[Callable[[Any], None]]] = {"contact": [], "slip": [], "lost": []}
        self._waiting: list[tuple[Future[Any], str]] = []
        self._waits: list[Wait] = []
        self._followed: list[Hold] = []
        self.fingers: dict[str, FingerWatch] = {}
        for name in fingers:
            short = name.rstrip("/").rsplit("/", 1)[-1]
            self.fingers[short] = FingerWatch(
                node, sibling(gripper, name), deadline_s,
                on_event=partial(self._on_event, short), on_change=partial(self._on_change, short),
            )  # fmt: skip
        self._state = node.create_subscription(
            GraspState, f"{gripper}/grasp_state", self._on_grasp, qos.reliable(1, latched=True)
        )
        self._controller = ControllerWatch(node, gripper)
        self._holds = ActionClient(node, HoldForce, f"{gripper}/hold_force")
        self._tares = [node.create_client(Trigger, f"{sibling(gripper, name)}/tare") for name in fingers]
        self._release = node.create_client(Trigger, f"{gripper}/release")
        self._timer = node.create_timer(CHECK_S, self._check_fingers, clock=REAL_TIME)

    def close(self) -> None:
        """Let go of everything made on the node; what is still awaited is cancelled."""
        for hold in self._followed:
            hold.close()
        for wait in self._waits:
            wait.close()
            wait.future.exception()  # nobody will ask for it any more: no reason for a warning
        self._waiting.clear()
        self._node.destroy_timer(self._timer)
        for finger in self.fingers.values():
            finger.close()
        self._node.destroy_subscription(self._state)
        self._controller.close()
        for client in (*self._tares, self._release):
            self._node.destroy_client(client)
        self._holds.destroy()

    # -- await

    def ready(self, limit_s: float = 60.0) -> Future[None]:
        """Return a future that is done when every finger tells forces and the controller is there.

        Parameters
        ----------
        limit_s : float
            Longest wait (s of real time, for nodes have to start).

        Returns
        -------
        rclpy.task.Future
            Fails with NoAnswerError; the text lists what is missing.
        """
        since_s = math.inf

        def is_ready() -> bool:
            nonlocal since_s
            since_s = min(since_s, real_s()) if not self._missing() else math.inf
            return real_s() - since_s > SETTLE_S

        return self._wait(is_ready, lambda: self._missing() or "it comes and goes", limit_s, clock=REAL_TIME)

    def first_contact(self, limit_s: float = 60.0) -> Future[Touch]:
        """Return a future of the next touch of any finger.

        Parameters
        ----------
        limit_s : float
            Longest wait (s); infinite = for as long as it takes.

        Returns
        -------
        rclpy.task.Future
            Of a Touch; fails with SensorLostError as soon as the sensor of a finger is lost, with NoAnswerError when
            the time is over.
        """
        return self._next("contact", limit_s)

    def next_slip(self, limit_s: float = 60.0) -> Future[Touch]:
        """Return a future of the next slip on any finger, a Touch, within `limit_s` (s); fails like `first_contact`."""
        return self._next("slip", limit_s)

    def tare(self, limit_s: float = 30.0) -> Future[None]:
        """Return a future that is done when every finger has granted a new tare and come through it.

        Parameters
        ----------
        limit_s : float
            Longest wait (s); a finger that is not at rest takes no tare.

        Returns
        -------
        rclpy.task.Future
            Fails with SoftTactileError if a finger refuses; the text says why. NoAnswerError: a finger does not
            answer, or does not come through.
        """
        asked = {name: self._ask(client) for name, client in zip(self.fingers, self._tares, strict=True)}
        granted_s: dict[str, float] = {}

        def untared() -> list[str]:
            for name, asking in asked.items():
                if name not in granted_s and asking.answered():
                    if not asking.answer.success:
                        raise SoftTactileError(f"{name}: tare refused: {asking.answer.message}")
                    granted_s[name] = clock_s(self._node)
            return [name for name in asked if not self._is_tared(name, granted_s.get(name, math.inf))]

        def missing() -> str:
            words = [f"{name} {self.fingers[name].lost or 'is taking its tare: keep it at rest'}" for name in untared()]
            return "; ".join(words)

        return self._wait(lambda: not untared(), missing, limit_s)

    def hold_force(
        self,
        normal_n: float,
        *,
        max_normal_n: float = math.nan,
        max_pressure_pa: float = math.nan,
        duration_s: float = math.nan,
        release: bool = False,
    ) -> Hold:
        """Close until the fingers touch and hold with a force.

        Parameters
        ----------
        normal_n : float
            Normal force of each finger (N).
        max_normal_n : float
            Limit of the force, also after slips (N); NaN = the controller's limit.
        max_pressure_pa : float
            Most pressure (gauge Pa); NaN = the controller's limit.
        duration_s : float
            How long to hold once held (s); NaN = until cancelled.
        release : bool
            Whether to let go when the duration is over; False = the controller goes on holding.

        Returns
        -------
        Hold
            The hold under way.
        """
        goal = HoldForce.Goal(
            normal_force=float(normal_n), max_normal_force=float(max_normal_n), max_pressure=float(max_pressure_pa),
            duration=float(duration_s), release=bool(release),
        )  # fmt: skip
        hold = Hold(self._node, self._holds, f"{self.gripper}/hold_force", goal, self._controller, self._silence_s)
        self._followed = [*(one for one in self._followed if not one.result.done()), hold]
        return hold

    def release(self, limit_s: float = 20.0) -> Future[None]:
        """Have the controller let go.

        Parameters
        ----------
        limit_s : float
            Longest wait (s).

        Returns
        -------
        rclpy.task.Future
            Done when no finger touches any more; fails with NoAnswerError that names a finger that does.
        """
        asking = self._ask(self._release)

        def missing() -> str:
            touching = [name for name, finger in self.fingers.items() if finger.in_contact]
            return f"{' and '.join(touching)} still touching, as far as is known"

        def is_free() -> bool:
            return asking.answered() and not any(finger.in_contact for finger in self.fingers.values())

        return self._wait(is_free, missing, limit_s)

    # -- hear

    def on_slip(self, listener: Callable[[Touch], None]) -> Callable[[], None]:
        """Call `listener` at each slip on any finger; returns what ends that."""
        return self._listen("slip", listener)

    def on_contact(self, listener: Callable[[Touch], None]) -> Callable[[], None]:
        """Call `listener` at each touch of any finger; returns what ends that."""
        return self._listen("contact", listener)

    def on_sensor_lost(self, listener: Callable[[SensorLostError], None]) -> Callable[[], None]:
        """Call `listener` when the sensor of a finger is lost; returns what ends that."""
        return self._listen("lost", listener)

    # -- inside

    def _listen(self, kind: str, listener: Callable[[Any], None]) -> Callable[[], None]:
        self._listeners[kind].append(listener)
        return partial(self._listeners[kind].remove, listener)

    def _next(self, kind: str, limit_s: float) -> Future[Touch]:
        future: Future[Touch] = Future(executor=self._node.executor)
        lost = [(name, finger) for name, finger in self.fingers.items() if not finger.alive]
        if lost:
            future.set_exception(SensorLostError(f"{lost[0][0]}: {lost[0][1].lost}"))
            return future
        self._waiting = [*((one, what) for one, what in self._waiting if not one.done()), (future, kind)]
        self._wait(lambda: False, lambda: f"a {kind} of {' or '.join(self.fingers)}", limit_s, future=future)
        return future

    def _wait(
        self, condition: Callable[[], bool], missing: Callable[[], str], limit_s: float, **options: Any
    ) -> Future[Any]:
        wait = Wait(self._node, condition, missing, limit_s=limit_s, still_s=self._silence_s, **options)
        self._waits = [*(one for one in self._waits if not one.ended), wait]
        return wait.future

    def _ask(self, client: Any) -> Asking:
        return Asking(client, Trigger.Request(), self._silence_s)

    def _missing(self) -> str:
        """Return what is not there yet, in words; empty if all is."""
        words = [f"{name}: {f.lost or 'taking its tare'}" for name, f in self.fingers.items() if not f.ready]
        clock = self._node.get_clock()
        if clock.ros_time_is_active and not clock.now().nanoseconds:
            words.append("no time on /clock")
        if self.grasp is None:
            words.append(f"nothing on {self.gripper}/grasp_state: check grasp_monitor")
        if not (self._holds.server_is_ready() and self._release.service_is_ready()):
            words.append(f"no {self.gripper}/hold_force and release: check grasp_controller")
        return "; ".join(words)

    def _is_tared(self, name: str, granted_s: float) -> bool:
        """Return whether a finger has come through a tare granted at a time (s)."""
        finger = self.fingers[name]
        if finger.estimate is None or not finger.ready:
            return False
        return stamp_to_seconds(finger.estimate.header.stamp) > granted_s + SHORTEST_TARE_S

    def _check_fingers(self) -> None:
        """In simulated time DDS cannot count a deadline: ask the node's clock."""
        if self._node.get_clock().ros_time_is_active:
            for finger in self.fingers.values():
                finger.check()

    def _on_grasp(self, message: GraspState) -> None:
        self.grasp = message

    def _on_event(self, finger: str, event: ContactEvent) -> None:
        if event.kind not in WORDS:
            return
        touch = touch_of(finger, event)
        self._answer(touch.kind, lambda future: future.set_result(touch))
        for listener in tuple(self._listeners[touch.kind]):
            listener(touch)

    def _on_change(self, finger: str) -> None:
        watch = self.fingers[finger]
        if watch.alive:
            return
        error = SensorLostError(f"{finger}: {watch.lost}")
        for kind in ("contact", "slip"):
            self._answer(kind, lambda future: future.set_exception(error))
        for listener in tuple(self._listeners["lost"]):
            listener(error)

    def _answer(self, kind: str, give: Callable[[Future[Any]], None]) -> None:
        """Complete everything that waits for `kind`."""
        mine = [future for future, waited in self._waiting if waited == kind]
        self._waiting = [pair for pair in self._waiting if pair[1] != kind]
        for future in mine:
            if not future.done():
                give(future)
