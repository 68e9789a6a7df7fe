"""Message types without ROS 2: definitions, CDR in and out."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from typing import Any

from rosbags.typesys import Stores, get_types_from_msg, get_typestore
from rosbags.typesys.store import Typestore

COILS = "soft_tactile_msgs/msg/CoilReadings"
ESTIMATE = "soft_tactile_msgs/msg/PadEstimate"
EVENT = "soft_tactile_msgs/msg/ContactEvent"
TRUTH = "soft_tactile_msgs/msg/PadTruth"
PRESSURE = "sensor_msgs/msg/FluidPressure"
MOTION = "sensor_msgs/msg/Imu"
WRENCH = "geometry_msgs/msg/WrenchStamped"

OWN = "soft_tactile_msgs/msg/"

_SECTION = re.compile(r"^={20,}\s*^MSG:\s*(\S+)\s*$", re.MULTILINE)
_CONSTANT = re.compile(r"^\S+\s+[A-Za-z]\w*\s*=")


@cache
def type_store() -> Typestore:
    """Return the message types of ROS 2's standard packages and of `soft_tactile_msgs`."""
    store = get_typestore(Stores.ROS2_JAZZY)
    found: dict[str, Any] = {}
    for item in files("soft_tactile_node.recordings").joinpath("interfaces").iterdir():
        if item.name.endswith(".msg"):
            found.update(get_types_from_msg(item.read_text("utf-8"), OWN + item.name.removesuffix(".msg")))
    store.register(found)
    return store


def definition(type_name: str) -> str:
    """Return the `ros2msg` text of `type_name`, such as `sensor_msgs/msg/FluidPressure`, with all it is made of."""
    text: str = type_store().generate_msgdef(type_name, ros_version=2)[0]
    return text


def fields_of(text: str) -> dict[str, tuple[str, ...]]:
    """Return the fields of a definition, without comments, constants and blanks.

    Parameters
    ----------
    text : str
        Text of the encoding `ros2msg`.

    Returns
    -------
    dict of str to tuple of str
        Fields of each type; that of the whole is called "".
    """
    parts = _SECTION.split(text)
    named = {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}
    return {name.replace("/msg/", "/"): _fields(body) for name, body in named.items()}


def _fields(text: str) -> tuple[str, ...]:
    lines = (" ".join(line.partition("#")[0].split()) for line in text.splitlines())
    return tuple(line.replace("/msg/", "/") for line in lines if line and not _CONSTANT.match(line))
