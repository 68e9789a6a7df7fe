"""The base's motion from `base_motion`: which reading belongs to which scan, turned to the finger's root frame."""

from __future__ import annotations

import math

import numpy as np
from sensor_msgs.msg import Imu

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.physics.kinematics import rotation_from_xyzw
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.samples import Array

HOLD_S = 0.1
"""Longest time a reading is held (s)."""

KEPT = 50
NOT_UNIT = 0.01
"""How far from 1 the length of a quaternion may be, written with few digits (1)."""


class BaseMotion:
    """Hears `base_motion` and hands each scan the newest reading that is not younger than it.

    Parameters
    ----------
    node : ManagedNode
        Owner; its parameter `base_motion_axes` turns the readings to the finger root.

    Raises
    ------
    ParameterError
        `base_motion_axes` is no rotation.
    """

    def __init__(self, node: ManagedNode) -> None:
        self._rotation = rotation_of(node.setting("base_motion_axes"))
        self._readings: list[tuple[float, Array]] = []
        node.subscribe_to(Imu, "base_motion", self._on_motion, qos.sensor_data(100))

    def at(self, time_s: float) -> Array | None:
        """Return the specific force of the base in the root frame for a scan.

        Parameters
        ----------
        time_s : float
            Time of the scan (s), same clock as the readings.

        Returns
        -------
        numpy.ndarray, shape (3,), or None
            Acceleration less gravity (m/s^2), at rest 9.81 upwards; NaN = the last reading is too old, None = there
            never was one.
        """
        if not self._readings:
            return None
        older = [reading for reading in self._readings if reading[0] <= time_s]
        if not older or time_s - older[-1][0] > HOLD_S:
            return np.full(3, math.nan)
        return older[-1][1]

    def _on_motion(self, message: Imu) -> None:
        if message.linear_acceleration_covariance[0] == -1.0:  # "not measured", says the message
            return
        force = message.linear_acceleration
        values = np.array([force.x, force.y, force.z])
        self._readings.append((conversions.stamp_to_seconds(message.header.stamp), self._rotation @ values))
        del self._readings[:-KEPT]


def rotation_of(quaternion: list[float]) -> Array:
    """Return the rotation, shape (3, 3), of a quaternion x, y, z, w; none given = no turn.

    Raises
    ------
    ParameterError
        It is not of four numbers or of length 1.
    """
    if not quaternion:
        return np.eye(3)
    length = float(np.linalg.norm(quaternion))
    if len(quaternion) != 4 or not abs(length - 1.0) <= NOT_UNIT:
        raise ParameterError(
            f"parameter 'base_motion_axes' must be empty or four numbers x, y, z, w of length 1; got {quaternion}"
        )
    try:
        return rotation_from_xyzw(np.array(quaternion) / length)
    except SoftTactileError as error:
        raise ParameterError(f"parameter 'base_motion_axes': {error}") from error
