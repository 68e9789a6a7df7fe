"""One `hold_force` goal as its caller sees it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from rclpy.action import ActionClient
from rclpy.node import Node
from rclpy.task import Future
from soft_tactile_msgs.action import HoldForce

from soft_tactile_node.ros.hand.controller_watch import ControllerWatch
from soft_tactile_node.ros.running.awaiting import AGAIN_S, REAL_TIME, real_s

LOOK_S = 0.1
"""How often a hold looks whether its controller is still there (s of real time)."""

OUTCOMES = {
    HoldForce.Result.HELD: "held",
    HoldForce.Result.NO_CONTACT: "no contact",
    HoldForce.Result.LOST: "lost",
    HoldForce.Result.SENSING_LOST: "sensing lost",
    HoldForce.Result.CANCELLED: "cancelled",
    HoldForce.Result.REFUSED: "refused",
}
"""Outcome of a hold, in words."""


@dataclass(frozen=True)
class HoldResult:
    """How a hold ended.

    Attributes
    ----------
    outcome : str
        "held", "no contact", "lost", "sensing lost", "cancelled", "refused", or "no answer": the controller is not
        there, or has fallen silent, and what it does now is not known.
    message : str
        One sentence for a person.
    normal_n : tuple of float
        Mean normal force of each finger while held (N); NaN = never held.
    slips : int
        Slips that were reacted to.
    width_m : float
        Width of the object (m); NaN = not known.
    """

    outcome: str
    message: str
    normal_n: tuple[float, ...]
    slips: int
    width_m: float


class Hold:
    """A hold under way.

    Parameters
    ----------
    node : rclpy.node.Node
        Node of the caller.
    client : rclpy.action.ActionClient
        Client of the action.
    name : str
        Name of the action, for messages.
    goal : soft_tactile_msgs.action.HoldForce.Goal
        What is asked for; sent as soon as the action is there.
    controller : ControllerWatch
        Knows whether it has died.
    silence_s : float
        Longest time without a word of the controller (s of real time): no answer to goal or cancel, no feedback.

    Attributes
    ----------
    held : rclpy.task.Future
        Done with True when the object is held for the first time, with False if the hold ended without.
    result : rclpy.task.Future
        Of the HoldResult; always comes: "no answer" within a second of the controller's death, and at the latest
        `silence_s` after its last word.
    feedback : soft_tactile_msgs.action.HoldForce.Feedback or None
        The newest.
    """

    def __init__(
        self, node: Node, client: ActionClient, name: str, goal: HoldForce.Goal,
        controller: ControllerWatch, silence_s: float,
    ) -> None:  # fmt: skip
        self.held: Future[bool] = Future(executor=node.executor)
        self.result: Future[HoldResult] = Future(executor=node.executor)
        self.feedback: HoldForce.Feedback | None = None
        self._node, self._client, self._name, self._goal = node, client, name, goal
        self._controller, self._silence_s = controller, silence_s
        self._handle: Any = None
        self._sent = False
        self._heard_s = real_s()
        self._cancel_s: float | None = None  # when a cancel was first wanted
        self._cancelled_s: float | None = None  # when it was last asked for
        self._timer = node.create_timer(LOOK_S, self._look, clock=REAL_TIME)
        self._send()

    def cancel(self) -> Future[HoldResult]:
        """Have the controller let go; returns the future of the result."""
        if self._cancel_s is None:
            self._cancel_s = real_s()
        self._ask_cancel()
        return self.result

    def close(self) -> None:
        """Follow it no more; what is still awaited is cancelled. The controller goes on."""
        if self._timer is not None:
            self._node.destroy_timer(self._timer)
            self._timer = None
        for future in (self.held, self.result):
            if not future.done():
                future.cancel()

    # -- inside

    def _send(self) -> None:
        if not self._sent and self._client.server_is_ready():
            self._sent = True
            sent = self._client.send_goal_async(self._goal, feedback_callback=self._on_feedback)
            sent.add_done_callback(self._on_accepted)

    def _ask_cancel(self) -> None:
        """Ask for the cancel that is wanted, again where nothing came of it."""
        now_s = real_s()
        due = self._cancelled_s is None or now_s - self._cancelled_s > AGAIN_S
        if self._cancel_s is not None and self._handle is not None and due and not self.result.done():
            self._cancelled_s = now_s
            self._handle.cancel_goal_async()

    def _look(self) -> None:
        if self.result.done():
            self.close()
            return
        self._send()
        self._ask_cancel()
        silent = real_s() - self._heard_s > self._silence_s
        deaf = self._cancel_s is not None and real_s() - self._cancel_s > self._silence_s
        dead = self._sent and self._controller.died_after(self._heard_s)
        if dead:
            self._end_unknown("has died: its valves vent or hold when their lease ends; check grasp_controller")
        elif silent or deaf:
            self._give_up(deaf)

    def _give_up(self, deaf: bool) -> None:
        if not self._sent:
            what = "is not there: check that grasp_controller runs and is configured"
        elif self._handle is None:
            what = "does not answer the goal and may act on it all the same: release() lets go"
        elif deaf:
            what = "does not end a hold that was cancelled: release() lets go"
        else:
            what = "has fallen silent and may hold on: check grasp_controller; release() lets go"
        self._end_unknown(f"{what} (waited {self._silence_s:g} s)")

    def _end_unknown(self, what: str) -> None:
        self._end(HoldResult("no answer", f"{self._name} {what}", (), 0, math.nan))

    def _on_accepted(self, answered: Future[Any]) -> None:
        self._heard_s = real_s()
        self._handle = answered.result()
        if not self._handle.accepted:
            self._end(HoldResult("refused", "the controller did not take the goal: is it active?", (), 0, math.nan))
            return
        self._handle.get_result_async().add_done_callback(self._on_result)
        self._ask_cancel()

    def _on_feedback(self, message: Any) -> None:
        self._heard_s = real_s()
        self.feedback = message.feedback
        if message.feedback.held_time > 0.0 and not self._is_over(self.held):
            self.held.set_result(True)

    def _on_result(self, answered: Future[Any]) -> None:
        result = answered.result().result
        self._end(
            HoldResult(
                OUTCOMES[result.outcome],
                result.message,
                tuple(result.normal_force),
                int(result.slips),
                float(result.width),
            )
        )

    def _end(self, result: HoldResult) -> None:
        if not self._is_over(self.held):
            self.held.set_result(result.outcome == "held")
        if not self._is_over(self.result):
            self.result.set_result(result)

    @staticmethod
    def _is_over(future: Future[Any]) -> bool:
        return bool(future.done() or future.cancelled())
