from __future__ import annotations

import math
from dataclasses import replace

import pytest

from soft_tactile_node.grasp.pick_sequence import FingerInput, Phase, PickSequence, PickSettings

SETTINGS = PickSettings(
    closing_speed_pa_s=10e3, grip_force_n=0.5, max_force_n=3.0, max_pressure_pa=50e3, slip_step_pa=4e3,
    slip_speed_pa_s=20e3, hold_time_s=0.4, lift_height_m=0.08, lift_speed_m_s=0.1, carry_time_s=0.6,
)  # fmt: skip
STEP_S = 0.02


class Bench:
    """A gripper that touches at a pressure, finger by finger, and presses harder above it."""

    def __init__(self, touch_pa: tuple[float, float] = (15e3, 18e3), newton_per_pa: float = 1e-4) -> None:
        self.sequence = PickSequence(2)
        self.touch_pa = touch_pa
        self.newton_per_pa = newton_per_pa
        self.now_s = 100.0
        self.ready = True
        self.slides = False
        self.phases = [Phase.IDLE]
        self.heights_m = [0.0]

    def run(self, settings: PickSettings = SETTINGS, limit_s: float = 60.0, until: Phase = Phase.IDLE) -> None:
        """Go on until a phase is reached."""
        end_s = self.now_s + limit_s
        while self.now_s < end_s:
            self.now_s += STEP_S
            pressures = self.sequence.pressures_pa
            forces = [max(p - t, 0.0) * self.newton_per_pa for p, t in zip(pressures, self.touch_pa, strict=True)]
            fingers = [FingerInput(self.ready, force > 0.0, force, self.slides) for force in forces]
            phase = self.sequence.update(self.now_s, STEP_S, fingers, settings)
            self.heights_m.append(self.sequence.lift_m)
            if phase != self.phases[-1]:
                self.phases.append(phase)
            if phase == until:
                return
        raise AssertionError(f"still in {self.sequence.phase} after {limit_s} s")


def test_goes_through_every_phase_and_comes_back_vented() -> None:
    """A pick tares, closes, squeezes, holds, lifts, carries, lowers and lets go, in this order."""
    bench = Bench()
    bench.sequence.start(bench.now_s)
    bench.run()
    order = [Phase.IDLE, Phase.CLOSE, Phase.SQUEEZE, Phase.HOLD, Phase.LIFT, Phase.CARRY, Phase.LOWER, Phase.RELEASE]
    assert bench.phases == [*order, Phase.IDLE]
    assert bench.sequence.pressures_pa == [0.0, 0.0]
    assert bench.sequence.outcome == "done"
    assert max(bench.heights_m) == pytest.approx(SETTINGS.lift_height_m, rel=1e-12)


def test_holds_with_the_asked_force_and_not_much_more() -> None:
    """Squeezing ends at the weaker finger's grip force."""
    bench = Bench()
    bench.sequence.start(bench.now_s)
    bench.run(until=Phase.HOLD)
    weakest_n = min(p - t for p, t in zip(bench.sequence.pressures_pa, bench.touch_pa, strict=True)) * 1e-4
    assert 0.5 <= weakest_n < 0.53


def test_the_first_finger_to_touch_waits_for_the_other() -> None:
    """A finger that touches does not push on before the other one touches, too."""
    bench = Bench(touch_pa=(15e3, 30e3))
    bench.sequence.start(bench.now_s)
    bench.run(until=Phase.SQUEEZE)
    assert bench.sequence.pressures_pa[0] < 15e3 + 2 * 10e3 * STEP_S
    assert bench.sequence.pressures_pa[1] > 30e3


def test_moves_no_faster_than_told_and_smoothly() -> None:
    """The lift never exceeds its speed and never jumps."""
    bench = Bench()
    bench.sequence.start(bench.now_s)
    bench.run()
    steps_m = [abs(b - a) for a, b in zip(bench.heights_m, bench.heights_m[1:], strict=False)]
    assert max(steps_m) <= SETTINGS.lift_speed_m_s * STEP_S * (1 + 1e-9)


def test_answers_slip_with_one_step_and_goes_on_while_it_slides() -> None:
    """A slip raises every finger at once; while the object slides on, pressure goes on rising and the lift waits."""
    bench = Bench()
    bench.sequence.start(bench.now_s)
    bench.run(until=Phase.LIFT)
    before_pa = list(bench.sequence.pressures_pa)
    assert bench.sequence.report_slip(bench.now_s, SETTINGS)
    assert bench.sequence.pressures_pa == [p + 4e3 for p in before_pa]
    assert not bench.sequence.report_slip(bench.now_s + 0.01, SETTINGS), "the second finger's word on the same slip"
    height_m = bench.sequence.lift_m
    bench.slides = True
    with pytest.raises(AssertionError):
        bench.run(limit_s=0.2)
    assert bench.sequence.pressures_pa[0] == pytest.approx(before_pa[0] + 4e3 + 0.2 * 20e3, abs=2 * 20e3 * STEP_S)
    assert bench.sequence.lift_m == pytest.approx(height_m, abs=1e-3)


def test_stops_raising_at_the_force_limit() -> None:
    """Sliding does not make it crush the object."""
    bench = Bench()
    bench.sequence.start(bench.now_s)
    bench.run(until=Phase.LIFT)
    bench.sequence.report_slip(bench.now_s, SETTINGS)
    bench.slides = True
    with pytest.raises(AssertionError):
        bench.run(limit_s=20.0)
    assert max(bench.sequence.pressures_pa) * 1e-4 < 3.0 + 1.8 + 0.1


@pytest.mark.parametrize("phase", [Phase.IDLE, Phase.CLOSE])
def test_ignores_slip_while_nothing_is_held(phase: Phase) -> None:
    """A slip without a hold changes no pressure."""
    bench = Bench()
    if phase != Phase.IDLE:
        bench.sequence.start(bench.now_s)
        bench.run(until=phase)
    before_pa = list(bench.sequence.pressures_pa)
    assert not bench.sequence.report_slip(bench.now_s, SETTINGS)
    assert bench.sequence.pressures_pa == before_pa


def test_gives_up_when_a_finger_never_touches() -> None:
    """At the pressure limit without a touch it lets go and says so."""
    bench = Bench(touch_pa=(15e3, 1e9))
    bench.sequence.start(bench.now_s)
    bench.run()
    assert bench.sequence.outcome == "no grasp: not every finger felt the object"
    assert Phase.LIFT not in bench.phases


def test_gives_up_when_a_finger_is_never_ready() -> None:
    """Without a tare it does not move."""
    bench = Bench()
    bench.ready = False
    bench.sequence.start(bench.now_s)
    bench.run()
    assert bench.sequence.outcome == "no tare: a finger is not ready"
    assert Phase.CLOSE not in bench.phases


def test_an_unobserved_force_is_not_firm() -> None:
    """NaN does not count as having reached the grip force, and the limit in time ends the squeeze."""
    bench = Bench(newton_per_pa=1e-9)
    sequence = bench.sequence
    sequence.start(0.0)
    sequence.update(0.1, STEP_S, [FingerInput(True, True, math.nan)] * 2, SETTINGS)
    sequence.update(0.2, STEP_S, [FingerInput(True, True, math.nan)] * 2, SETTINGS)
    assert sequence.phase == Phase.SQUEEZE
    slow = replace(SETTINGS, closing_speed_pa_s=1.0)
    sequence.update(20.0, STEP_S, [FingerInput(True, True, math.nan)] * 2, slow)
    assert sequence.outcome == "no grasp: the force did not rise"
