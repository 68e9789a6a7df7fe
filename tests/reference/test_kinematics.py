"""Group I: constant curvature, wrench transfer, quaternions."""

import math

import numpy as np
import pytest
from scipy.linalg import expm

from soft_tactile_node.physics.kinematics import (
    arc_tip,
    pad_pose,
    quaternion_xyzw,
    rotation_from_xyzw,
    rotation_z,
    three_actuator_arc,
    transfer_wrench,
    wrench_transfer_matrix,
)

WEBSTER = "Webster & Jones 2010 [title SEEN][RECALL formula]"
MURRAY = "Murray, Li, Sastry 1994 sec. 2.5 [NUM]"


@pytest.mark.parametrize(
    ("name", "curvature", "plane", "length", "expected", "atol"),
    [
        ("I1", 10.0, 0.0, 0.1, (0.045969769, 0, 0.084147098), 1e-9),
        ("I2", (math.pi / 2) / 0.1, 0.0, 0.1, (0.063661977, 0, 0.063661977), 1e-9),
        ("I3", 5.0, math.pi / 4, 0.12, (0.02470127, 0.02470127, 0.11292849), 1e-8),
        ("I1 straight", 0.0, 0.3, 0.1, (0, 0, 0.1), 1e-15),
    ],
)
def test_tip(table, name, curvature, plane, length, expected, atol):
    """I1 to I3: tip of an arc, and its straight limit."""
    position, _ = arc_tip(curvature, plane, length)
    table.close(f"{name} tip (m)", position, expected, WEBSTER, atol=atol)


def test_quarter_circle_turns_z_to_x():
    """I2: after a quarter circle the tip's z axis points along x."""
    _, rotation = arc_tip((math.pi / 2) / 0.1, 0.0, 0.1)
    np.testing.assert_allclose(rotation @ [0, 0, 1], [1, 0, 0], rtol=0, atol=1e-12)


def test_against_matrix_exponential(table):
    """I3 and I4: the exponential of the body twist gives the same tip and the torsion-free rotation."""
    curvature, plane, length = 5.0, math.pi / 4, 0.12
    position, rotation = arc_tip(curvature, plane, length)
    w = np.array([-math.sin(plane), math.cos(plane), 0.0]) * curvature
    twist = np.zeros((4, 4))
    twist[:3, :3] = [[0, -w[2], w[1]], [w[2], 0, -w[0]], [-w[1], w[0], 0]]
    twist[2, 3] = 1.0
    moved = expm(twist * length)
    table.close("I3 tip by matrix exponential (m)", position, moved[:3, 3], "scipy expm [LIB]", atol=1e-12)
    free = rotation @ rotation_z(-plane)
    table.close("I4 torsion-free rotation, first row", free[0], (0.912668, -0.087332, 0.399263), WEBSTER, atol=1e-6)
    table.close("I4 whole rotation", free, moved[:3, :3], "scipy expm [LIB]", atol=1e-12)


@pytest.mark.parametrize(
    ("lengths", "expected"),
    [((0.090, 0.105, 0.105), (0.1, 12.5, math.pi / 2)), ((0.098, 0.102, 0.106), (0.102, 5.660297, 2.094395))],
)
def test_three_actuators(table, lengths, expected):
    """I5: arc of three actuators at 120 degrees."""
    table.close(f"I5 {lengths}", three_actuator_arc(lengths, 0.008), expected, WEBSTER, rtol=1e-6)


def test_wrench_transfer(table):
    """I6: a wrench in another frame, with the rotation of a general library."""
    euler = pytest.importorskip("transforms3d").euler
    rotation = euler.euler2mat(0.1, 0.2, 0.3, "sxyz")
    origin, force, torque = (0.01, 0.02, 0.05), (1.0, 2.0, 3.0), (0.01, -0.02, 0.03)
    got_force, got_torque = transfer_wrench(force, torque, rotation, origin)
    table.close("I6 force (N)", got_force, (1.041154, 2.091609, 2.922528), MURRAY, atol=1e-6)
    table.close("I6 torque (N m)", got_torque, (-0.024714, 0.005491, 0.025405), MURRAY, atol=1e-6)
    stacked = wrench_transfer_matrix(rotation, origin) @ np.concatenate([force, torque])
    table.close("I6 by the 6 x 6 matrix", stacked, np.concatenate([got_force, got_torque]), "two routes", atol=1e-14)
    # power does not depend on the frame: twist of B in A by the adjoint
    rng = np.random.default_rng(4)
    v_b, w_b = rng.normal(size=3), rng.normal(size=3)
    w_a = rotation @ w_b
    v_a = rotation @ v_b + np.cross(origin, w_a)
    power_b = np.dot(force, v_b) + np.dot(torque, w_b)
    power_a = np.dot(got_force, v_a) + np.dot(got_torque, w_a)
    table.close("I6 power in both frames (W)", power_a, power_b, "invariance", rtol=1e-12)


def test_wrench_by_hand(table):
    """I7: the case anyone can do by hand."""
    force, torque = transfer_wrench((1, 0, 0), (0, 0, 0), rotation_z(math.pi / 2), (0, 0, 0.1))
    table.close("I7 force (N)", force, (0, 1, 0), MURRAY, atol=1e-15)
    table.close("I7 torque (N m)", torque, (-0.1, 0, 0), MURRAY, atol=1e-15)


def test_quaternion_order(table):
    """I8: x-y-z-w for messages, from a library that counts w first."""
    library = pytest.importorskip("transforms3d")
    rotation = library.euler.euler2mat(0.1, 0.2, 0.3, "sxyz")
    got = quaternion_xyzw(rotation)
    table.close(
        "I8 quaternion xyzw", got, (0.0342708, 0.10602051, 0.14357218, 0.98334744), "transforms3d [LIB]", atol=1e-7
    )
    rng = np.random.default_rng(6)
    for _ in range(100):
        angles = rng.uniform(-math.pi, math.pi, 3)
        matrix = library.euler.euler2mat(*angles, "sxyz")
        w, x, y, z = library.quaternions.mat2quat(matrix)
        sign = 1.0 if np.dot(quaternion_xyzw(matrix), (x, y, z, w)) > 0 else -1.0
        np.testing.assert_allclose(sign * quaternion_xyzw(matrix), (x, y, z, w), rtol=0, atol=1e-12)
        np.testing.assert_allclose(rotation_from_xyzw(quaternion_xyzw(matrix)), matrix, rtol=0, atol=1e-12)


def test_bent_finger_turns_force(table):
    """The frames of the finger: at a quarter turn a pad force along z pushes the root along x."""
    position, rotation = pad_pose(math.pi / 2, 0.080, 0.0)
    force, _ = transfer_wrench((0, 0, 1), (0, 0, 0), rotation, position)
    table.close("pad z at 90 degrees (N in root)", force, (1, 0, 0), "frame convention", atol=1e-12)
    position, _ = pad_pose(0.0, 0.080, 0.012)
    table.close("straight pad (m in root)", position, (0.080, 0, -0.012), "frame convention", atol=1e-15)
    # towards the object is towards -z of the root
    position, _ = pad_pose(0.3, 0.080, 0.012)
    assert position[2] < -0.012
