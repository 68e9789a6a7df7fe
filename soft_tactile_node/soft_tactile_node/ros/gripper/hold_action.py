"""The action servers of the example controller: `hold_force`, and `gripper_cmd` where control_msgs is installed."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rclpy.action import ActionServer, CancelResponse
from rclpy.task import Future
from soft_tactile_msgs.action import HoldForce
from soft_tactile_msgs.msg import GraspState

from soft_tactile_node.errors import NoAnswerError, RangeError
from soft_tactile_node.grasp.hold_sequence import HoldGoal, HoldSequence, Outcome, Step
from soft_tactile_node.ros.gripper import gripper_command
from soft_tactile_node.ros.running.awaiting import REAL_TIME, Wait
from soft_tactile_node.ros.running.managed_node import ManagedNode

HEAR_S = 5.0
"""A goal waits this long for a finger that was never heard (s of real time): grasping code may have met it sooner."""

STATES = {
    Step.IDLE: GraspState.OPEN,
    Step.CLOSE: GraspState.CLOSING,
    Step.SQUEEZE: GraspState.TOUCHING,
    Step.KEEP: GraspState.HOLDING,
    Step.RELEASE: GraspState.OPEN,
}
"""State of the grasp that belongs to a step of a hold, until the monitor says better."""


@dataclass(frozen=True)
class Host:
    """What the actions need of the controller.

    Attributes
    ----------
    heard : callable
        Returns whether every finger has been heard once, or nothing is worth waiting for.
    begin : callable
        Takes a HoldGoal; starts the hold or raises RangeError with what is in the way.
    let_go : callable
        Takes a reason; ends what is under way and vents.
    limits : callable
        Returns the force of a hold by default and the controller's limits.
    normal_n : callable
        Returns the newest normal force of each finger (N).
    open_m : callable
        Returns the width from which on gripper_cmd means: open (m).
    """

    heard: Callable[[], bool]
    begin: Callable[[HoldGoal], None]
    let_go: Callable[[str], None]
    limits: Callable[[], HoldGoal]
    normal_n: Callable[[], list[float]]
    open_m: Callable[[], float]


class HoldActions:
    """Serves holds, one at a time; the controller steps the sequence.

    Parameters
    ----------
    node : ManagedNode
        The controller.
    sequence : HoldSequence
        Stepped by the controller.
    host : Host
        What the controller does for the actions.
    """

    def __init__(self, node: ManagedNode, sequence: HoldSequence, host: Host) -> None:
        self._node, self._sequence, self._host = node, sequence, host
        self._ended: Future[None] | None = None
        self._handle: Any = None
        self._busy = False
        self._feedback: Callable[[], Any] = HoldForce.Feedback
        self.grasp: GraspState | None = None
        self._serve(HoldForce, "hold_force", self._do_hold)
        if gripper_command.available():
            self._serve(gripper_command.GripperCommand, "gripper_cmd", self._do_command)
        else:
            node.get_logger().info(gripper_command.WHY_NOT)

    def _serve(self, action: Any, name: str, execute: Any) -> None:
        server = ActionServer(self._node, action, name, execute, cancel_callback=lambda _handle: CancelResponse.ACCEPT)
        self._node.keep(server, ActionServer.destroy)

    # -- called by the controller

    def look(self) -> None:
        """Give feedback and notice a cancel or the end; to be called after each step of the sequence."""
        if self._ended is None or self._ended.done():
            return
        if self._handle.is_cancel_requested and self._sequence.under_way:
            self._host.let_go("cancelled by the caller")
        if not self._sequence.under_way:
            self._ended.set_result(None)
            return
        self._handle.publish_feedback(self._feedback())

    # -- hold_force

    async def _do_hold(self, handle: Any) -> HoldForce.Result:
        request = handle.request
        limits = self._host.limits()
        goal = HoldGoal(
            request.normal_force,
            _or(request.max_normal_force, max(limits.max_normal_n, request.normal_force)),
            _or(request.max_pressure, limits.max_pressure_pa),
            request.duration,
            request.release,
        )
        refused = await self._run(handle, goal, self._hold_feedback)
        if refused:
            return HoldForce.Result(
                outcome=Outcome.REFUSED.value, message=refused, width=math.nan,
                normal_force=[math.nan] * len(self._sequence.pressures_pa),
            )  # fmt: skip
        sequence = self._sequence
        assert sequence.outcome is not None  # the run has ended
        return HoldForce.Result(
            outcome=sequence.outcome.value, message=sequence.message, slips=sequence.slips, width=self._width_m(),
            normal_force=[float(value) for value in sequence.mean_normal_n()],
        )  # fmt: skip

    def _hold_feedback(self) -> HoldForce.Feedback:
        sequence = self._sequence
        state = STATES[sequence.step]
        if self.grasp is not None and sequence.holds:
            state = self.grasp.state
        return HoldForce.Feedback(
            state=state, target_normal_force=float(sequence.target_n), held_time=float(sequence.held_s),
            pressure_command=[float(value) for value in sequence.pressures_pa],
            normal_force=[float(value) for value in self._host.normal_n()],
        )  # fmt: skip

    # -- gripper_cmd

    async def _do_command(self, handle: Any) -> Any:
        result = gripper_command.GripperCommand.Result()
        command = handle.request.command
        try:
            goal = gripper_command.wish_of(command, self._host.open_m(), self._host.limits())
        except RangeError as error:
            self._node.get_logger().error(f"gripper_cmd: {error}")
            handle.abort()
            return gripper_command.fill(result, math.nan, math.nan, holding=False, reached=False)
        if goal is None:
            self._host.let_go("opened by gripper_cmd")
            handle.succeed()
            return gripper_command.fill(result, math.nan, 0.0, holding=False, reached=True)
        refused = await self._run(handle, goal, self._command_feedback)
        if refused:
            self._node.get_logger().error(f"gripper_cmd: {refused}")
        holding = not refused and self._sequence.outcome == Outcome.HELD
        return gripper_command.fill(
            result, self._width_m(), _mean(self._sequence.mean_normal_n()), holding=holding,
            reached=holding and not self._width_m() > command.position,
        )  # fmt: skip

    def _command_feedback(self) -> Any:
        return gripper_command.fill(
            gripper_command.GripperCommand.Feedback(), self._width_m(), _mean(self._host.normal_n()),
            holding=self._sequence.step == Step.KEEP, reached=False,
        )  # fmt: skip

    # -- both

    async def _run(self, handle: Any, goal: HoldGoal, feedback: Callable[[], Any]) -> str:
        """Run one hold to its end and give the goal its state; returns why it was refused, or nothing."""
        if self._busy:
            handle.abort()
            return "busy: another goal is under way"
        self._busy = True
        try:
            await self._hear(handle)
            if handle.is_cancel_requested:
                handle.canceled()
                return "cancelled before it began"
            self._host.begin(goal)
            self._ended, self._handle, self._feedback = Future(executor=self._node.executor), handle, feedback
            await self._ended
        except RangeError as error:
            handle.abort()
            return str(error)
        finally:
            self._ended = None
            self._busy = False
        if self._sequence.outcome == Outcome.HELD:
            handle.succeed()
        elif handle.is_cancel_requested:
            handle.canceled()
        else:
            handle.abort()
        return ""

    async def _hear(self, handle: Any) -> None:
        """Wait, bounded, until every finger was heard; what is still missing then is refused."""
        if self._host.heard():
            return
        heard = Wait(
            self._node, lambda: handle.is_cancel_requested or self._host.heard(), lambda: "fingers", limit_s=HEAR_S,
            still_s=HEAR_S, clock=REAL_TIME,
        )  # fmt: skip
        with contextlib.suppress(NoAnswerError):
            await heard.future

    def _width_m(self) -> float:
        return math.nan if self.grasp is None else float(self.grasp.width)


def _or(value: float, otherwise: float) -> float:
    return otherwise if math.isnan(value) else value


def _mean(values: list[float]) -> float:
    known = [value for value in values if math.isfinite(value)]
    return sum(known) / len(known) if known else math.nan
