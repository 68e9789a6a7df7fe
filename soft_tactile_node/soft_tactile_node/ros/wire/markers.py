"""What RViz shows of a finger: arc, pad, force arrow, touch."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from builtin_interfaces.msg import Duration, Time
from geometry_msgs.msg import Point
from std_msgs.msg import ColorRGBA

from soft_tactile_node.physics.kinematics import pad_pose
from soft_tactile_node.ros.wire.conversions import pose_message
from soft_tactile_node.samples import Estimate

try:
    from visualization_msgs.msg import Marker
    from visualization_msgs.msg import MarkerArray as MarkerArray
except ImportError:  # not everywhere installed; markers are then left out
    Marker = MarkerArray = None

ARROW_M_PER_N = 0.02
LEAST_ARROW_N = 0.02
TOUCH_SIZE_M = 0.008
LIFETIME = Duration(sec=1)
PAD_SIZE_M = (0.024, 0.024, 0.004)

FREE_COLOUR = ColorRGBA(r=0.0, g=0.45, b=0.70, a=1.0)  # blue and orange stay apart for colour-blind eyes
TOUCH_COLOUR = ColorRGBA(r=0.90, g=0.62, b=0.0, a=1.0)
FINGER_COLOUR = ColorRGBA(r=0.6, g=0.6, b=0.6, a=1.0)


class Frames(NamedTuple):
    """Names of the pad frame and the root frame."""

    pad: str
    root: str


def available() -> bool:
    """Return whether marker messages are installed."""
    return MarkerArray is not None


def finger_markers(estimate: Estimate, geometry: tuple[float, float] | None, frames: Frames, stamp: Time) -> Any:
    """Return the markers of one finger.

    Parameters
    ----------
    estimate : Estimate
        Bend (rad), force (N) and touch are shown.
    geometry : tuple of float or None
        Arc length and height of the pad surface (m); None or an unknown bend = everything in the pad frame, no arc.
    frames : Frames
        Where to draw.
    stamp : builtin_interfaces.msg.Time
        Acquisition time.

    Returns
    -------
    visualization_msgs.msg.MarkerArray
        Pad, force arrow (0.02 m per N), the touch and, with geometry, the finger arc. They vanish by themselves when
        no new ones come.
    """
    if geometry is None or not math.isfinite(estimate.bend_rad):
        frame, arc, position_m, rotation = frames.pad, [], np.zeros(3), np.eye(3)
    else:
        frame, arc = frames.root, [_arc(estimate.bend_rad, geometry[0])]
        position_m, rotation = pad_pose(estimate.bend_rad, *geometry)
    found = [_pad(estimate, position_m, rotation), _arrow(estimate, position_m, rotation)]
    found += [_touch(estimate, position_m), *arc]
    for number, marker in enumerate(found):
        marker.lifetime = LIFETIME
        marker.header.stamp, marker.header.frame_id = stamp, frame
        marker.ns, marker.id = "finger", number
    return MarkerArray(markers=found)


def _pad(estimate: Estimate, position_m: Any, rotation: Any) -> Any:
    marker = Marker(type=Marker.CUBE, pose=pose_message(position_m, rotation))
    marker.scale.x, marker.scale.y, marker.scale.z = PAD_SIZE_M
    marker.color = TOUCH_COLOUR if estimate.in_contact else FREE_COLOUR
    return marker


def _arrow(estimate: Estimate, position_m: Any, rotation: Any) -> Any:
    """Draw the force that the world applies, ending at the pad; without a shown force the old arrow is taken away."""
    force_n = np.nan_to_num(np.asarray(estimate.force_n, dtype=np.float64), nan=0.0)
    marker = Marker(type=Marker.ARROW)
    if np.linalg.norm(force_n) < LEAST_ARROW_N:
        marker.action = Marker.DELETE
        return marker
    tail_m = position_m - ARROW_M_PER_N * (rotation @ force_n)
    marker.points = [_point(tail_m), _point(position_m)]
    marker.scale.x, marker.scale.y = 0.003, 0.006
    marker.color = TOUCH_COLOUR
    return marker


def _touch(estimate: Estimate, position_m: Any) -> Any:
    """Draw a ball where the pad is touched, the surer the more solid; without a touch the old one is taken away."""
    marker = Marker(type=Marker.SPHERE)
    if not estimate.in_contact:
        marker.action = Marker.DELETE
        return marker
    marker.pose = pose_message(np.asarray(position_m), np.eye(3))
    marker.scale.x = marker.scale.y = marker.scale.z = TOUCH_SIZE_M
    sure = min(max(estimate.contact_probability, 0.2), 1.0)
    marker.color = ColorRGBA(r=TOUCH_COLOUR.r, g=TOUCH_COLOUR.g, b=TOUCH_COLOUR.b, a=sure)
    return marker


def _arc(bend_rad: float, arc_length_m: float) -> Any:
    marker = Marker(type=Marker.LINE_STRIP, color=FINGER_COLOUR)
    marker.scale.x = 0.006
    shares = np.linspace(0.0, 1.0, 13)
    marker.points = [_point(pad_pose(bend_rad * share, arc_length_m * share, 0.0)[0]) for share in shares]
    return marker


def _point(position_m: Any) -> Point:
    x, y, z = (float(value) for value in position_m)
    return Point(x=x, y=y, z=z)
