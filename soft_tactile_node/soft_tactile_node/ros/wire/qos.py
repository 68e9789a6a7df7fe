"""Quality of service of every topic, in one place; the standard `qos_overrides` parameters can change all of it."""

from __future__ import annotations

import math

from rclpy.duration import Duration
from rclpy.qos import (
    QoSDurabilityPolicy,
    QoSHistoryPolicy,
    QoSLivelinessPolicy,
    QoSPolicyKind,
    QoSProfile,
    QoSReliabilityPolicy,
)
from rclpy.qos_overriding_options import QoSOverridingOptions

LIVELINESS_LEASE_S = 0.5
"""Who asks for the sign of life of a node learns within this time that it has died."""

COIL_DEPTH = 500
"""Scans kept for a slow reader: 0.25 s at 2 kHz."""

PRESSURE_DEPTH = 4 * COIL_DEPTH
"""Pressure readings kept for it: those of all the scans that are kept, though they came four times as often."""


def sensor_data(depth: int = PRESSURE_DEPTH) -> QoSProfile:
    """Return the profile of raw readings: newest data matter, lost ones do not."""
    return QoSProfile(
        depth=depth,
        history=QoSHistoryPolicy.KEEP_LAST,
        reliability=QoSReliabilityPolicy.BEST_EFFORT,
        durability=QoSDurabilityPolicy.VOLATILE,
    )


def reliable(depth: int, *, latched: bool = False, alive: bool = False) -> QoSProfile:
    """Return a profile that loses nothing.

    Parameters
    ----------
    depth : int
        Messages kept.
    latched : bool
        Whether late subscribers get the last `depth` messages.
    alive : bool
        Whether the writer gives signs of life: LIVELINESS automatic with a lease of 0.5 s.

    Returns
    -------
    rclpy.qos.QoSProfile
        Reliable.
    """
    durability = QoSDurabilityPolicy.TRANSIENT_LOCAL if latched else QoSDurabilityPolicy.VOLATILE
    profile = QoSProfile(
        depth=depth,
        history=QoSHistoryPolicy.KEEP_LAST,
        reliability=QoSReliabilityPolicy.RELIABLE,
        durability=durability,
    )
    if alive:
        profile.liveliness = QoSLivelinessPolicy.AUTOMATIC
        profile.liveliness_lease_duration = Duration(nanoseconds=round(LIVELINESS_LEASE_S * 1e9))
    return profile


def estimate(deadline_s: float = math.inf) -> QoSProfile:
    """Return the profile of estimates: reliable, with the longest gap and the sign of life that are promised.

    Parameters
    ----------
    deadline_s : float
        Longest gap between two messages that is promised (s); infinite = none.

    Returns
    -------
    rclpy.qos.QoSProfile
        Reliable, depth 10, DEADLINE as given, LIVELINESS automatic with a lease of 0.5 s.
    """
    profile = reliable(10, alive=True)
    if math.isfinite(deadline_s):
        profile.deadline = Duration(nanoseconds=round(deadline_s * 1e9))
    return profile


def overridable() -> QoSOverridingOptions:
    """Return the options that let parameters override history, depth, reliability and durability of a topic."""
    return QoSOverridingOptions(
        [QoSPolicyKind.HISTORY, QoSPolicyKind.DEPTH, QoSPolicyKind.RELIABILITY, QoSPolicyKind.DURABILITY]
    )
