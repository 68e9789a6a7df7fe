from __future__ import annotations

import math
from xml.etree import ElementTree as Xml

import numpy as np
from numpy.testing import assert_allclose

from soft_tactile_node.grasp.palm import PalmGeometry
from soft_tactile_node.grasp.palm_model import palm_urdf


def turned(rpy: str) -> np.ndarray:
    """Return the rotation of URDF's roll, pitch, yaw, written out: about fixed x, then y, then z."""
    (cr, sr), (cp, sp), (cy, sy) = ((math.cos(float(a)), math.sin(float(a))) for a in rpy.split())
    about_x = np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    about_y = np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]])
    about_z = np.array([[cy, -sy, 0], [sy, cy, 0], [0, 0, 1]])
    return about_z @ about_y @ about_x


def test_roots_are_where_the_geometry_says() -> None:
    """Place and turn of each fixed joint are those of the palm; upright fingers point out of the palm, z outward."""
    geometry = PalmGeometry((0.0, math.pi), 0.03, tilt_rad=0.35)
    robot = Xml.fromstring(palm_urdf(geometry, "palm", ("left", "right")))
    assert [link.get("name") for link in robot.findall("link")] == ["palm", "left", "right"]
    for number, joint in enumerate(robot.findall("joint")):
        origin = joint.find("origin")
        assert origin is not None
        assert_allclose([float(v) for v in origin.get("xyz", "").split()], [0.03 * (-1) ** number, 0.0, 0.0], atol=1e-9)
        assert_allclose(turned(origin.get("rpy", "")), geometry.root_to_palm(number), atol=1e-8)
    upright = Xml.fromstring(palm_urdf(PalmGeometry((0.0,), 0.03), "palm", ("finger",))).find("joint/origin")
    assert upright is not None
    # hand calculation: x of the root along z of the palm, z of the root outward along x of the palm
    assert_allclose(turned(upright.get("rpy", "")), [[0, 0, 1], [0, -1, 0], [1, 0, 0]], atol=1e-8)
