"""A palm with its finger roots as a URDF: what stands still of a gripper; pads move as their sensors say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree import ElementTree as Xml

from transforms3d.euler import mat2euler

from soft_tactile_node.grasp.palm import PalmGeometry

PALM_THICKNESS_M = 0.012
ROOT_SIZE_M = (0.012, 0.022, 0.016)
"""Block that stands for the clamp of a finger: along it, across it, in the direction it bends (m)."""

COLOURS = {"palm": "0.35 0.38 0.42 1", "clamp": "0.62 0.65 0.70 1"}


def palm_urdf(geometry: PalmGeometry, palm_frame: str, root_frames: Sequence[str]) -> str:
    """Return the URDF of a link `palm_frame` with `root_frames`, in the order of the angles, by `geometry`."""
    robot = Xml.Element("robot", name=palm_frame)
    radius_m = geometry.root_radius_m + 0.5 * ROOT_SIZE_M[2]
    palm = _link(robot, palm_frame, "palm", (0.0, 0.0, -0.5 * PALM_THICKNESS_M))
    Xml.SubElement(palm, "cylinder", radius=f"{radius_m:.6g}", length=f"{PALM_THICKNESS_M:.6g}")
    for number, frame in enumerate(root_frames):
        block = _link(robot, frame, "clamp", (0.5 * ROOT_SIZE_M[0], 0.0, 0.0))
        Xml.SubElement(block, "box", size=_numbers(ROOT_SIZE_M))
        joint = Xml.SubElement(robot, "joint", name=f"{frame}_joint", type="fixed")
        Xml.SubElement(joint, "parent", link=palm_frame)
        Xml.SubElement(joint, "child", link=frame)
        turn = mat2euler(geometry.root_to_palm(number), "sxyz")  # the order of URDF: about fixed x, then y, then z
        Xml.SubElement(joint, "origin", xyz=_numbers(geometry.root_position_m(number)), rpy=_numbers(turn))
    Xml.indent(robot)
    return Xml.tostring(robot, encoding="unicode") + "\n"


def _link(robot: Xml.Element, name: str, colour: str, place_m: Sequence[float]) -> Xml.Element:
    """Add a link with one shape at a place (m); returns its element `geometry`."""
    visual = Xml.SubElement(Xml.SubElement(robot, "link", name=name), "visual")
    Xml.SubElement(visual, "origin", xyz=_numbers(place_m), rpy="0 0 0")
    shape = Xml.SubElement(visual, "geometry")
    Xml.SubElement(Xml.SubElement(visual, "material", name=colour), "color", rgba=COLOURS[colour])
    return shape


def _numbers(values: Iterable[float]) -> str:
    return " ".join(f"{value + 0.0:.9g}" for value in (round(float(value), 12) for value in values))
