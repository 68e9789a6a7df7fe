"""Node `grasp_controller`: an example of grasping code, honest about being one.

It closes gently, holds, lifts, answers slip with more pressure, and lets go. It is not a product and not safety-rated.

CAUTION: a gripper driven by this node moves by itself. Keep hands and faces out of its reach, use a relief valve and a
pressure limit in the pneumatics, and expect that an object can be dropped (glass breaks) or crushed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import ContactEvent, PadEstimate
from std_msgs.msg import Float64, String
from std_srvs.srv import Trigger

from soft_tactile_node.ros import conversions, parameter_tables, qos, running
from soft_tactile_node.ros.managed_node import ManagedNode
from soft_tactile_node.ros.names import sibling
from soft_tactile_node.ros.parameters import ParameterError
from soft_tactile_node.ros.pick_sequence import HOLDING, FingerInput, Phase, PickSequence, PickSettings

FINGER_TIMEOUT_S = 0.3
"""A finger not heard for this long has lost its sensing."""

SLIDING_PROBABILITY = 0.5
"""Slip probability above which an object is taken to slide on."""

READY_STATES = (PadEstimate.STATE_FREE, PadEstimate.STATE_CONTACT, PadEstimate.STATE_HELD_ELSEWHERE)


class GraspController(ManagedNode):
    """Example controller as a lifecycle node; see the parameter table and the README for its interface."""

    def __init__(self, name: str = "grasp_controller", **options: Any) -> None:
        super().__init__(name, parameter_tables.CONTROLLER, **options)

    def configure(self) -> None:
        """Create commands, services and the clients of every finger."""
        fingers = self.setting("fingers")
        if not 1 <= len(fingers) <= 6 or len(set(fingers)) != len(fingers):
            raise ParameterError(f"parameter 'fingers' must be one to six different names; got {fingers}")
        self._fingers = fingers
        self._atmospheric_pa = self.setting("atmospheric_pressure")
        self._settings = self._read_settings()
        self._estimates: list[PadEstimate | None] = [None] * len(fingers)
        self._heard_s = [-math.inf] * len(fingers)
        self._tared_s = [math.inf] * len(fingers)
        self._asked = [False] * len(fingers)
        self._commands, self._tares = [], []
        for number, finger in enumerate(fingers):
            self._add_finger(number, sibling(self.get_namespace(), finger))
        self._lift = self.publish_on(Float64, "lift_command", qos.reliable(10))
        self._phase = self.publish_on(String, "phase", qos.reliable(1, latched=True))
        self.serve(Trigger, "pick", self._on_pick)
        self.serve(Trigger, "release", self._on_release)
        self._timer = self.call_every(1.0 / self.setting("command_rate"), self._on_time, running=False)

    def activate(self) -> None:
        """Command from now on, vented; begin with as many picks as `picks` says."""
        self._sequence = PickSequence(len(self._fingers))
        self._left = self.setting("picks")
        self._time_s = self._now_s()
        self._shown: Phase | None = None
        self._timer.reset()

    def deactivate(self) -> None:
        """Stop commanding; the valve side acts after its own timeout."""
        self._timer.cancel()

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
        )

    def _add_finger(self, number: int, namespace: str) -> None:
        self._commands.append(self.publish_on(FluidPressure, f"{namespace}/pressure_command", qos.reliable(10)))
        self.subscribe_to(
            PadEstimate, f"{namespace}/pad_estimate", partial(self._on_estimate, number), qos.reliable(10)
        )
        self.subscribe_to(
            ContactEvent, f"{namespace}/contact_events", partial(self._on_event, number), qos.reliable(50)
        )
        self._tares.append(self.call_service(Trigger, f"{namespace}/tare"))

    # -- inputs

    def _now_s(self) -> float:
        return self.get_clock().now().nanoseconds * 1e-9

    def _on_estimate(self, number: int, message: PadEstimate) -> None:
        self._estimates[number] = message
        if message.state != PadEstimate.STATE_STALE:
            self._heard_s[number] = self._now_s()

    def _on_event(self, number: int, message: ContactEvent) -> None:
        if message.kind != ContactEvent.SLIP:
            return
        if self._sequence.report_slip(self._now_s(), self._settings):
            self.get_logger().info(
                f"slip on {self._fingers[number]}: pressure to {max(self._sequence.pressures_pa) * 1e-3:.1f} kPa"
            )
            self._publish_commands()

    def _on_pick(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        if self._timer.is_canceled() or self._sequence.phase != Phase.IDLE:
            response.success = False
            response.message = "not active" if self._timer.is_canceled() else f"busy: {self._sequence.phase.value}"
            return response
        self._begin_pick()
        response.success, response.message = True, "pick begun"
        return response

    def _on_release(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        if self._sequence.phase not in (Phase.IDLE, Phase.RELEASE):
            self._sequence.give_up(self._now_s(), "released on request")
        response.success, response.message = True, self._sequence.phase.value
        return response

    # -- work

    def _begin_pick(self) -> None:
        self._tared_s = [math.inf] * len(self._fingers)
        self._sequence.start(self._now_s())
        self._ask_tares()

    def _ask_tares(self) -> None:
        """Ask every finger that has not granted its tare and is not being asked; refusals are logged."""
        for number, client in enumerate(self._tares):
            if math.isfinite(self._tared_s[number]) or self._asked[number] or not client.service_is_ready():
                continue
            self._asked[number] = True
            client.call_async(Trigger.Request()).add_done_callback(partial(self._on_tare_answer, number))

    def _on_tare_answer(self, number: int, future: Any) -> None:
        self._asked[number] = False
        answer = future.result()
        if answer.success:
            self._tared_s[number] = self._now_s()
        else:
            self.get_logger().warning(
                f"{self._fingers[number]}: tare refused: {answer.message}", throttle_duration_sec=2.0
            )

    def _on_time(self) -> None:
        now_s = self._now_s()
        elapsed_s = min(max(now_s - self._time_s, 0.0), 0.2)
        self._time_s = now_s
        if self._sequence.phase == Phase.IDLE and self._left and self._all_awake(now_s):
            self._left -= 1
            self._begin_pick()
        elif self._sequence.phase == Phase.TARE:
            self._ask_tares()
        self._watch_sensing(now_s)
        phase = self._sequence.update(now_s, elapsed_s, self._inputs(now_s), self._settings)
        if phase != self._shown:
            self._show(phase)
        self._publish_commands()

    def _all_awake(self, now_s: float) -> bool:
        """Return whether every finger is heard and has come through a tare."""
        return all(
            estimate is not None and estimate.state in READY_STATES and now_s - heard_s <= FINGER_TIMEOUT_S
            for estimate, heard_s in zip(self._estimates, self._heard_s, strict=True)
        )

    def _inputs(self, now_s: float) -> list[FingerInput]:
        inputs = []
        for number, estimate in enumerate(self._estimates):
            heard = now_s - self._heard_s[number] <= FINGER_TIMEOUT_S
            if estimate is None:
                inputs.append(FingerInput(False, False, math.nan))
                continue
            tared = conversions.stamp_to_seconds(estimate.header.stamp) > self._tared_s[number]
            ready = heard and tared and estimate.state in READY_STATES
            normal_n = estimate.wrench.force.z if heard else math.nan
            slides = heard and estimate.slip_probability > SLIDING_PROBABILITY
            inputs.append(FingerInput(ready, bool(estimate.in_contact), normal_n, slides))
        return inputs

    def _watch_sensing(self, now_s: float) -> None:
        """While holding without sensing: go on holding, or vent, as `on_fault` says."""
        if self._sequence.phase not in HOLDING:
            return
        lost = [
            f for f, heard_s in zip(self._fingers, self._heard_s, strict=True) if now_s - heard_s > FINGER_TIMEOUT_S
        ]
        if not lost:
            return
        if self.setting("on_fault") == "vent":
            self._sequence.give_up(now_s, f"sensing of {', '.join(lost)} lost")
        else:
            self.get_logger().warning(f"sensing of {', '.join(lost)} lost: holding", throttle_duration_sec=2.0)

    def _show(self, phase: Phase) -> None:
        self._shown = phase
        text = (
            f"{phase.value}: {self._sequence.outcome}"
            if phase == Phase.IDLE and self._sequence.outcome
            else phase.value
        )
        self.get_logger().info(text)
        self._phase.publish(String(data=text))

    def _publish_commands(self) -> None:
        stamp = self.get_clock().now().to_msg()
        for publisher, gauge_pa in zip(self._commands, self._sequence.pressures_pa, strict=True):
            publisher.publish(conversions.pressure_message(gauge_pa, self._atmospheric_pa, stamp, ""))
        self._lift.publish(Float64(data=float(self._sequence.lift_m)))


def main(args: Sequence[str] | None = None) -> int:
    """Run the controller in this process."""
    return running.run([GraspController], args)


if __name__ == "__main__":
    raise SystemExit(main())
