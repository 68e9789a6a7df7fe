"""Constant-curvature bending and wrench transfer.

Root frame: origin at the finger root on the neutral line, x to the tip, z inward (away from the object); bend b turns
the pad about the root's +y, positive towards the object. Quaternions are x-y-z-w here and in messages.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.checks import check_shape
from soft_tactile_node.compiled import compiled

Array = NDArray[np.float64]


@compiled
def _sine_over(angle: float) -> float:
    """Return sin(b)/b, 1 at zero."""
    return math.sin(angle) / angle if abs(angle) > 1.0e-8 else 1.0 - angle * angle / 6.0


@compiled
def _versine_over(angle: float) -> float:
    """Return (1 - cos(b))/b without cancellation, 0 at zero."""
    half = 0.5 * angle
    return math.sin(half) * _sine_over(half)


@compiled
def pad_position_formula(bend_rad: float, arc_m: float, height_m: float) -> tuple[float, float]:
    """Return x and z (m) of the pad origin in the root frame (y = 0).

    (s sin b/b, -s (1 - cos b)/b) + Ry(b) (0, -h).

    Notes
    -----
    Source: constant curvature; Webster & Jones, Int. J. Robotics Research 29(13) (2010) 1661-1683 (recalled).
    """
    x = arc_m * _sine_over(bend_rad) - height_m * math.sin(bend_rad)
    z = -arc_m * _versine_over(bend_rad) - height_m * math.cos(bend_rad)
    return x, z


def pad_pose(bend_rad: float, arc_m: float, height_m: float) -> tuple[Array, Array]:
    """Return position and rotation of the pad frame in the root frame.

    Parameters
    ----------
    bend_rad : float
        Bend angle (rad), positive towards the object.
    arc_m : float
        Arc length from root to pad along the neutral line (m).
    height_m : float
        Distance from the neutral line to the pad surface (m).

    Returns
    -------
    tuple of numpy.ndarray, shapes (3,) and (3, 3)
        Pad origin (m) and rotation R = Ry(bend): a vector of the pad frame times R is in the root frame.

    Notes
    -----
    Source: Webster & Jones, Int. J. Robotics Research 29(13) (2010) 1661-1683 (recalled).
    """
    x, z = pad_position_formula(bend_rad, arc_m, height_m)
    return np.array([x, 0.0, z]), rotation_y(bend_rad)


def arc_tip(curvature_1_m: float, plane_rad: float, length_m: float) -> tuple[Array, Array]:
    """Return tip position and rotation of a constant-curvature arc that starts along +z.

    p = (cos phi (1 - cos k l)/k, sin phi (1 - cos k l)/k, sin k l/k), R = Rz(phi) Ry(k l).

    Parameters
    ----------
    curvature_1_m : float
        Curvature (1/m); zero = straight.
    plane_rad : float
        Angle of the bending plane about z (rad).
    length_m : float
        Arc length (m).

    Returns
    -------
    tuple of numpy.ndarray, shapes (3,) and (3, 3)
        Position (m) and rotation. This rotation includes the turn Rz(phi) of the bending plane; the torsion-free one is
        R Rz(-phi).

    Notes
    -----
    Source: Webster & Jones, Int. J. Robotics Research 29(13) (2010) 1661-1683 (recalled).
    """
    angle = curvature_1_m * length_m
    across = length_m * _versine_over(angle)
    position = np.array([math.cos(plane_rad) * across, math.sin(plane_rad) * across, length_m * _sine_over(angle)])
    return position, rotation_z(plane_rad) @ rotation_y(angle)


def three_actuator_arc(lengths_m: ArrayLike, spacing_m: float) -> tuple[float, float, float]:
    """Return arc length (m), curvature (1/m) and bending plane (rad) of three actuators at 120 degrees.

    Parameters
    ----------
    lengths_m : array_like, shape (3,)
        Lengths of the actuators (m).
    spacing_m : float
        Distance of each from the centre line (m).

    Returns
    -------
    tuple of float
        Mean length (m), curvature (1/m), angle of the bending plane (rad).

    Notes
    -----
    Source: Webster & Jones, Int. J. Robotics Research 29(13) (2010) 1661-1683, robot-specific map (recalled).
    """
    l1, l2, l3 = check_shape(lengths_m, (3,), name="lengths_m")
    spread = math.sqrt(max(l1 * l1 + l2 * l2 + l3 * l3 - l1 * l2 - l1 * l3 - l2 * l3, 0.0))
    curvature = 2.0 * spread / (spacing_m * (l1 + l2 + l3))
    return (l1 + l2 + l3) / 3.0, curvature, math.atan2(math.sqrt(3.0) * (l2 + l3 - 2.0 * l1), 3.0 * (l2 - l3))


def rotation_y(angle_rad: float) -> Array:
    """Return the rotation matrix about y, right-handed.

    Parameters
    ----------
    angle_rad : float
        Angle (rad).

    Returns
    -------
    numpy.ndarray, shape (3, 3)
        Rotation (1).
    """
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rotation_z(angle_rad: float) -> Array:
    """Return the rotation matrix about z, right-handed.

    Parameters
    ----------
    angle_rad : float
        Angle (rad).

    Returns
    -------
    numpy.ndarray, shape (3, 3)
        Rotation (1).
    """
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def transfer_wrench(
    force_n: ArrayLike, torque_n_m: ArrayLike, rotation: ArrayLike, origin_m: ArrayLike
) -> tuple[Array, Array]:
    """Return a wrench in frame A from the same wrench in frame B: F_A = R F_B, T_A = R T_B + p x F_A.

    Parameters
    ----------
    force_n, torque_n_m : array_like, shape (..., 3)
        Force (N) and torque (N m) about B's origin, in B; NaN stays NaN.
    rotation : array_like, shape (3, 3)
        Rotation that takes vectors of B into A (1).
    origin_m : array_like, shape (3,)
        Origin of B in A (m).

    Returns
    -------
    tuple of numpy.ndarray, shape (..., 3)
        Force (N) and torque (N m) about A's origin, in A.

    Notes
    -----
    Source: Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994), sec. 2.5 (recalled).
    """
    matrix = check_shape(rotation, (3, 3), name="rotation")
    origin = check_shape(origin_m, (3,), name="origin_m")
    force = np.asarray(force_n, dtype=float) @ matrix.T
    torque = np.asarray(torque_n_m, dtype=float) @ matrix.T + np.cross(origin, force)
    return force, torque


def wrench_transfer_matrix(rotation: ArrayLike, origin_m: ArrayLike) -> Array:
    """Return the 6 x 6 matrix that takes a wrench (fx, fy, fz, tx, ty, tz) of frame B into frame A.

    Parameters
    ----------
    rotation : array_like, shape (3, 3)
        Rotation that takes vectors of B into A (1).
    origin_m : array_like, shape (3,)
        Origin of B in A (m).

    Returns
    -------
    numpy.ndarray, shape (6, 6)
        W with w_A = W w_B (1, and m in the block that turns force into torque); a covariance transfers as W C W^T.

    Notes
    -----
    Source: Murray, Li, Sastry, A Mathematical Introduction to Robotic Manipulation (1994), sec. 2.5 (recalled).
    """
    matrix = check_shape(rotation, (3, 3), name="rotation")
    x, y, z = check_shape(origin_m, (3,), name="origin_m")
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    out = np.zeros((6, 6))
    out[:3, :3] = matrix
    out[3:, 3:] = matrix
    out[3:, :3] = cross @ matrix
    return out


def quaternion_xyzw(rotation: ArrayLike) -> Array:
    """Return the quaternion of a rotation in message order x, y, z, w, with w >= 0.

    Parameters
    ----------
    rotation : array_like, shape (3, 3)
        Rotation matrix (1).

    Returns
    -------
    numpy.ndarray, shape (4,)
        Unit quaternion (1), x, y, z, w.

    Notes
    -----
    Source: largest-component form of S. W. Shepperd, J. Guidance and Control 1 (1978) 223-224 (recalled).
    """
    m = check_shape(rotation, (3, 3), name="rotation")
    trace = float(np.trace(m))
    choices = np.array([m[0, 0], m[1, 1], m[2, 2], trace])
    pick = int(np.argmax(choices))
    q = np.empty(4)
    if pick == 3:
        q[3] = 1.0 + trace
        q[:3] = m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]
    else:
        i, j, k = pick, (pick + 1) % 3, (pick + 2) % 3
        q[i] = 1.0 - trace + 2.0 * m[i, i]
        q[j] = m[j, i] + m[i, j]
        q[k] = m[k, i] + m[i, k]
        q[3] = m[k, j] - m[j, k]
    q = q / np.linalg.norm(q)
    return q if q[3] >= 0.0 else -q


def rotation_from_xyzw(quaternion: ArrayLike) -> Array:
    """Return the rotation matrix of a quaternion in message order x, y, z, w (any length > 0).

    Parameters
    ----------
    quaternion : array_like, shape (4,)
        Quaternion (1), x, y, z, w.

    Returns
    -------
    numpy.ndarray, shape (3, 3)
        Rotation (1).

    Notes
    -----
    Source: any rotation text.
    """
    q = check_shape(quaternion, (4,), name="quaternion")
    x, y, z, w = q / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
