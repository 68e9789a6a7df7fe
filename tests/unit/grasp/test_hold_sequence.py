from __future__ import annotations

import math
from collections import deque
from dataclasses import replace

import pytest

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.hold_sequence import HoldGoal, HoldSequence, Outcome, Step
from soft_tactile_node.grasp.pick_sequence import FingerInput
from unit.grasp.test_pick_sequence import SETTINGS

STEP_S = 0.02
GOAL = HoldGoal(normal_n=0.8, max_normal_n=2.0, max_pressure_pa=50e3)


class Bench:
    """Two fingers that touch at 15 and 16 kPa, press with the pressure of `lag_s` ago, less creep, one `harder`."""

    def __init__(self, lag_s: float = 0.0, newton_per_pa: float = 1e-4, harder: float = 1.0) -> None:
        self.sequence = HoldSequence(2)
        self.shares = (1.0, harder)
        self.newton_per_pa = newton_per_pa
        self.commands = deque([[0.0, 0.0]], maxlen=1 + round(lag_s / STEP_S))
        self.now_s = 50.0
        self.gone = False
        self.slides = False
        self.unknown = False
        self.creep_n = self.most_n = 0.0
        self.steps: list[Step] = []

    def forces(self) -> list[float]:
        """Return the true normal force of each finger (N)."""
        pressed = [p - touch for p, touch in zip(self.commands[0], (15e3, 16e3), strict=True)]
        forces = [s * p * self.newton_per_pa - self.creep_n for s, p in zip(self.shares, pressed, strict=True)]
        return [0.0 if self.gone else max(force, 0.0) for force in forces]

    def feel(self) -> list[FingerInput]:
        """Return what the fingers feel."""
        return [
            FingerInput(True, force > 0.0, math.nan if self.unknown else force, self.slides) for force in self.forces()
        ]

    def start(self, goal: HoldGoal = GOAL) -> None:
        """Begin a hold."""
        self.sequence.start(self.now_s, goal, self.feel())

    def run(self, duration_s: float, until: Step | None = None) -> None:
        """Go on for a while, or until a step is reached."""
        for _ in range(round(duration_s / STEP_S)):
            self.now_s += STEP_S
            step = self.sequence.update(self.now_s, STEP_S, self.feel(), SETTINGS)
            self.commands.append(list(self.sequence.pressures_pa))
            self.most_n = max(self.most_n, *self.forces())
            if not self.steps or step != self.steps[-1]:
                self.steps.append(step)
            if step == until:
                return
        assert until is None, f"still in {self.sequence.step}"


def test_closes_squeezes_and_keeps_the_force() -> None:
    """From open it closes until both touch, squeezes to the mean force, not beyond, and keeps it against creep."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    assert bench.steps == [Step.CLOSE, Step.SQUEEZE, Step.KEEP]
    assert 0.95 * 0.8 <= sum(bench.forces()) / 2 < 0.81
    bench.creep_n = 0.1
    bench.run(15.0)
    assert sum(bench.forces()) / 2 == pytest.approx(0.8, abs=0.01)
    assert bench.sequence.held_s == pytest.approx(15.0, abs=0.1)


@pytest.mark.parametrize("newton_per_pa", [1e-4, 2e-4, 4e-4])
@pytest.mark.parametrize("lag_s", [0.0, 0.05, 0.1])
def test_half_a_newton_within_two_seconds(lag_s: float, newton_per_pa: float) -> None:
    """Soft or stiff, quick or slow: 2 s after the touch half a newton is there within 5 %, and never more than 10 %."""
    bench = Bench(lag_s=lag_s, newton_per_pa=newton_per_pa)
    bench.start(replace(GOAL, normal_n=0.5))
    bench.run(10.0, until=Step.SQUEEZE)
    bench.run(2.0)
    assert sum(bench.forces()) / 2 == pytest.approx(0.5, rel=0.05)
    assert bench.most_n <= 1.1 * 0.5 + newton_per_pa * 500.0, "the later finger touches 1 kPa after the first"


def test_ends_after_the_duration_and_lets_go_only_if_asked() -> None:
    """HELD after the duration; without `release` the hold goes on, and the next goal starts from it without opening."""
    bench = Bench()
    bench.start(replace(GOAL, duration_s=0.5))
    bench.run(6.0)
    assert bench.sequence.outcome == Outcome.HELD
    assert bench.sequence.message == "held for 0.5 s"
    assert bench.sequence.holds
    assert min(bench.forces()) > 0.7
    assert bench.sequence.mean_normal_n() == pytest.approx(bench.forces(), abs=0.05)
    bench.steps.clear()
    bench.start(replace(GOAL, normal_n=1.2, duration_s=0.2, release=True))
    bench.run(6.0)
    assert bench.steps == [Step.SQUEEZE, Step.KEEP, Step.RELEASE, Step.IDLE]
    assert bench.sequence.pressures_pa == [0.0, 0.0]


def test_says_when_nothing_was_touched() -> None:
    """At the pressure limit without a touch: NO_CONTACT, vented."""
    bench = Bench()
    bench.gone = True
    bench.start(replace(GOAL, max_pressure_pa=20e3))
    bench.run(10.0, until=Step.IDLE)
    assert bench.sequence.outcome == Outcome.NO_CONTACT
    assert bench.sequence.pressures_pa == [0.0, 0.0]


def test_says_when_the_object_is_gone_but_not_at_a_blink() -> None:
    """A finger without contact for 0.1 s is a blink, for longer the object is LOST and the gripper opens."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    bench.gone = True
    bench.run(0.1)
    bench.gone = False
    bench.run(1.0)
    assert bench.sequence.under_way
    bench.gone = True
    bench.run(10.0, until=Step.IDLE)
    assert bench.sequence.outcome == Outcome.LOST


