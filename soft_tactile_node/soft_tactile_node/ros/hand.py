"""A gripper in the hands of grasping code: await a touch, hold with a force, hear of slips and of dead sensors."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rclpy.action import ActionClient
from rclpy.node import Node
from rclpy.task import Future
from soft_tactile_msgs.action import HoldForce
from soft_tactile_msgs.msg import ContactEvent, GraspState
from std_srvs.srv import Trigger

from soft_tactile_node.errors import SensorLostError, SoftTactileError
from soft_tactile_node.ros import qos
from soft_tactile_node.ros.conversions import stamp_to_seconds
from soft_tactile_node.ros.finger_watch import FingerWatch
from soft_tactile_node.ros.hold import Hold
from soft_tactile_node.ros.names import sibling
from soft_tactile_node.ros.simulated_time import REAL_TIME

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Touch:
    """A touch or a slip that a finger has reported.

    Attributes
    ----------
    finger : str
        Which finger.
    kind : str
        As in ContactEvent: "contact" or "slip".
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
        finger, event.kind, stamp_to_seconds(event.header.stamp), stamp_to_seconds(event.onset) if known else math.nan,
        np.array([force.x, force.y, force.z]), float(event.probability),
    )  # fmt: skip


class Hand:
    """Fingers and controller of one gripper, for use from any rclpy node.

    Everything that takes time gives a `rclpy.task.Future`: `await` it in a coroutine run by the node's executor, or
    wait for it with `rclpy.spin_until_future_complete`. Nothing here spins or blocks.

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
    """

    def __init__(
        self,
        node: Node,
        fingers: Sequence[str] = ("left_finger", "right_finger"),
        gripper: str = "/gripper",
        *,
        deadline_s: float = 0.3,
    ) -> None:
        self._node = node
        self.gripper = gripper
        self.grasp: GraspState | None = None
        self._listeners: dict[str, list[Callable[[Any], None]]] = {"contact": [], "slip": [], "lost": []}
        self._waiting: list[tuple[Future[Any], Any]] = []
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
        self._holds = ActionClient(node, HoldForce, f"{gripper}/hold_force")
        self._tares = [node.create_client(Trigger, f"{sibling(gripper, name)}/tare") for name in fingers]
        self._release = node.create_client(Trigger, f"{gripper}/release")

    def close(self) -> None:
        """Let go of everything made on the node; what is still awaited is cancelled."""
        for future, _ in self._waiting:
            future.cancel()
        self._waiting.clear()
        for finger in self.fingers.values():
            finger.close()
        self._node.destroy_subscription(self._state)
        for client in (*self._tares, self._release):
            self._node.destroy_client(client)
        self._holds.destroy()

    # -- await

    def ready(self) -> Future[None]:
        """Return a future that is done when every finger tells forces and the controller is there."""

        def is_ready() -> bool:
            there = self._holds.server_is_ready() and self._release.service_is_ready()
            return there and self.grasp is not None and all(finger.ready for finger in self.fingers.values())

        return self._poll(is_ready)

    def first_contact(self) -> Future[Touch]:
        """Return a future of the next touch of any finger.

        Returns
        -------
        rclpy.task.Future
            Of a Touch; fails with SensorLostError as soon as the sensor of a finger is lost.
        """
        return self._next("contact")

    def next_slip(self) -> Future[Touch]:
        """Return a future of the next slip on any finger; fails with SensorLostError like `first_contact`."""
        return self._next("slip")

    def tare(self) -> Future[None]:
        """Return a future that is done when every finger has granted a new tare and come through it.

        Returns
        -------
        rclpy.task.Future
            Fails with SoftTactileError if a finger refuses; the text says why.
        """
        done: Future[None] = Future(executor=self._node.executor)
        granted_s: list[float] = []

        def on_answer(name: str, answered: Future[Any]) -> None:
            answer = answered.result()
            if not answer.success and not done.done():
                done.set_exception(SoftTactileError(f"{name}: tare refused: {answer.message}"))
            granted_s.append(float(self._node.get_clock().now().nanoseconds) * 1e-9)

        for name, client in zip(self.fingers, self._tares, strict=True):
            client.call_async(Trigger.Request()).add_done_callback(partial(on_answer, name))

        def tared() -> bool:
            return len(granted_s) == len(self.fingers) and all(
                finger.ready and finger.estimate is not None
                and stamp_to_seconds(finger.estimate.header.stamp) > max(granted_s)
                for finger in self.fingers.values()
            )  # fmt: skip

        self._poll(tared, done)
        return done

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
            Most that the answer to a slip may raise it to (N); NaN = the controller's limit.
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
        return Hold(self._node, self._holds, goal)

    def release(self) -> Future[None]:
        """Have the controller let go; done when no finger touches any more."""
        done: Future[None] = Future(executor=self._node.executor)
        asked = self._release.call_async(Trigger.Request())
        self._poll(lambda: asked.done() and not any(finger.in_contact for finger in self.fingers.values()), done)
        return done

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

    def _next(self, kind: str) -> Future[Touch]:
        future: Future[Touch] = Future(executor=self._node.executor)
        lost = [(name, finger) for name, finger in self.fingers.items() if not finger.alive]
        if lost:
            future.set_exception(SensorLostError(f"{lost[0][0]}: {lost[0][1].lost}"))
            return future
        self._waiting.append((future, kind))
        return future

    def _poll(self, condition: Callable[[], bool], future: Future[None] | None = None) -> Future[None]:
        """Return a future that is done when a condition holds; looked at 50 times a second of real time."""
        made: Future[None] = Future(executor=self._node.executor) if future is None else future

        def look() -> None:
            if made.done() or made.cancelled() or condition():
                self._node.destroy_timer(timer)
                if not (made.done() or made.cancelled()):
                    made.set_result(None)

        timer = self._node.create_timer(0.02, look, clock=REAL_TIME)
        return made

    def _on_grasp(self, message: GraspState) -> None:
        self.grasp = message

    def _on_event(self, finger: str, event: ContactEvent) -> None:
        if event.kind not in self._listeners:
            return
        touch = touch_of(finger, event)
        self._answer(event.kind, lambda future: future.set_result(touch))
        for listener in tuple(self._listeners[event.kind]):
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
