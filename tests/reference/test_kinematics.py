"""Group I: constant curvature, wrench transfer, quaternions."""

import math

import numpy as np
from scipy.linalg import expm
from transforms3d import euler

from soft_tactile_node.physics.kinematics import pad_pose, quaternion_xyzw, rotation_from_xyzw, wrench_transfer_matrix

MURRAY = "Murray, Li, Sastry 1994 sec. 2.5 [NUM]"


def test_arc_by_matrix_exponential(table):
    """The exponential of the body twist gives the same end of the neutral line and the same rotation."""
    arc, bend = 0.080, 0.7
    twist = np.zeros((4, 4))
    twist[:3, :3] = [[0.0, 0.0, bend / arc], [0.0, 0.0, 0.0], [-bend / arc, 0.0, 0.0]]  # about +y
    twist[0, 3] = 1.0
    moved = expm(twist * arc)
    position, rotation = pad_pose(bend, arc, 0.0)
    table.close("end of the arc (m)", position, moved[:3, 3], "scipy expm [LIB]", atol=1e-12)
    table.close("its rotation", rotation, moved[:3, :3], "scipy expm [LIB]", atol=1e-12)


def test_wrench_transfer(table):
    """I6 and I7: a wrench in another frame, and the case anyone can do by hand."""
    rotation, origin = euler.euler2mat(0.1, 0.2, 0.3, "sxyz"), (0.01, 0.02, 0.05)
    wrench = np.array([1.0, 2.0, 3.0, 0.01, -0.02, 0.03])
    got = wrench_transfer_matrix(rotation, origin) @ wrench
    table.close("I6 force (N)", got[:3], (1.041154, 2.091609, 2.922528), MURRAY, atol=1e-6)
    table.close("I6 torque (N m)", got[3:], (-0.024714, 0.005491, 0.025405), MURRAY, atol=1e-6)
    # power does not depend on the frame: twist of B in A by the adjoint
    rng = np.random.default_rng(4)
    v_b, w_b = rng.normal(size=3), rng.normal(size=3)
    w_a = rotation @ w_b
    twist_a = np.concatenate([rotation @ v_b + np.cross(origin, w_a), w_a])
    power = float(wrench @ np.concatenate([v_b, w_b]))
    table.close("I6 power in both frames (W)", float(got @ twist_a), power, "invariance", rtol=1e-12)
    turn = euler.euler2mat(0.0, 0.0, math.pi / 2, "sxyz")
    by_hand = wrench_transfer_matrix(turn, (0, 0, 0.1)) @ [1.0, 0, 0, 0, 0, 0]
    table.close("I7 wrench (N, N m)", by_hand, (0, 1, 0, -0.1, 0, 0), MURRAY, atol=1e-15)


def test_quaternion_order(table):
    """I8: x-y-z-w for messages, with w >= 0, although the library counts w first."""
    rotation = euler.euler2mat(0.1, 0.2, 0.3, "sxyz")
    got = quaternion_xyzw(rotation)
    expected = (0.0342708, 0.10602051, 0.14357218, 0.98334744)
    table.close("I8 quaternion xyzw", got, expected, "transforms3d [LIB]", atol=1e-7)
    table.close("I8 back", rotation_from_xyzw(3.0 * got), rotation, "any length", atol=1e-12)
    turned_over = euler.euler2mat(3.0, 0.2, 0.3, "sxyz")
    assert quaternion_xyzw(turned_over)[3] >= 0.0


def test_bent_finger_turns_force(table):
    """The frames of the finger: at a quarter turn a pad force along z pushes the root along x."""
    position, rotation = pad_pose(math.pi / 2, 0.080, 0.0)
    force = wrench_transfer_matrix(rotation, position) @ [0, 0, 1.0, 0, 0, 0]
    table.close("pad z at 90 degrees (N in root)", force[:3], (1, 0, 0), "frame convention", atol=1e-12)
    position, _ = pad_pose(0.0, 0.080, 0.012)
    table.close("straight pad (m in root)", position, (0.080, 0, -0.012), "frame convention", atol=1e-15)
    # towards the object is towards -z of the root
    position, _ = pad_pose(0.3, 0.080, 0.012)
    assert position[2] < -0.012
