from __future__ import annotations

import math

import numpy as np
from numpy.testing import assert_allclose

from soft_tactile_node.grasp.palm import PalmGeometry, pad_force, pad_gap, palm_forces
from soft_tactile_node.physics.kinematics import rotation_y
from unit.grasp.test_state import views

TWO = (0.0, math.pi)


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

    def test_three_even_fingers_balance_and_carry(self) -> None:
        """Three evenly spaced pads that squeeze evenly have no imbalance; their shear carries the weight threefold."""
        fingers = views((True, True, True), 20e3)
        for finger in fingers:
            finger.bend_rad, finger.force_n = 0.0, np.array([0.5, 0.0, 2.0])
        total, imbalance = palm_forces(PalmGeometry((0.0, math.tau / 3, 2 * math.tau / 3)), fingers)
        assert_allclose(imbalance, 0.0, rtol=0, atol=1e-14)
        assert_allclose(total, [0.0, 0.0, 1.5], rtol=0, atol=1e-14)

    def test_a_root_frame_force_comes_back_to_the_pad(self) -> None:
        """What a finger publishes in its root frame is the pad's own normal force again, at any bend."""
        pad_n = np.array([0.2, -0.1, 1.3])
        assert_allclose(pad_force(rotation_y(0.7) @ pad_n, 0.7), pad_n, rtol=1e-14)
        assert_allclose(pad_force(np.array([1.0, 0.0, 0.0]), math.pi / 2), [0.0, 0.0, 1.0], rtol=0, atol=1e-15)


class TestGap:
    """Distance between the pads."""

    GEOMETRY = PalmGeometry(TWO, root_radius_m=0.055, arc_length_m=0.080, surface_offset_m=0.012)

    def test_straight_fingers_span_the_roots_less_the_pads(self) -> None:
        """Two straight fingers leave twice (root radius - pad offset) between them."""
        fingers = views((True, True), 20e3)
        for finger in fingers:
            finger.bend_rad = 0.0
        gap_m, _ = pad_gap(self.GEOMETRY, fingers)
        assert_allclose(gap_m, 2 * (0.055 - 0.012), rtol=1e-14)

    def test_quarter_turn_by_hand(self) -> None:
        """At a bend of pi/2 the pad has moved in by s * 2/pi and its surface offset points along x (worked by hand)."""
        assert_allclose(self.GEOMETRY.pad_radius_m(math.pi / 2), 0.055 - 0.080 * 2 / math.pi, rtol=1e-12)

    def test_variance_comes_from_the_bends(self) -> None:
        """The variance of the width equals that of many widths with scattered bends."""
        fingers = views((True, True), 20e3)
        _, variance = pad_gap(self.GEOMETRY, fingers)
        bends = 0.3 + 1e-2 * np.random.default_rng(1).standard_normal((20000, 2))
        widths = [sum(self.GEOMETRY.pad_radius_m(b) for b in pair) for pair in bends]
        assert_allclose(variance, np.var(widths), rtol=0.05)

    def test_is_unknown_without_a_hold_or_lengths(self) -> None:
        """One touching finger, or a palm without lengths, gives NaN."""
        assert math.isnan(pad_gap(self.GEOMETRY, views((True, False), 20e3))[0])
        assert math.isnan(pad_gap(PalmGeometry(TWO), views((True, True), 20e3))[0])
