from __future__ import annotations

import math
from dataclasses import replace

import pytest

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.hold_sequence import HoldGoal, HoldSequence, Outcome, Step
from soft_tactile_node.grasp.pick_sequence import FingerInput
from unit.grasp.test_pick_sequence import SETTINGS

STEP_S = 0.02
GOAL = HoldGoal(normal_n=0.8, max_normal_n=2.0, max_pressure_pa=50e3)


class Bench:
    """Two fingers that touch at 15 and 16 kPa and then press with 0.1 N a kilopascal, less what creeps away."""

    def __init__(self) -> None:
        self.sequence = HoldSequence(2)
        self.now_s = 50.0
        self.gone = False
        self.slides = False
        self.unknown = False
        self.creep_n = 0.0
        self.steps: list[Step] = []

    def forces(self) -> list[float]:
        """Return the true normal force of each finger (N)."""
        pressed = [p - touch for p, touch in zip(self.sequence.pressures_pa, (15e3, 16e3), strict=True)]
        return [0.0 if self.gone else max(p * 1e-4 - self.creep_n, 0.0) for p in pressed]

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
            if not self.steps or step != self.steps[-1]:
                self.steps.append(step)
            if step == until:
                return
        assert until is None, f"still in {self.sequence.step}"


def test_closes_squeezes_and_keeps_the_force() -> None:
    """From open it closes until both touch, squeezes to the force, and keeps the mean force there against creep."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    assert bench.steps == [Step.CLOSE, Step.SQUEEZE, Step.KEEP]
    assert 0.8 <= min(bench.forces()) < 0.83
    bench.creep_n = 0.1
    bench.run(15.0)
    assert sum(bench.forces()) / 2 == pytest.approx(0.8, abs=0.01)
    assert bench.sequence.held_s == pytest.approx(15.0, abs=0.1)


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


def test_a_slip_raises_pressure_at_once_and_the_wanted_force() -> None:
    """One slip: one step of pressure on both fingers, a fifth more force; the second finger's word adds nothing."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    before_pa = list(bench.sequence.pressures_pa)
    assert bench.sequence.report_slip(bench.now_s, SETTINGS)
    assert not bench.sequence.report_slip(bench.now_s + 0.01, SETTINGS)
    assert bench.sequence.pressures_pa == [p + SETTINGS.slip_step_pa for p in before_pa]
    assert bench.sequence.target_n == pytest.approx(0.8 * HoldSequence.SLIP_RAISE)
    assert bench.sequence.slips == 1


def test_never_wants_more_than_the_limit() -> None:
    """Slips without end raise the force to the goal's limit and no further than one step of pressure above it."""
    bench = Bench()
    bench.start()
    bench.run(10.0, until=Step.KEEP)
    bench.slides = True
    for _ in range(20):
        bench.sequence.report_slip(bench.now_s, SETTINGS)
        bench.run(0.5)
    assert bench.sequence.target_n == GOAL.max_normal_n
    bench.slides = False
    bench.run(30.0)
    assert sum(bench.forces()) / 2 == pytest.approx(GOAL.max_normal_n, abs=0.1)


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
