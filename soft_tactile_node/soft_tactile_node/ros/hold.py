"""One `hold_force` goal as its caller sees it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from rclpy.action import ActionClient
from rclpy.node import Node
from rclpy.task import Future
from soft_tactile_msgs.action import HoldForce

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
        "held", "no contact", "lost", "sensing lost", "cancelled" or "refused".
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
    goal : soft_tactile_msgs.action.HoldForce.Goal
        What is asked for.

    Attributes
    ----------
    held : rclpy.task.Future
        Done with True when the object is held for the first time, with False if the hold ended without.
    result : rclpy.task.Future
        Of the HoldResult.
    feedback : soft_tactile_msgs.action.HoldForce.Feedback or None
        The newest.
    """

    def __init__(self, node: Node, client: ActionClient, goal: HoldForce.Goal) -> None:
        self.held: Future[bool] = Future(executor=node.executor)
        self.result: Future[HoldResult] = Future(executor=node.executor)
        self.feedback: HoldForce.Feedback | None = None
        self._handle: Any = None
        self._cancel_wanted = False
        client.send_goal_async(goal, feedback_callback=self._on_feedback).add_done_callback(self._on_accepted)

    def cancel(self) -> Future[HoldResult]:
        """Have the controller let go; returns the future of the result."""
        self._cancel_wanted = True
        if self._handle is not None:
            self._handle.cancel_goal_async()
        return self.result

    def _on_accepted(self, answered: Future[Any]) -> None:
        self._handle = answered.result()
        if not self._handle.accepted:
            self._end(HoldResult("refused", "the controller did not take the goal: is it active?", (), 0, math.nan))
            return
        self._handle.get_result_async().add_done_callback(self._on_result)
        if self._cancel_wanted:
            self._handle.cancel_goal_async()

    def _on_feedback(self, message: Any) -> None:
        self.feedback = message.feedback
        if message.feedback.held_time > 0.0 and not self.held.done():
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
        if not self.held.done():
            self.held.set_result(result.outcome == "held")
        self.result.set_result(result)
