"""One pick of the example controller: close gently, squeeze, lift, carry, lower, let go. No middleware, no clock.

An example, not a product: it shows how grasping code can use contact and slip, and nothing in it is safety-rated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum


class Phase(str, Enum):
    """What the controller is doing."""

    IDLE = "idle"
    TARE = "tare"
    CLOSE = "close"
    SQUEEZE = "squeeze"
    HOLD = "hold"
    LIFT = "lift"
    CARRY = "carry"
    LOWER = "lower"
    RELEASE = "release"


HOLDING = (Phase.SQUEEZE, Phase.HOLD, Phase.LIFT, Phase.CARRY, Phase.LOWER)
"""Phases in which an object is held."""


@dataclass(frozen=True)
class PickSettings:
    """How to pick; see the parameters of the controller for the meaning of each (SI units, gauge pressure)."""

    closing_speed_pa_s: float
    grip_force_n: float
    max_force_n: float
    max_pressure_pa: float
    slip_step_pa: float
    slip_speed_pa_s: float
    hold_time_s: float
    lift_height_m: float
    lift_speed_m_s: float
    carry_time_s: float
    vent_speed_pa_s: float = 2e5
    regulation_pa_n_s: float = 5e4
    tare_limit_s: float = 8.0
    close_limit_s: float = 15.0
    release_limit_s: float = 6.0
    slip_pause_s: float = 0.12
    slip_memory_s: float = 0.3


@dataclass(frozen=True)
class FingerInput:
    """What the sequence needs of one finger.

    Ready after its tare, touching, normal force (N; NaN = not observed), whether the object slides on it.
    """

    ready: bool
    in_contact: bool
    normal_n: float
    slides: bool = False


@dataclass(frozen=True)
class Moment:
    """What one step of a pick or a hold has to go by: time and step (s), fingers, settings."""

    time_s: float
    elapsed_s: float
    fingers: Sequence[FingerInput]
    settings: PickSettings

    @property
    def all_touch(self) -> bool:
        """Whether every finger touches."""
        return all(finger.in_contact for finger in self.fingers)

    @property
    def none_touches(self) -> bool:
        """Whether the object is free."""
        return not any(finger.in_contact for finger in self.fingers)

    def ends_closing(self, pressures_pa: Sequence[float], most_pa: float) -> bool:
        """Return whether every finger that does not touch yet has come to `most_pa` of its `pressures_pa` (Pa)."""
        return all(finger.in_contact or p >= most_pa for finger, p in zip(self.fingers, pressures_pa, strict=True))

    def vented(self, pressures_pa: Sequence[float]) -> list[float]:
        """Return `pressures_pa` (Pa) one step lower."""
        return [max(p - self.settings.vent_speed_pa_s * self.elapsed_s, 0.0) for p in pressures_pa]


class PickSequence:
    """Turns what the fingers feel into pressure and lift commands.

    Parameters
    ----------
    fingers : int
        Number of fingers.
    """

    def __init__(self, fingers: int) -> None:
        self.phase = Phase.IDLE
        self.pressures_pa = [0.0] * fingers
        self.lift_m = 0.0
        self.outcome = ""
        self.slips = 0
        self._phase_start_s = 0.0
        self._slip_time_s = -math.inf

    def start(self, now_s: float) -> None:
        """Begin a pick at `now_s` (s); the caller asks the fingers for their tare."""
        self.outcome, self.slips = "", 0
        self._enter(Phase.TARE, now_s)

    def give_up(self, now_s: float, reason: str) -> None:
        """Let go at `now_s` (s) and end with `reason`."""
        self.outcome = reason
        self._enter(Phase.RELEASE, now_s)

    def report_slip(self, now_s: float, settings: PickSettings) -> bool:
        """React to a slip at `now_s` (s): a step of `settings` more on all fingers; returns whether it acted."""
        if self.phase not in HOLDING or now_s - self._slip_time_s < settings.slip_pause_s:
            return False
        self._slip_time_s = now_s
        self.slips += 1
        self.pressures_pa = [min(p + settings.slip_step_pa, settings.max_pressure_pa) for p in self.pressures_pa]
        return True

    def update(self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings) -> Phase:
        """Go on by one step; `pressures_pa` (gauge Pa) and `lift_m` (m) are the commands.

        Parameters
        ----------
        now_s, elapsed_s : float
            The time, and how much of it has passed since the last step (s).
        fingers : sequence of FingerInput
            What each finger feels now.
        settings : PickSettings
            How to go about it.

        Returns
        -------
        Phase
            What the controller is doing now.
        """
        now = Moment(now_s, elapsed_s, fingers, settings)
        if self._is_sliding(now):
            self._answer_sliding(now)
        getattr(self, f"_do_{self.phase.value}")(now)
        return self.phase

    def _is_sliding(self, now: Moment) -> bool:
        """Return whether a slip was reported while holding and the object slides on."""
        recent = now.time_s - self._slip_time_s <= now.settings.slip_memory_s
        return self.phase in HOLDING and recent and any(finger.slides for finger in now.fingers)

    def _answer_sliding(self, now: Moment) -> None:
        """Raise the pressure further and let the phase wait."""
        self._slip_time_s = now.time_s
        self._phase_start_s += now.elapsed_s
        if all(finger.normal_n < now.settings.max_force_n for finger in now.fingers):
            for number in range(len(now.fingers)):
                self._raise(number, now.settings.slip_speed_pa_s * now.elapsed_s, now.settings)

    def _enter(self, phase: Phase, now_s: float) -> None:
        self.phase, self._phase_start_s = phase, now_s

    def _lasted(self, now: Moment) -> float:
        return now.time_s - self._phase_start_s

    def _raise(self, finger: int, step_pa: float, settings: PickSettings) -> None:
        self.pressures_pa[finger] = min(self.pressures_pa[finger] + step_pa, settings.max_pressure_pa)

    def _do_idle(self, _now: Moment) -> None:
        self.pressures_pa = [0.0] * len(self.pressures_pa)

    def _do_tare(self, now: Moment) -> None:
        if all(finger.ready for finger in now.fingers):
            self._enter(Phase.CLOSE, now.time_s)
        elif self._lasted(now) > now.settings.tare_limit_s:
            self.give_up(now.time_s, "no tare: a finger is not ready")

    def _do_close(self, now: Moment) -> None:
        if now.all_touch:
            self._enter(Phase.SQUEEZE, now.time_s)
            return
        pressed = any(finger.normal_n > now.settings.max_force_n for finger in now.fingers)
        at_limit = now.ends_closing(self.pressures_pa, now.settings.max_pressure_pa)
        if pressed or at_limit or self._lasted(now) > now.settings.close_limit_s:
            self.give_up(now.time_s, "no grasp: not every finger felt the object")
            return
        for number, finger in enumerate(now.fingers):
            if not finger.in_contact:  # the first to touch waits, so that it does not push the object away
                self._raise(number, now.settings.closing_speed_pa_s * now.elapsed_s, now.settings)

    def _do_squeeze(self, now: Moment) -> None:
        firm = all(finger.normal_n >= now.settings.grip_force_n for finger in now.fingers)  # NaN is not firm
        pressed = any(finger.normal_n >= now.settings.max_force_n for finger in now.fingers)
        at_limit = min(self.pressures_pa) >= now.settings.max_pressure_pa
        if firm or pressed or at_limit:
            self._enter(Phase.HOLD, now.time_s)
            return
        if self._lasted(now) > now.settings.close_limit_s:
            self.give_up(now.time_s, "no grasp: the force did not rise")
            return
        for number in range(len(now.fingers)):
            self._raise(number, 0.5 * now.settings.closing_speed_pa_s * now.elapsed_s, now.settings)

    def _do_hold(self, now: Moment) -> None:
        if self._lasted(now) >= now.settings.hold_time_s:
            self._enter(Phase.LIFT, now.time_s)

    def _do_lift(self, now: Moment) -> None:
        if self._move_lift(now.settings.lift_height_m, now):
            self._enter(Phase.CARRY, now.time_s)

    def _do_carry(self, now: Moment) -> None:
        if self._lasted(now) >= now.settings.carry_time_s:
            self._enter(Phase.LOWER, now.time_s)

    def _do_lower(self, now: Moment) -> None:
        if self._move_lift(0.0, now):
            self._enter(Phase.RELEASE, now.time_s)

    def _do_release(self, now: Moment) -> None:
        self.pressures_pa = now.vented(self.pressures_pa)
        vented = max(self.pressures_pa) <= 0.0
        lasted_s = self._lasted(now)
        if (vented and now.none_touches and lasted_s > 1.0) or lasted_s > now.settings.release_limit_s:
            self.outcome = self.outcome or "done"
            self.lift_m = 0.0
            self._enter(Phase.IDLE, now.time_s)

    def _move_lift(self, target_m: float, now: Moment) -> bool:
        """Follow a smooth curve to `target_m` (m); returns whether it is there."""
        start_m = now.settings.lift_height_m - target_m
        duration_s = 1.5 * abs(target_m - start_m) / now.settings.lift_speed_m_s
        share = 1.0 if duration_s <= 0.0 else min(self._lasted(now) / duration_s, 1.0)
        self.lift_m = start_m + (target_m - start_m) * share * share * (3.0 - 2.0 * share)
        return share >= 1.0
