"""Source `ros:/NAMESPACE`: the topics of a finger; named here, read by the ROS 2 part of this package."""

from __future__ import annotations

import importlib.util
import pkgutil
import re

from soft_tactile_node.errors import SourceError
from soft_tactile_node.sources.kinds import MakeOptions, SourceKind, SourceName
from soft_tactile_node.sources.protocol import Source

READER = "soft_tactile_node.ros.feeds.topics:TopicSource"


class Topics(SourceKind):
    """The topics of one finger."""

    not_led = "use the action calibrate of tactile_sensor: it commands valve and stage"

    def parse(self, text: str, target: str) -> SourceName:
        """Return the namespace `target` of the source string `text`."""
        if not re.fullmatch(r"/([A-Za-z_]\w*(/[A-Za-z_]\w*)*)?", target):
            raise SourceError(f"source {text!r}: the namespace must look like /left_finger; got {target!r}")
        return SourceName("ros", target)

    def make(self, name: SourceName, options: MakeOptions) -> Source:  # noqa: ARG002 - topics come as they come
        """Return the reader of `name`; it needs none of the `options`."""
        if importlib.util.find_spec("rclpy") is None or importlib.util.find_spec("soft_tactile_msgs") is None:
            raise SourceError(
                f"source {name} needs ROS 2 and soft_tactile_msgs: source a ROS 2 workspace that has them"
            )
        source: Source = pkgutil.resolve_name(READER)(name.target)
        return source


SOURCE = Topics()
"""The kind."""
