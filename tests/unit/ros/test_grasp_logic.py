from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.ros.grasp_logic import (
    ComplianceEstimate,
    FingerView,
    Grasp,
    GraspTracker,
    PalmGeometry,
    object_width,
    palm_forces,
)

TWO = (0.0, math.pi)


def views(
    touching: Sequence[bool], pressure_pa: float, *, slip_s: float = -math.inf, normal_n: float = 1.0
) -> list[FingerView]:
    """Return fingers that touch or not, all at one pressure."""
    force = np.array([0.0, 0.0, normal_n])
    return [FingerView(0.0, touch, force, pressure_pa, 0.3, 1e-4, slip_s) for touch in touching]


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
            [(0.0, no, 0.0), *closing, (1.0, one, 8000.0), (1.1, both, 8500.0), (1.2, both, 12e3), (1.3, both, 9e3),
             (1.4, no, 5e3), (1.8, no, 0.0)]
        )  # fmt: skip
        assert states[0] == Grasp.OPEN
        assert states[len(closing)] == Grasp.CLOSING
        assert states[-6:] == [Grasp.TOUCHING, Grasp.HOLDING, Grasp.HOLDING, Grasp.HOLDING, Grasp.OPEN, Grasp.OPEN]

    def test_says_lost_when_contact_ends_under_pressure(self) -> None:
        """A contact that ends while the gripper still presses means that the object is gone, until it vents."""
        both, no = (True, True), (False, False)
        states = self.follow([(0.0, both, 20e3), (0.1, no, 20e3), (0.2, no, 20e3), (0.6, no, 1e3), (1.6, no, 0.0)])
        assert states == [Grasp.HOLDING, Grasp.LOST, Grasp.LOST, Grasp.OPEN, Grasp.OPEN]

    def test_shows_a_slip_for_a_while(self) -> None:
        """SLIPPING lasts for the hold time after the report and then is HOLDING again."""
        tracker = GraspTracker(2000.0, 0.15)
        assert tracker.update(1.0, views((True, True), 20e3, slip_s=0.99)) == Grasp.SLIPPING
        assert tracker.update(1.2, views((True, True), 20e3, slip_s=0.99)) == Grasp.HOLDING

    def test_one_finger_never_holds(self) -> None:
        """One touching finger is TOUCHING however hard it presses."""
        assert self.follow([(0.0, (True, False), 50e3)]) == [Grasp.TOUCHING]


class TestPalm:
    """Forces in the palm frame."""

    def test_axes_of_the_roots_are_right_handed(self) -> None:
        """Each root frame has x along palm z, z outward, and is a rotation."""
        geometry = PalmGeometry((0.3, 2.0))
        for finger, angle in enumerate(geometry.angles_rad):
            turn = geometry.root_to_palm(finger)
            assert_allclose(turn @ turn.T, np.eye(3), rtol=0, atol=1e-15)
            assert_allclose(np.linalg.det(turn), 1.0, rtol=1e-14)
            assert_allclose(turn[:, 0], [0.0, 0.0, 1.0], rtol=0, atol=0)
            assert_allclose(turn[:, 2], [math.cos(angle), math.sin(angle), 0.0], rtol=0, atol=1e-15)

    def test_even_squeeze_cancels(self) -> None:
        """Equal normal forces of opposed fingers leave no imbalance across the palm (Newton's third law)."""
        total, imbalance = palm_forces(PalmGeometry(TWO), views((True, True), 20e3))
        assert_allclose(imbalance[:2], 0.0, rtol=0, atol=1e-15)
        assert_allclose(total, imbalance, rtol=0, atol=1e-15)

    def test_uneven_squeeze_points_away_from_the_weaker_finger(self) -> None:
        """The stronger finger at angle 0 is pushed outward, along +x of the palm."""
        fingers = views((True, True), 20e3)
        fingers[0].force_n = np.array([0.0, 0.0, 2.0])
        for finger in fingers:
            finger.bend_rad = 0.0
        _, imbalance = palm_forces(PalmGeometry(TWO), fingers)
        assert_allclose(imbalance, [1.0, 0.0, 0.0], rtol=0, atol=1e-14)

    def test_weight_shows_as_shear_towards_the_palm(self) -> None:
        """A gripper that points down carries weight as shear along +x of straight pads: away from the palm, +z."""
        fingers = views((True, True), 20e3)
        for finger in fingers:
            finger.bend_rad, finger.force_n = 0.0, np.array([1.03, 0.0, 3.0])
        total, imbalance = palm_forces(PalmGeometry(TWO), fingers)
        assert_allclose(total, [0.0, 0.0, 2.06], rtol=0, atol=1e-14)
        assert_allclose(imbalance, [0.0, 0.0, 0.0], rtol=0, atol=1e-14)

    def test_unknown_bend_gives_unknown_forces(self) -> None:
        """Without a bend of a touching finger the palm-frame forces are NaN, not zero."""
        fingers = views((True, True), 20e3)
        fingers[1].bend_rad = math.nan
        total, _ = palm_forces(PalmGeometry(TWO), fingers)
        assert np.isnan(total).all()


