"""Node `grasp_controller`: an example of grasping code, honest about being one.

It closes gently, holds with a force, answers slip with more pressure, lifts, and lets go. It is not a product and not
safety-rated.
Read shared/docs/safety.md before something real moves.

CAUTION: a gripper driven by this node moves by itself. Keep hands and faces out of its reach, use a relief valve and a
pressure limit in the pneumatics, and expect that an object can be dropped (glass breaks) or crushed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

from soft_tactile_msgs.msg import ContactEvent, GraspState, PadEstimate, PressureCommand, ValveStatus
from std_msgs.msg import Float64, String
from std_srvs.srv import Trigger

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.hold_sequence import HoldGoal, HoldSequence, Outcome, Step
from soft_tactile_node.grasp.pick_sequence import HOLDING, FingerInput, Phase, PickSequence, PickSettings
from soft_tactile_node.ros.gripper.hold_action import HoldActions, Host
from soft_tactile_node.ros.hand.finger_watch import READY_STATES, FingerWatch
from soft_tactile_node.ros.parameters.gripper import CONTROLLER
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.running.awaiting import AGAIN_S, real_s
from soft_tactile_node.ros.running.managed_node import ManagedNode, is_simulated
from soft_tactile_node.ros.running.pressure_owner import PressureOwner
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.ros.wire.names import sibling

SLIDING_PROBABILITY = 0.5
"""Slip probability above which an object is taken to slide on."""

LAST_WORD_S = 0.5
"""The vented command is repeated for so long at the end of a job (s of real time); then the lease is given back."""

MOST_STEP_S = 0.2
"""Longest time that one step of a sequence may stand for (s): a clock that jumps moves nothing."""


class GraspController(ManagedNode):
    """Example controller as a lifecycle node; its interface: shared/docs/reference/topics.md."""

    def __init__(self, name: str = "grasp_controller", **options: Any) -> None:
        super().__init__(name, CONTROLLER, **options)

    # -- lifecycle

    def configure(self) -> None:
        """Create commands, services, actions and the watch of every finger."""
        fingers = self.setting("fingers")
        if not 1 <= len(fingers) <= 6 or len(set(fingers)) != len(fingers):
            raise ParameterError(f"parameter 'fingers' must be one to six different names; got {fingers}")
        self._names = fingers
        self._settings = self._read_settings()
        self._paced = self.setting("pace") == "estimates"
        self._pick, self._hold = PickSequence(len(fingers)), HoldSequence(len(fingers))
        self._tared_s = [math.inf] * len(fingers)
        self._asked: list[float | None] = [None] * len(fingers)  # when, in real time
        self._slipped = ""
        self._lift_told_m = 0.0
        self._busy_s = -math.inf
        self._step_stamp_s = -math.inf
        self._owners: list[PressureOwner] = []
        self._tares: list[Any] = []
        self._watches: list[FingerWatch] = []
        for number, finger in enumerate(fingers):
            self._add_finger(number, sibling(self.get_namespace(), finger))
        self._lift = self.publish_on(Float64, "lift_command", qos.reliable(10))
        self._phase = self.publish_on(String, "phase", qos.reliable(1, latched=True, alive=True))
        self.serve(Trigger, "pick", self._on_pick)
        self.serve(Trigger, "release", self._on_release)
        self.subscribe_to(GraspState, "grasp_state", self._on_grasp, qos.reliable(1, latched=True))
        host = Host(
            self._all_heard, self._begin_hold, self._let_go, self._limits, self._normal_n,
            lambda: self.setting("open_position"),
        )  # fmt: skip
        self._actions = HoldActions(self, self._hold, host)
        self._timer = self.call_every(1.0 / self.setting("command_rate"), self._on_time, running=False)

    def activate(self) -> None:
        """Begin with as many picks as `picks` says; idle, nothing is commanded."""
        self._left = self.setting("picks")
        self._time_s = self._now_s()
        self._shown = ""
        if not self._paced:
            self._timer.reset()

    def deactivate(self) -> None:
        """Stop commanding; the valve side acts after its own timeout."""
        self._timer.cancel()
        self._hold.end(Outcome.CANCELLED, "the controller was deactivated", self._now_s(), release=False)
        self._actions.look()

    def parameters_changed(self, _names: Sequence[str]) -> None:
        """Take up new settings, also in the middle of a pick."""
        self._settings = self._read_settings()

    def _read_settings(self) -> PickSettings:
        return PickSettings(
            closing_speed_pa_s=self.setting("closing_speed"),
            grip_force_n=self.setting("grip_force"),
            max_force_n=self.setting("max_force"),
            max_pressure_pa=self.setting("max_pressure"),
            slip_step_pa=self.setting("slip_step"),
            slip_speed_pa_s=self.setting("slip_speed"),
            hold_time_s=self.setting("hold_time"),
            lift_height_m=self.setting("lift_height"),
            lift_speed_m_s=self.setting("lift_speed"),
            carry_time_s=self.setting("carry_time"),
            vent_speed_pa_s=self.setting("vent_speed"),
            regulation_pa_n_s=self.setting("regulation"),
        )

    def _add_finger(self, number: int, namespace: str) -> None:
        command = self.publish_on(PressureCommand, f"{namespace}/pressure_command", qos.reliable(10))
        owner = PressureOwner(self, command, simulated=is_simulated(self))
        self.subscribe_to(ValveStatus, f"{namespace}/valve_status", owner.hear, qos.reliable(1, latched=True))
        self._owners.append(owner)
        watch = FingerWatch(
            self, namespace, self.setting("finger_timeout"), qos_overrides=True,
            on_estimate=self._on_estimate, on_event=partial(self._on_event, number), on_change=self._on_change,
        )  # fmt: skip
        self._watches.append(self.keep(watch, FingerWatch.close))
        self._tares.append(self.call_service(Trigger, f"{namespace}/tare"))

    # -- inputs

    def _now_s(self) -> float:
        """Return the time to go by (s): of the node's clock, or of the estimates where they set the pace."""
        if self._paced and math.isfinite(self._step_stamp_s):
            return self._step_stamp_s
        return conversions.clock_s(self)

    def _on_grasp(self, message: GraspState) -> None:
        self._actions.grasp = message

    def _on_estimate(self, _message: PadEstimate) -> None:
        """Where estimates set the pace: step once every finger has told its part of the same scan."""
        estimates = [watch.estimate for watch in self._watches if watch.estimate is not None]
        stamps = {conversions.stamp_to_seconds(estimate.header.stamp) for estimate in estimates}
        if not self._paced or not self.active or len(estimates) < len(self._watches) or len(stamps) != 1:
            return
        if stamps != {self._step_stamp_s}:
            self._step_stamp_s = stamps.pop()
            self._on_time()
        elif any(self._asked):
            self._ask_tares()
        else:
            self._publish_commands()  # estimates come again where their answer was lost

    def _on_event(self, number: int, message: ContactEvent) -> None:
        if message.kind == ContactEvent.SLIP:
            self._slipped = self._names[number]
            if self.active and not self._paced and self._answer_slip():
                self._publish_commands()

    def _on_change(self) -> None:
        if self.active and not self._paced:
            self._watch_sensing(self._now_s())

    def _answer_slip(self) -> bool:
        """Raise the pressure for a slip that was reported since the last time; returns whether it was raised."""
        finger, self._slipped = self._slipped, ""
        job = self._hold if self._hold.step != Step.IDLE else self._pick
        if not finger or not job.report_slip(self._now_s(), self._settings):
            return False
        self.get_logger().info(f"slip on {finger}: pressure to {max(job.pressures_pa) * 1e-3:.1f} kPa")
        return True

    # -- what is asked

    def _on_pick(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        refused = self._what_is_in_the_way()
        if not refused:
            self._begin_pick()
        response.success, response.message = not refused, refused or "pick begun"
        return response

    def _on_release(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        self._let_go("released on request")
        response.success, response.message = True, self._doing()
        return response

    def _what_is_in_the_way(self) -> str:
        if not self.active:
            return "not active"
        if not self._is_idle:
            return f"busy: {self._doing()}"
        return "; ".join(filter(None, (owner.in_the_way() for owner in self._owners)))

    @property
    def _is_idle(self) -> bool:
        return self._pick.phase == Phase.IDLE and self._hold.step == Step.IDLE

    def _begin_pick(self) -> None:
        self._tared_s = [math.inf] * len(self._names)
        self._pick.start(self._now_s())

    def _all_heard(self) -> bool:
        return not self.active or all(watch.estimate is not None for watch in self._watches)

    def _begin_hold(self, goal: HoldGoal) -> None:
        goal.check()
        most = self._limits()
        if goal.max_normal_n > most.max_normal_n or goal.max_pressure_pa > most.max_pressure_pa:
            raise RangeError(
                f"the goal must stay within max_force {most.max_normal_n:g} N "
                f"and max_pressure {most.max_pressure_pa:g} Pa"
            )
        if not (self._hold.holds and not self._hold.under_way):  # a new goal may take over what an earlier one holds
            refused = self._what_is_in_the_way()
            if refused:
                raise RangeError(refused)
        for watch in self._watches:
            if not (watch.check() and watch.ready):
                raise RangeError(f"{watch.name} is not ready: {watch.lost or 'taking its tare'}")
        now_s = self._now_s()
        self._hold.start(now_s, goal, self._inputs())

    def _let_go(self, reason: str, outcome: Outcome = Outcome.CANCELLED) -> None:
        now_s = self._now_s()
        if self._pick.phase not in (Phase.IDLE, Phase.RELEASE):
            self._pick.give_up(now_s, reason)
        if self._hold.step not in (Step.IDLE, Step.RELEASE):
            self._hold.end(outcome, reason, now_s, release=True)

    def _limits(self) -> HoldGoal:
        return HoldGoal(self._settings.grip_force_n, self._settings.max_force_n, self._settings.max_pressure_pa)

    def _normal_n(self) -> list[float]:
        return [watch.normal_n for watch in self._watches]

    # -- work

    def _ask_tares(self) -> None:
        """Ask every finger that has not granted its tare and is not being asked; refusals are logged."""
        for number, client in enumerate(self._tares):
            asked_s = self._asked[number]
            under_way = asked_s is not None and real_s() - asked_s < AGAIN_S
            if math.isfinite(self._tared_s[number]) or under_way or not client.service_is_ready():
                continue
            self._asked[number] = real_s()
            client.call_async(Trigger.Request()).add_done_callback(partial(self._on_tare_answer, number))

    def _on_tare_answer(self, number: int, future: Any) -> None:
        answer = future.result()
        if self._asked[number] is None:
            return  # answered twice, for it was asked twice
        self._asked[number] = None
        if answer.success:
            self._tared_s[number] = self._now_s()
        else:
            self.get_logger().warning(
                f"{self._names[number]}: tare refused: {answer.message}", throttle_duration_sec=2.0
            )
        if self._paced and self.active and not any(self._asked):
            self._advance()

    def _on_time(self) -> None:
        if self._is_idle and self._left and self._all_ready():
            if refused := self._what_is_in_the_way():
                self.get_logger().warning(f"no pick: {refused}", throttle_duration_sec=5.0)
            else:
                self._left -= 1
                self._begin_pick()
        if self._pick.phase == Phase.TARE:
            self._ask_tares()
            if self._paced and any(self._asked):
                return  # the answers belong to this step
        self._advance()

    def _advance(self) -> None:
        now_s = self._now_s()
        elapsed_s = min(max(now_s - self._time_s, 0.0), MOST_STEP_S)
        self._time_s = now_s
        self._watch_valves()
        self._watch_sensing(now_s)
        self._answer_slip()
        inputs = self._inputs()
        self._pick.update(now_s, elapsed_s, inputs, self._settings)
        self._hold.update(now_s, elapsed_s, inputs, self._settings)
        self._actions.look()
        self._show()
        self._publish_commands()

    def _all_ready(self) -> bool:
        return all(watch.check() and watch.ready for watch in self._watches)

    def _inputs(self) -> list[FingerInput]:
        inputs = []
        for number, watch in enumerate(self._watches):
            estimate = watch.estimate
            if estimate is None:
                inputs.append(FingerInput(False, False, math.nan))
                continue
            tared = conversions.stamp_to_seconds(estimate.header.stamp) > self._tared_s[number]
            ready = watch.alive and tared and estimate.state in READY_STATES
            slides = watch.alive and estimate.slip_probability > SLIDING_PROBABILITY
            inputs.append(FingerInput(ready, watch.in_contact, watch.normal_n, slides))
        return inputs

    def _watch_valves(self) -> None:
        """End what is under way where a valve does not obey."""
        if reason := next(filter(None, (owner.trouble() for owner in self._owners)), ""):
            self._let_go(reason, Outcome.REFUSED)

    def _watch_sensing(self, now_s: float) -> None:
        """While something is held without sensing: go on holding, or vent, as `on_fault` says."""
        lost = [f"{watch.name} ({watch.lost})" for watch in self._watches if not watch.check()]
        holding = self._hold.step in (Step.CLOSE, Step.SQUEEZE, Step.KEEP)
        if not lost or not (holding or self._pick.phase in HOLDING):
            return
        reason = f"sensing lost: {', '.join(lost)}"
        vents = self.setting("on_fault") == "vent"
        if self._pick.phase in HOLDING and vents:
            self._pick.give_up(now_s, reason)
        if holding and vents:
            self._hold.end(Outcome.SENSING_LOST, f"{reason}: vented", now_s, release=True)
        elif holding:
            self._hold.freeze(f"{reason}: holding at the last pressure", now_s)
        self._actions.look()
        self.get_logger().warning(f"{reason}: {'venting' if vents else 'holding'}", throttle_duration_sec=2.0)

    # -- outputs

    def _doing(self) -> str:
        if self._hold.step != Step.IDLE:
            return f"hold_force {self._hold.step.value}"
        return self._pick.phase.value

    def _show(self) -> None:
        text = self._doing()
        if text == Phase.IDLE.value and self._pick.outcome:
            text = f"{text}: {self._pick.outcome}"
        if text != self._shown:
            self._shown = text
            self.get_logger().info(text)
            self._phase.publish(String(data=text))

    def _publish_commands(self) -> None:
        job = self._hold if self._hold.step != Step.IDLE else self._pick
        stamp = conversions.seconds_to_stamp(self._now_s())
        if self._pick.phase != Phase.IDLE or self._pick.lift_m != self._lift_told_m:  # else the arm is somebody else's
            self._lift_told_m = self._pick.lift_m
            self._lift.publish(Float64(data=float(self._pick.lift_m)))
        self._busy_s = self._busy_s if self._is_idle else real_s()
        idle = real_s() - self._busy_s > LAST_WORD_S and not self._paced  # else each scan waits for its commands
        for owner, gauge_pa in zip(self._owners, job.pressures_pa, strict=True):
            if idle:
                owner.give_back(stamp)
            else:
                owner.command(gauge_pa, stamp)


def main(args: Sequence[str] | None = None) -> int:
    """Run the controller in this process."""
    return process.run([GraspController], args)


if __name__ == "__main__":
    raise SystemExit(main())
