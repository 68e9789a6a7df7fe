"""One hold of the example controller: close until all fingers touch, reach a force, keep it, answer slips, let go.

No middleware, no clock. An example, not a product: nothing in it is safety-rated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.force_answer import ForceAnswer
from soft_tactile_node.grasp.pick_sequence import FingerInput, Moment, PickSettings


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
        Limit of the normal force of a finger, also after slips (N).
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
    """A slip raises the wanted force by this factor, up to the limit of the goal (1)."""

    LOST_S = 0.15
    """A finger that has not touched for this long has lost the object (s)."""

    FIRM_SHARE = 0.95
    """The object is held from this share of the wanted force on (1)."""

    LIMIT_SHARE = 0.98
    """From this share of the limit on, no more force is squeezed for (1)."""

    CALM_S, HURRY_S = 0.3, 0.1
    """Missing force is made up over this time, or more slowly where `regulation` says so, and after a slip over the
    second one (s). A step of pressure would let the finger swing beyond the force that it settles at."""

    QUICK_SHARE = 1.5
    """A quick rise of pressure adds up to this factor of what a slow one does (1): fingers yield and creep."""

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
        self._answer = ForceAnswer()
        self._mean_n = self._most_n = math.nan
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
        self.target_n = goal.normal_n
        self._frozen, self._short_of = False, ""
        self._sums = [[0.0, 0] for _ in self.pressures_pa]
        touching = self.holds and all(finger.in_contact for finger in fingers)
        if not touching:
            self._answer.clear()
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
        """React to a slip at `now_s` (s), not before the pause in `settings` is over; returns whether it did."""
        if not self.holds or self._frozen or self.goal is None or now_s - self._slip_s < settings.slip_pause_s:
            return False
        self._slip_s = now_s
        self.slips += 1
        self.target_n = min(self.target_n * self.SLIP_RAISE, self.goal.max_normal_n)
        return True

    def update(self, now_s: float, elapsed_s: float, fingers: Sequence[FingerInput], settings: PickSettings) -> Step:
        """Go on by one step; `pressures_pa` (gauge Pa) are the commands.

        Parameters
        ----------
        now_s, elapsed_s, fingers, settings
            As in `PickSequence.update`.

        Returns
        -------
        Step
            What the hold is doing now.
        """
        if self._frozen:
            return self.step
        now = Moment(now_s, elapsed_s, fingers, settings)
        self._feel(now)
        sliding = self.holds and now_s - self._slip_s <= settings.slip_memory_s and any(f.slides for f in fingers)
        if sliding:
            self._slip_s = now_s
            self._raise_within_limit(settings.slip_speed_pa_s * elapsed_s)
            self._want_what_stops_it()
        getattr(self, f"_do_{self.step.value}")(now)
        return self.step

    def _feel(self, now: Moment) -> None:
        """Take up mean and highest force, and how the force answers the pressure."""
        normals_n = [finger.normal_n for finger in now.fingers]
        self._mean_n = sum(normals_n) / len(normals_n)
        self._most_n = max(normals_n) if math.isfinite(self._mean_n) else math.nan
        if self.holds:
            self._answer.add(now.time_s, self._mean_pa(), self._mean_n)

    def _mean_pa(self) -> float:
        return sum(self.pressures_pa) / len(self.pressures_pa)

    def _coming_n(self) -> float:
        return self._answer.coming_n(self._mean_pa())

    def _want_what_stops_it(self) -> None:
        """Want no less from now on than what is on its way while the object still slides."""
        coming_n = self._mean_n + self._coming_n()
        if self.goal is not None and coming_n > self.target_n:
            self.target_n = min(coming_n, self.goal.max_normal_n)

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

    def _room_n(self) -> float:
        """Return what is left up to the limit when all that is commanded has come (N); NaN = not known."""
        assert self.goal is not None
        return self.goal.max_normal_n - self._most_n - self.QUICK_SHARE * max(self._coming_n(), 0.0)

    def _raise_within_limit(self, rise_pa: float) -> None:
        """Raise the pressures, not beyond what leads to the limit of the force; unknown force raises nothing."""
        room_pa = self._room_n() / (self.QUICK_SHARE * self._answer.gain_n_pa)
        if rise_pa > 0.0 and room_pa > 0.0:  # NaN is not above
            self._raise_all(min(rise_pa, room_pa))

    def _do_idle(self, _now: Moment) -> None:
        self.pressures_pa = [0.0] * len(self.pressures_pa)

    def _do_close(self, now: Moment) -> None:
        assert self.goal is not None
        if now.all_touch:
            self._enter(Step.SQUEEZE, now.time_s)
            return
        at_limit = now.ends_closing(self.pressures_pa, self.goal.max_pressure_pa)
        if at_limit or now.time_s - self._begun_s > now.settings.close_limit_s:
            self.end(Outcome.NO_CONTACT, "not every finger felt an object", now.time_s, release=True)
            return
        for number, finger in enumerate(now.fingers):
            if not finger.in_contact and not finger.normal_n >= self.goal.max_normal_n:
                self._raise(number, now.settings.closing_speed_pa_s * now.elapsed_s)

    def _do_squeeze(self, now: Moment) -> None:
        assert self.goal is not None
        if self._is_gone(now):
            return
        firm = self._mean_n >= self.FIRM_SHARE * self.target_n
        full = not self._most_n < self.LIMIT_SHARE * self.goal.max_normal_n  # NaN is full
        spent = full or min(self.pressures_pa) >= self.goal.max_pressure_pa
        late = now.time_s - self._begun_s > now.settings.close_limit_s
        if firm or spent or late:
            self._short_of = "" if firm else ", with less than the force asked for: a limit was reached"
            self._enter(Step.KEEP, now.time_s)
            return
        self._lead_force(now)

    def _do_keep(self, now: Moment) -> None:
        assert self.goal is not None
        if self._is_gone(now):
            return
        self._lead_force(now)
        if not self.under_way:
            return
        self.held_s = max(now.time_s - self._begun_s, 1e-9)
        for sums, finger in zip(self._sums, now.fingers, strict=True):
            if math.isfinite(finger.normal_n):
                sums[0] += finger.normal_n
                sums[1] += 1
        if self.held_s >= self.goal.duration_s:
            told = f"held for {self.held_s:.1f} s{self._short_of}"
            self.end(Outcome.HELD, told, now.time_s, release=self.goal.release)

    def _lead_force(self, now: Moment) -> None:
        """Lead the mean force to the wanted one and no finger beyond the limit, all pressures alike.

        Unknown force changes nothing.
        """
        assert self.goal is not None
        missing_n = min(self.target_n - self._mean_n - self._coming_n(), self._room_n())
        if not math.isfinite(missing_n):
            return
        if missing_n < 0.0:  # what is only expected is no reason to take anything back
            felt_n = min(self.target_n - self._mean_n, self.goal.max_normal_n - self._most_n)
            missing_n = min(max(missing_n, felt_n), 0.0)
        gain_n_pa, settings = self._answer.gain_n_pa, now.settings
        if now.time_s - self._slip_s <= settings.slip_memory_s:
            speed_pa_s = min(missing_n / (gain_n_pa * self.HURRY_S), settings.slip_speed_pa_s)
        else:
            speed_pa_n_s = min(settings.regulation_pa_n_s, 1.0 / (gain_n_pa * self.CALM_S))
            speed_pa_s = min(speed_pa_n_s * missing_n, 0.5 * settings.closing_speed_pa_s)
        self._raise_all(speed_pa_s * now.elapsed_s)

    def _is_gone(self, now: Moment) -> bool:
        self._untouched_s = 0.0 if now.all_touch else self._untouched_s + now.elapsed_s
        if self._untouched_s <= self.LOST_S:
            return False
        self.end(Outcome.LOST, "the object is gone", now.time_s, release=True)
        return True

    def _do_release(self, now: Moment) -> None:
        self.pressures_pa = now.vented(self.pressures_pa)
        vented, lasted_s = max(self.pressures_pa) <= 0.0, now.time_s - self._begun_s
        if (vented and now.none_touches) or lasted_s > now.settings.release_limit_s:
            self.goal = None
            self._enter(Step.IDLE, now.time_s)
