from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from soft_tactile_node.grasp.state import FingerView, Grasp, GraspTracker


def views(
    touching: Sequence[bool], pressure_pa: float, *, slip_s: float = -math.inf, normal_n: float = 1.0
) -> list[FingerView]:
    """Return fingers that touch or not, all at one pressure."""
    force = np.array([0.0, 0.0, normal_n])
    return [FingerView(touch, force, pressure_pa, 0.3, 1e-4, slip_s) for touch in touching]


class TestTracker:
    """State of the grasp over time."""

    def follow(self, steps: Sequence[tuple[float, Sequence[bool], float]]) -> list[Grasp]:
        """Return the state after each step of time, touches and pressure."""
        tracker = GraspTracker(closing_rate_pa_s=2000.0, slip_hold_s=0.15)
        return [tracker.update(now_s, views(touching, pressure)) for now_s, touching, pressure in steps]

    def test_follows_a_pick(self) -> None:
        """Open, closing, touching, holding, and open again after a release on purpose, without LOST."""
        no, one, both = (False, False), (True, False), (True, True)
        closing = [(0.05 * k, no, 400.0 * k) for k in range(1, 20)]
        states = self.follow(
            [(0.0, no, 0.0), *closing, (1.0, one, 8000.0), (1.1, both, 8500.0), (1.4, both, 12e3), (1.5, both, 9e3),
             (1.6, no, 5e3), (2.0, no, 0.0)]
        )  # fmt: skip
        assert states[0] == Grasp.OPEN
        assert states[len(closing)] == Grasp.CLOSING
        assert states[-6:] == [Grasp.TOUCHING, Grasp.TOUCHING, Grasp.HOLDING, Grasp.HOLDING, Grasp.OPEN, Grasp.OPEN]

    def test_says_lost_when_contact_ends_under_pressure(self) -> None:
        """A contact that ends while the gripper still presses means that the object is gone, until it vents."""
        both, no = (True, True), (False, False)
        states = self.follow(
            [(-0.3, both, 20e3), (0.0, both, 20e3), (0.1, no, 20e3), (0.2, no, 20e3), (0.6, no, 1e3), (1.6, no, 0.0)]
        )
        assert states[1:] == [Grasp.HOLDING, Grasp.LOST, Grasp.LOST, Grasp.OPEN, Grasp.OPEN]

    def test_a_light_grip_that_opens_has_lost_nothing(self) -> None:
        """Pads that barely touch are free while most of the pressure is still there: its fall says that it is meant."""
        both, no = (True, True), (False, False)
        opening = [(0.1 + 0.01 * k, both if k < 2 else no, 30e3 - 2e3 * k) for k in range(1, 15)]
        states = self.follow([(-0.3, both, 30e3), (0.1, both, 30e3), *opening])
        assert Grasp.HOLDING in states
        assert Grasp.LOST not in states
        assert states[-1] == Grasp.OPEN

    def test_a_grip_that_opens_slowly_has_lost_nothing(self) -> None:
        """Below four fifths of the highest pressure an end of the touch is meant, however slowly it came to that."""
        both, no = (True, True), (False, False)
        opening = [(0.05 * k, both, 20e3 - 50.0 * k) for k in range(200)]
        states = self.follow([(-0.3, both, 20e3), *opening, (10.0, no, 10e3), (10.1, no, 10e3)])
        assert set(states[1:-2]) == {Grasp.HOLDING}
        assert states[-2:] == [Grasp.OPEN, Grasp.OPEN]

    def test_shows_a_slip_for_a_while(self) -> None:
        """SLIPPING lasts for the hold time after the report and then is HOLDING again."""
        tracker = GraspTracker(2000.0, 0.15)
        tracker.update(0.7, views((True, True), 20e3))
        assert tracker.update(0.99, views((True, True), 20e3)) == Grasp.HOLDING
        assert tracker.update(1.0, views((True, True), 20e3, slip_s=0.99)) == Grasp.SLIPPING
        assert tracker.update(1.2, views((True, True), 20e3, slip_s=0.99)) == Grasp.HOLDING

    def test_one_finger_never_holds(self) -> None:
        """One touching finger is TOUCHING however hard it presses."""
        assert self.follow([(0.0, (True, False), 50e3)]) == [Grasp.TOUCHING]

    def test_needs_opposed_fingers(self) -> None:
        """Of three even fingers two alone cannot hold: the third side is open. Neighbours of six cannot, a trio can."""
        three = GraspTracker(2000.0, 0.15, [0.0, math.tau / 3, 2 * math.tau / 3])
        assert three.update(0.0, views((True, True, False), 20e3)) == Grasp.TOUCHING
        three.update(0.1, views((True, True, True), 20e3))
        assert three.update(0.4, views((True, True, True), 20e3)) == Grasp.HOLDING
        six = [number * math.tau / 6 for number in range(6)]
        neighbours, trio = (True, True, False, False, False, False), (True, False, True, False, True, False)
        for touching, state in ((neighbours, Grasp.TOUCHING), (trio, Grasp.HOLDING)):
            tracker = GraspTracker(2000.0, 0.15, six)
            tracker.update(0.0, views(touching, 20e3))
            assert tracker.update(0.3, views(touching, 20e3)) == state

    def test_held_is_what_stands_still_and_is_pressed(self) -> None:
        """Rising forces, a finger that hardly presses and an unknown force are TOUCHING; a rest makes it HOLDING."""
        tracker = GraspTracker(2000.0, 0.15, holding_n=0.2)
        squeeze = [tracker.update(0.05 * k, views((True, True), 20e3, normal_n=0.2 + 0.03 * k)) for k in range(20)]
        assert set(squeeze) == {Grasp.TOUCHING}
        assert tracker.opposed
        rest = [tracker.update(1.0 + 0.05 * k, views((True, True), 20e3, normal_n=0.8)) for k in range(8)]
        assert rest[0] == Grasp.TOUCHING
        assert rest[-1] == Grasp.HOLDING
        for normal_n in (0.15, math.nan):
            light = GraspTracker(2000.0, 0.15, holding_n=0.2)
            states = {light.update(0.1 * k, views((True, True), 20e3, normal_n=normal_n)) for k in range(20)}
            assert states == {Grasp.TOUCHING}

    def test_only_what_was_held_can_be_lost(self) -> None:
        """A touch of both that never held is no loss; what is held stays so, however light, and is LOST at its end."""
        both, no = (True, True), (False, False)
        assert Grasp.LOST not in self.follow([(0.0, both, 20e3), (0.1, no, 20e3), (0.2, no, 20e3)])
        tracker = GraspTracker(2000.0, 0.15)
        for now_s, normal_n in ((0.0, 0.5), (0.3, 0.5), (0.4, 0.01), (0.5, math.nan)):
            state = tracker.update(now_s, views(both, 20e3, normal_n=normal_n))
        assert state == Grasp.HOLDING
        assert tracker.update(0.6, views(no, 20e3)) == Grasp.LOST