def test_a_slip_raises_the_wanted_force_and_the_pressure_without_a_step() -> None:
    """One slip: a fifth more force within half a second, by no step; the second finger's word adds nothing."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    bench.run(2.0)
    assert bench.sequence.report_slip(bench.now_s, SETTINGS)
    assert not bench.sequence.report_slip(bench.now_s + 0.01, SETTINGS)
    assert bench.sequence.target_n == pytest.approx(0.8 * HoldSequence.SLIP_RAISE)
    before_n = sum(bench.forces()) / 2
    bench.run(STEP_S)
    assert 0.0 < sum(bench.forces()) / 2 - before_n <= 0.05
    bench.run(0.5 - STEP_S)
    assert sum(bench.forces()) / 2 == pytest.approx(0.8 * HoldSequence.SLIP_RAISE, rel=0.05)
    assert bench.sequence.slips == 1


@pytest.mark.parametrize("lag_s", [0.0, 0.05, 0.1])
@pytest.mark.parametrize("newton_per_pa", [1e-4, 2e-4, 4e-4])
def test_no_slip_leads_beyond_the_limit(lag_s: float, newton_per_pa: float) -> None:
    """Slips without end lead to the goal's limit and not beyond, though the force comes later than the pressure."""
    bench = Bench(lag_s=lag_s, newton_per_pa=newton_per_pa)
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    bench.slides = True
    for _ in range(20):
        bench.sequence.report_slip(bench.now_s, SETTINGS)
        bench.run(0.5)
    assert bench.sequence.target_n == GOAL.max_normal_n
    assert max(bench.forces()) == pytest.approx(GOAL.max_normal_n, rel=0.05)
    assert bench.most_n <= 1.05 * GOAL.max_normal_n


@pytest.mark.parametrize("lag_s", [0.0, 0.1])
def test_no_finger_goes_beyond_the_limit_though_the_mean_does_not(lag_s: float) -> None:
    """Where one finger presses harder than the other, the limit is that of the harder one, and the result says so."""
    bench = Bench(lag_s=lag_s, harder=1.5)
    bench.start(replace(GOAL, normal_n=1.9, duration_s=2.0))
    bench.run(10.0)
    assert bench.most_n == pytest.approx(GOAL.max_normal_n, rel=0.02)
    assert sum(bench.forces()) / 2 == pytest.approx(GOAL.max_normal_n * 2.5 / 3.0, rel=0.05)
    assert bench.sequence.message.endswith("with less than the force asked for: a limit was reached")


def test_unknown_force_moves_nothing_and_a_limit_is_said() -> None:
    """With NaN for a force the squeeze ends, the pressure stands, and the result says that less is held."""
    bench = Bench()
    bench.start(replace(GOAL, duration_s=1.0))
    bench.run(10.0, until=Step.SQUEEZE)
    bench.unknown = True
    bench.run(1.0)
    assert bench.sequence.step == Step.KEEP
    standing_pa = list(bench.sequence.pressures_pa)
    bench.run(2.0)
    assert bench.sequence.pressures_pa == standing_pa
    assert bench.sequence.message.endswith("with less than the force asked for: a limit was reached")


def test_frozen_it_holds_whatever_the_fingers_say() -> None:
    """After sensing was lost the pressures stand until told otherwise, even if estimates return without contact."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    bench.sequence.freeze("sensing lost", bench.now_s)
    standing_pa = list(bench.sequence.pressures_pa)
    bench.gone = True
    bench.run(5.0)
    assert bench.sequence.outcome == Outcome.SENSING_LOST
    assert bench.sequence.pressures_pa == standing_pa
    bench.sequence.end(Outcome.CANCELLED, "released", bench.now_s, release=True)
    bench.run(5.0, until=Step.IDLE)
    assert bench.sequence.pressures_pa == [0.0, 0.0]
    assert bench.sequence.outcome == Outcome.SENSING_LOST, "the end that came first stays"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"normal_n": 0.0}, "normal_force must be > 0 N; got 0"),
        ({"normal_n": math.nan}, "normal_force must be > 0 N; got nan"),
        ({"max_normal_n": 0.5}, "max_normal_force must be >= normal_force 0.8 N; got 0.5"),
        ({"max_pressure_pa": math.inf}, "max_pressure must be > 0 Pa; got inf"),
        ({"duration_s": -1.0}, "duration must be >= 0 s, or NaN; got -1"),
    ],
)
def test_refuses_goals_that_cannot_be_meant(changes: dict[str, float], said: str) -> None:
    """Each wrong number of a goal is refused by its name in the action."""
    with pytest.raises(RangeError) as caught:
        replace(GOAL, **changes).check()
    assert str(caught.value) == said


def test_a_limit_that_is_the_wanted_force_is_reached() -> None:
    """With both the same, nothing counts as held before that force is there, and no finger goes beyond it."""
    bench = Bench(lag_s=0.05)
    bench.start(replace(GOAL, normal_n=0.3, max_normal_n=0.3))
    bench.run(10.0, until=Step.KEEP)
    assert bench.most_n >= 0.95 * 0.3
    bench.run(2.0)
    assert bench.most_n <= 1.02 * 0.3
