"""One hold of the example controller: close until all fingers touch, reach a force, keep it, answer slips, let go.

No middleware, no clock. An example, not a product: nothing in it is safety-rated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.pick_sequence import FingerInput, PickSettings


class Step(str, Enum):
    """What a hold is doing."""

    IDLE = "idle"
    CLOSE = "close"
    SQUEEZE = "squeeze"
    KEEP = "keep"
    RELEASE = "release"


class Outcome(Enum):
    """How a hold ended, numbered as in the action."""

    HELD = 0
    NO_CONTACT = 1
    LOST = 2
    SENSING_LOST = 3
    CANCELLED = 4
    REFUSED = 5


@dataclass(frozen=True)
class HoldGoal:
    """What is asked for.

    Attributes
    ----------
    normal_n : float
        Normal force of each finger (N).
    max_normal_n : float
        Most that slips may raise it to (N).
    max_pressure_pa : float
        Most pressure (gauge Pa).
    duration_s : float
        How long to keep it once reached (s); NaN = until told otherwise.
    release : bool
        Whether to let go then.
    """

    normal_n: float
    max_normal_n: float
    max_pressure_pa: float
    duration_s: float = math.nan
    release: bool = False

    def check(self) -> None:
        """Raise RangeError where the numbers cannot be meant; names the field of the action."""
        if not 0.0 < self.normal_n < math.inf:
            raise RangeError(f"normal_force must be > 0 N; got {self.normal_n:g}")
        if not self.normal_n <= self.max_normal_n:
            raise RangeError(f"max_normal_force must be >= normal_force {self.normal_n:g} N; got {self.max_normal_n:g}")
        if not 0.0 < self.max_pressure_pa < math.inf:
            raise RangeError(f"max_pressure must be > 0 Pa; got {self.max_pressure_pa:g}")
        if self.duration_s < 0.0:
            raise RangeError(f"duration must be >= 0 s, or NaN; got {self.duration_s:g}")


class HoldSequence:
    """Turns what the fingers feel into pressures that keep a force.

    Parameters
    ----------
    fingers : int
        Number of fingers.
    """

    SLIP_RAISE = 1.2
    """A slip raises the wanted force by this factor, up to the goal's limit."""

    LOST_S = 0.15
    """A finger that has not touched for this long has lost the object (s)."""

    SMOOTH_S = 0.2
    """Forces are kept against their mean over about this time (s)."""

    def __init__(self, fingers: int) -> None:
        self.step = Step.IDLE
        self.pressures_pa = [0.0] * fingers
        self.outcome: Outcome | None = None
        self.message = ""
        self.slips = 0
        self.goal: HoldGoal | None = None
        self.target_n = math.nan
        self.held_s = 0.0
        self._begun_s = 0.0
        self._untouched_s = 0.0
        self._slip_s = -math.inf
        self._sums = [[0.0, 0] for _ in range(fingers)]
        self._smooth_n = math.nan
        self._frozen = False
        self._short_of = ""

    @property
    def holds(self) -> bool:
        """Whether an object is squeezed or kept, also after the end of a goal that did not ask to let go."""
        return self.step in (Step.SQUEEZE, Step.KEEP)

    @property
    def under_way(self) -> bool:
        """Whether a goal has not ended yet."""
        return self.goal is not None and self.outcome is None

    def mean_normal_n(self) -> list[float]:
        """Return the mean normal force of each finger while held (N); NaN = never held or not observed."""
        return [total / count if count else math.nan for total, count in self._sums]

    def start(self, now_s: float, goal: HoldGoal, fingers: Sequence[FingerInput]) -> None:
        """Begin `goal` at `now_s` (s); goes on from the present pressures where all `fingers` touch already."""
        self.goal, self.outcome, self.message = goal, None, ""
        self.slips, self.held_s = 0, 0.0
        self.target_n, self._smooth_n = goal.normal_n, math.nan
        self._frozen, self._short_of = False, ""
        self._sums = [[0.0, 0] for _ in self.pressures_pa]
        touching = self.holds and all(finger.in_contact for finger in fingers)
        self._enter(Step.SQUEEZE if touching else Step.CLOSE, now_s)

    def end(self, outcome: Outcome, message: str, now_s: float, *, release: bool) -> None:
        """End the goal at `now_s` (s) with `outcome` and `message`; with `release` the object is let go."""
        if self.under_way:
            self.outcome, self.message = outcome, message
        if release:
            self._enter(Step.RELEASE, now_s)

    def freeze(self, message: str, now_s: float) -> None:
        """End the goal at `now_s` (s) with `message`, sensing is lost: the pressures stay until told otherwise."""
        self.end(Outcome.SENSING_LOST, message, now_s, release=False)
        self._frozen = True

    def report_slip(self, now_s: float, settings: PickSettings) -> bool:
        """React to a slip at `now_s` (s) as `settings` say: more force is wanted, at once; returns whether it acted."""
        if not self.holds or self._frozen or self.goal is None or now_s - self._slip_s < settings.slip_pause_s:
            return False
        self._slip_s = now_s
        self.slips += 1
        self.target_n = min(self.target_n * self.SLIP_RAISE, self.goal.max_normal_n)
        self._raise_all(settings.slip_step_pa)
        return True

    def update(self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings) -> Step:
        """Go on by one step; `pressures_pa` (gauge Pa) are the commands.

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
        Step
            What the hold is doing now.
        """
        if self._frozen:
            return self.step
        sliding = self.holds and now_s - self._slip_s <= settings.slip_memory_s and any(f.slides for f in fingers)
        if sliding:
            self._slip_s = now_s
            self._want_what_stops_it(fingers)
            if self._below_limit(fingers):
                self._raise_all(settings.slip_speed_pa_s * elapsed_s)
        getattr(self, f"_do_{self.step.value}")(now_s, elapsed_s, fingers, settings)
        return self.step

    def _want_what_stops_it(self, fingers: Sequence[FingerInput]) -> None:
        """Want no less from now on than the force under which the object still slides."""
        mean_n = sum(finger.normal_n for finger in fingers) / len(fingers)
        if self.goal is not None and mean_n > self.target_n:
            self.target_n = min(mean_n, self.goal.max_normal_n)

    def _enter(self, step: Step, now_s: float) -> None:
        if step == Step.RELEASE:
            self._frozen = False
        self.step, self._begun_s, self._untouched_s = step, now_s, 0.0

    def _raise_all(self, rise_pa: float) -> None:
        for number in range(len(self.pressures_pa)):
            self._raise(number, rise_pa)

    def _raise(self, number: int, rise_pa: float) -> None:
        most_pa = self.goal.max_pressure_pa if self.goal else math.inf
        before_pa = self.pressures_pa[number]
        self.pressures_pa[number] = max(min(before_pa + rise_pa, max(most_pa, before_pa)), 0.0)

    def _below_limit(self, fingers: Sequence[FingerInput]) -> bool:
        assert self.goal is not None
        return all(finger.normal_n < self.goal.max_normal_n for finger in fingers)  # NaN is not below

    def _do_idle(self, _now_s: float, _elapsed_s: float, _f: Sequence[FingerInput], _settings: PickSettings) -> None:
        self.pressures_pa = [0.0] * len(self.pressures_pa)

    def _do_close(self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings) -> None:
        assert self.goal is not None
        if all(finger.in_contact for finger in fingers):
            self._enter(Step.SQUEEZE, now_s)
            return
        at_limit = all(
            finger.in_contact or p >= self.goal.max_pressure_pa
            for finger, p in zip(fingers, self.pressures_pa, strict=True)
        )
        if at_limit or now_s - self._begun_s > settings.close_limit_s:
            self.end(Outcome.NO_CONTACT, "not every finger felt an object", now_s, release=True)
            return
        for number, finger in enumerate(fingers):
            if not finger.in_contact and not finger.normal_n >= self.goal.max_normal_n:
                self._raise(number, settings.closing_speed_pa_s * elapsed_s)

    def _do_squeeze(
        self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings
    ) -> None:
        assert self.goal is not None
        if self._is_gone(now_s, elapsed_s, fingers):
            return
        firm = all(finger.normal_n >= self.target_n for finger in fingers)
        spent = not self._below_limit(fingers) or min(self.pressures_pa) >= self.goal.max_pressure_pa
        late = now_s - self._begun_s > settings.close_limit_s
        if firm or spent or late:
            self._short_of = "" if firm else ", with less than the force asked for: a limit was reached"
            self._enter(Step.KEEP, now_s)
            return
        self._raise_all(0.5 * settings.closing_speed_pa_s * elapsed_s)

    def _do_keep(self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings) -> None:
        assert self.goal is not None
        if self._is_gone(now_s, elapsed_s, fingers):
            return
        self._keep_force(elapsed_s, fingers, settings)
        if not self.under_way:
            return
        self.held_s = max(now_s - self._begun_s, 1e-9)
        for sums, finger in zip(self._sums, fingers, strict=True):
            if math.isfinite(finger.normal_n):
                sums[0] += finger.normal_n
                sums[1] += 1
        if self.held_s >= self.goal.duration_s:
            self.end(Outcome.HELD, f"held for {self.held_s:.1f} s{self._short_of}", now_s, release=self.goal.release)

    def _keep_force(self, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings) -> None:
        """Lead the mean force slowly to the wanted one, all pressures alike; unknown force changes nothing."""
        mean_n = sum(finger.normal_n for finger in fingers) / len(fingers)
        if not math.isfinite(mean_n):
            return
        share = 1.0 if math.isnan(self._smooth_n) else -math.expm1(-elapsed_s / self.SMOOTH_S)
        self._smooth_n = mean_n if math.isnan(self._smooth_n) else self._smooth_n + share * (mean_n - self._smooth_n)
        rise_pa = settings.regulation_pa_n_s * (self.target_n - self._smooth_n) * elapsed_s
        if rise_pa < 0.0 or self._below_limit(fingers):
            self._raise_all(rise_pa)

    def _is_gone(self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput]) -> bool:
        self._untouched_s = 0.0 if all(finger.in_contact for finger in fingers) else self._untouched_s + elapsed_s
        if self._untouched_s <= self.LOST_S:
            return False
        self.end(Outcome.LOST, "the object is gone", now_s, release=True)
        return True

    def _do_release(
        self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings
    ) -> None:
        self.pressures_pa = [max(p - settings.vent_speed_pa_s * elapsed_s, 0.0) for p in self.pressures_pa]
        free = not any(finger.in_contact for finger in fingers)
        if (max(self.pressures_pa) <= 0.0 and free) or now_s - self._begun_s > settings.release_limit_s:
            self.goal = None
            self._enter(Step.IDLE, now_s)
