"""Constant-curvature bending and wrench transfer.

Root frame: origin at the finger root on the neutral line, x to the tip, z inward (away from the object); bend b turns
the pad about the root's +y, positive towards the object. Quaternions are x-y-z-w here and in messages.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from transforms3d.quaternions import mat2quat, quat2mat

from soft_tactile_node.checks import check_shape
from soft_tactile_node.compiled import compiled
from soft_tactile_node.samples import Array


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


def rotation_y(angle_rad: float) -> Array:
    """Return the rotation by `angle_rad` (rad) about y, right-handed, shape (3, 3); y stays where the angle is NaN."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


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
    """Return `rotation`, shape (3, 3), as unit quaternion x, y, z, w, shape (4,), with w >= 0 (1)."""
    w, x, y, z = mat2quat(check_shape(rotation, (3, 3), name="rotation"))
    return np.array([x, y, z, w])


def rotation_from_xyzw(quaternion: ArrayLike) -> Array:
    """Return the rotation, shape (3, 3), of `quaternion` x, y, z, w, shape (4,), any length > 0 (1)."""
    x, y, z, w = check_shape(quaternion, (4,), name="quaternion")
    return np.asarray(quat2mat((w, x, y, z)))
