"""What must hold for any geometry: reciprocity, scaling, symmetry, inverses, conservation."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import assume, given, settings
from transforms3d.axangles import axangle2mat
from transforms3d.euler import euler2mat

from property import strategies as own
from reference.formulas import loop_disc_change, mutual_inclined
from soft_tactile_node.physics.demagnetisation import demagnetised_response
from soft_tactile_node.physics.eddy_layers import Layer, SheetCoil, impedance_change, reflection
from soft_tactile_node.physics.filaments import loop_field, mutual_coaxial
from soft_tactile_node.physics.iron_disc import MagneticDisc
from soft_tactile_node.physics.kinematics import pad_pose, quaternion_xyzw, rotation_from_xyzw, wrench_transfer_matrix
from soft_tactile_node.physics.resonator import inductance_from_frequency, resonance_frequency
from soft_tactile_node.physics.spiral import inductance_rings, mutual_spirals
from soft_tactile_node.physics.two_cells import CellWall, settled_volume

FEW = settings(max_examples=25)


@given(own.lengths, own.lengths, own.offsets)
def test_coaxial_mutual_is_reciprocal(a, b, d):
    """Either loop may be the primary, and the sign of the distance does not matter."""
    assume(abs(a - b) > 1e-9 or abs(d) > 1e-9)
    one = mutual_coaxial(a, b, d)
    np.testing.assert_allclose(mutual_coaxial(b, a, -d), one, rtol=1e-12, atol=0)
    assert one > 0.0


@given(own.lengths, own.lengths, own.offsets, own.scales)
def test_coaxial_mutual_scales_with_length(a, b, d, s):
    """A geometry s times as large has s times the mutual inductance."""
    assume(abs(a - b) > 1e-6 or abs(d) > 1e-6)
    np.testing.assert_allclose(mutual_coaxial(s * a, s * b, s * d), s * mutual_coaxial(a, b, d), rtol=1e-9, atol=0)


@FEW
@given(own.lengths, own.lengths, own.any_angles, own.ratios, own.angles)
def test_inclined_mutual_is_reciprocal(a, b, bearing, ratio, tilt):
    """The mutual inductance is the same seen from either loop."""
    x, z = ratio * (a + b) * math.sin(bearing), ratio * (a + b) * math.cos(bearing)
    forward = mutual_inclined(a, b, (x, 0.0, z), (math.sin(tilt), 0.0, math.cos(tilt)))
    # the first loop, seen in the frame of the second
    turn = axangle2mat((0.0, 1.0, 0.0), -tilt)
    back = mutual_inclined(b, a, turn @ np.array([-x, 0.0, -z]), turn @ np.array([0.0, 0.0, 1.0]))
    scale = 4e-7 * math.pi * (a * b) ** 2 / math.hypot(x, z) ** 3
    np.testing.assert_allclose(back, forward, rtol=1e-7, atol=1e-8 * scale)


@FEW
@given(own.spirals(), own.spirals(), own.angles)
def test_coils_are_reciprocal_and_bounded(one, two, tilt):
    """Coils couple alike both ways, and never more than their own inductances allow."""
    d = 1.5 * (one.outer_radius_m + two.outer_radius_m)
    forward = mutual_spirals(one, two, (d, 0, 0), (math.sin(tilt), 0, math.cos(tilt)))
    turn = axangle2mat((0.0, 1.0, 0.0), -tilt)
    back = mutual_spirals(two, one, turn @ np.array([-d, 0, 0]), turn @ np.array([0, 0, 1.0]))
    bound = math.sqrt(inductance_rings(one) * inductance_rings(two))
    np.testing.assert_allclose(back, forward, rtol=1e-6, atol=1e-9 * bound)
    assert abs(forward) < bound


@given(own.lengths, own.lengths, own.offsets)
def test_field_has_no_sources(a, rho, z):
    """Off the wire the field has neither divergence nor curl."""
    assume(math.hypot(a - rho, z) > 0.2 * a)
    h = 1e-4 * a

    def b(r, s):
        return np.array(loop_field(a, r, s)).ravel()

    size = np.linalg.norm(b(rho, z)) / a
    radial = ((rho + h) * b(rho + h, z)[0] - (rho - h) * b(rho - h, z)[0]) / (2 * h * rho)
    axial = (b(rho, z + h)[1] - b(rho, z - h)[1]) / (2 * h)
    assert abs(radial + axial) < 2e-4 * (size + 1e-3 * size * a / rho)
    curl = (b(rho, z + h)[0] - b(rho, z - h)[0]) / (2 * h) - (b(rho + h, z)[1] - b(rho - h, z)[1]) / (2 * h)
    assert abs(curl) < 2e-4 * size


@FEW
@given(own.frequencies, own.scales)
def test_eddy_currents_scale(frequency, s):
    """Lengths times s and frequency over s^2 leave the skin depth in proportion: dL grows by s."""
    coil = SheetCoil(2e-3, 6e-3, 0.5e-3, 0.6e-3, 20)
    large = SheetCoil(2e-3 * s, 6e-3 * s, 0.5e-3 * s, 0.6e-3 * s, 20)
    one = impedance_change(coil, Layer(3.4e6, 0.3e-3), frequency)
    two = impedance_change(large, Layer(3.4e6, 0.3e-3 * s), frequency / s**2)
    np.testing.assert_allclose(two[0], s * one[0], rtol=1e-6, atol=1e-9 * abs(one[0]))
    np.testing.assert_allclose(two[1], one[1] / s, rtol=1e-6, atol=0)


@given(own.frequencies, own.lengths)
def test_conductor_reflects_and_takes_energy(frequency, thickness):
    """A plain conductor lowers L and adds loss at every spatial frequency: Re R <= 0 <= -Im R, |R| <= 1."""
    r = reflection(np.geomspace(1.0, 1e5, 50), (Layer(3.4e6, 0.01 * thickness),), 2 * math.pi * frequency)
    assert np.all(r.real <= 1e-12)
    assert np.all(r.imag <= 1e-12)
    assert np.all(np.abs(r) <= 1.0 + 1e-12)


@FEW
@given(own.scales)
def test_disc_change_scales_with_length(s):
    """Disc, coil and gap times s: the change of inductance grows by s."""
    one = loop_disc_change(5e-3, MagneticDisc(3e-3, 1e-3, 1.0), 1e-3)
    two = loop_disc_change(5e-3 * s, MagneticDisc(3e-3 * s, 1e-3 * s, 1.0), 1e-3 * s)
    np.testing.assert_allclose(two, s * one, rtol=1e-9, atol=0)


def test_demagnetised_disc_scales_with_volume():
    """The form of a disc twice as large is eight times that of the disc: its shape is the same."""
    small = demagnetised_response(MagneticDisc(3e-3, 1e-3, 2.0), rings=8, orders=3, nodes=4)
    large = demagnetised_response(MagneticDisc(6e-3, 2e-3, 2.0), rings=8, orders=3, nodes=4)
    np.testing.assert_allclose(large.form, 8.0 * small.form, rtol=1e-9, atol=1e-9 * np.abs(large.form).max())


@given(own.any_angles, own.any_angles, own.any_angles, own.vectors, own.vectors, own.vectors)
def test_wrench_transfer_inverts(a, b, c, force, torque, origin):
    """There and back gives the wrench again, and the force is only turned."""
    turn = euler2mat(a, b, c)
    there = wrench_transfer_matrix(turn, origin) @ np.concatenate([force, torque])
    back = wrench_transfer_matrix(turn.T, -turn.T @ origin) @ there
    np.testing.assert_allclose(back, np.concatenate([force, torque]), rtol=0, atol=1e-10)
    np.testing.assert_allclose(there[:3], turn @ force, rtol=0, atol=1e-10)


@given(own.any_angles, own.any_angles, own.any_angles)
def test_quaternion_round_trip(a, b, c):
    """Rotation to quaternion and back; the quaternion has length one and w >= 0."""
    turn = euler2mat(a, b, c)
    q = quaternion_xyzw(turn)
    np.testing.assert_allclose(np.linalg.norm(q), 1.0, rtol=1e-12, atol=0)
    assert q[3] >= 0.0
    np.testing.assert_allclose(rotation_from_xyzw(q), turn, rtol=0, atol=1e-10)


@given(own.any_angles)
def test_nan_force_stays_nan(bend):
    """A force that is not observed never becomes a number."""
    position, turn = pad_pose(bend, 0.08, 0.012)
    wrench = wrench_transfer_matrix(turn, position) @ [math.nan, math.nan, 1.0, 0.0, 0.0, 0.0]
    assert np.isnan(wrench[0])
    assert np.isnan(wrench[3:]).any()


@given(own.any_angles)
def test_pad_stays_on_its_arc(bend):
    """The neutral line keeps its length: its chord is that of an arc, and the pad is h away from the line."""
    position, turn = pad_pose(bend, 0.08, 0.012)
    on_line = position + turn @ np.array([0.0, 0.0, 0.012])
    chord = 0.08 * abs(math.sin(0.5 * bend) / (0.5 * bend)) if abs(bend) > 1e-9 else 0.08
    np.testing.assert_allclose(np.linalg.norm(on_line), chord, rtol=1e-9, atol=0)


@given(own.frequencies)
def test_tank_round_trip(frequency):
    """Frequency to inductance and back."""
    inductance = inductance_from_frequency(frequency, 1e-10, 0.5)
    assume(math.isfinite(float(inductance)))
    np.testing.assert_allclose(resonance_frequency(inductance, 1e-10, 0.5), frequency, rtol=1e-9, atol=0)


@given(own.scales)
def test_settled_volume_grows_with_force_and_is_odd(s):
    """More force displaces more metal, but never more than in proportion; suction is the mirror image."""
    press, cell = CellWall(4e-3, 1e-3, 3e5), CellWall(6e-3, 2e-3, 3e5)
    one, more = settled_volume(0.1, press, cell), settled_volume(0.1 * (1 + s), press, cell)
    assert one < more <= (1 + s) * one * (1 + 1e-9)
    np.testing.assert_allclose(settled_volume(-0.1, press, cell), -one, rtol=1e-12, atol=0)