class TestWidth:
    """Width between the pads."""

    GEOMETRY = PalmGeometry(TWO, root_radius_m=0.055, arc_length_m=0.080, surface_offset_m=0.012)

    def test_straight_fingers_span_the_roots_less_the_pads(self) -> None:
        """Two straight fingers leave twice (root radius - pad offset) between them."""
        fingers = views((True, True), 20e3)
        for finger in fingers:
            finger.bend_rad = 0.0
        width_m, _ = object_width(self.GEOMETRY, fingers)
        assert_allclose(width_m, 2 * (0.055 - 0.012), rtol=1e-14)

    def test_quarter_turn_by_hand(self) -> None:
        """At a bend of pi/2 the pad has moved in by s * 2/pi and its surface offset points along x (worked by hand)."""
        assert_allclose(self.GEOMETRY.pad_radius_m(math.pi / 2), 0.055 - 0.080 * 2 / math.pi, rtol=1e-12)

    def test_variance_comes_from_the_bends(self) -> None:
        """The variance of the width equals that of many widths with scattered bends."""
        fingers = views((True, True), 20e3)
        _, variance = object_width(self.GEOMETRY, fingers)
        bends = 0.3 + 1e-2 * np.random.default_rng(1).standard_normal((20000, 2))
        widths = [sum(self.GEOMETRY.pad_radius_m(b) for b in pair) for pair in bends]
        assert_allclose(variance, np.var(widths), rtol=0.05)

    def test_is_unknown_without_a_hold_or_lengths(self) -> None:
        """One touching finger, or a palm without lengths, gives NaN."""
        assert math.isnan(object_width(self.GEOMETRY, views((True, False), 20e3))[0])
        assert math.isnan(object_width(PalmGeometry(TWO), views((True, True), 20e3))[0])


class TestCompliance:
    """Compliance of the held object."""

    def test_takes_off_both_pads(self) -> None:
        """A spring of 2 mm/N between pads of 0.3 mm/N each is seen as 2 mm/N."""
        rng = np.random.default_rng(3)
        estimate = ComplianceEstimate(0.3e-3)
        for force_n in np.linspace(0.2, 1.5, 60):
            estimate.add(force_n, 0.06 - (2e-3 + 0.6e-3) * force_n + 1e-5 * rng.standard_normal())
        value, variance = estimate.result()
        assert abs(value - 2e-3) < 4 * math.sqrt(variance)
        assert math.sqrt(variance) < 1e-5

    @pytest.mark.parametrize("pad", [math.nan, 0.3e-3])
    def test_says_nothing_without_cause(self, pad: float) -> None:
        """Without the pads' own compliance, or without a change of force, the answer is NaN."""
        estimate = ComplianceEstimate(pad)
        for number in range(50):
            estimate.add(1.0 if pad > 0 else 0.1 * number, 0.05)
        assert math.isnan(estimate.result()[0])
