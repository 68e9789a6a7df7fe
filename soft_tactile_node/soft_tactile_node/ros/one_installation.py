"""Refuses to run on two ROS 2 installations at once: the one of this environment and one sourced in the shell."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path

from soft_tactile_node.errors import SoftTactileError


def refuse_mixture() -> None:
    """Raise if the interfaces come from this Python environment and rclpy from elsewhere.

    A shell in which a ROS 2 was sourced puts that one's packages first. Its libraries and those the interfaces were
    built with do not fit together, and what happens then ranges from nothing to a crash.

    Raises
    ------
    SoftTactileError
        Both places, and what to do.
    """
    interfaces, client = _place_of("soft_tactile_msgs"), _place_of("rclpy")
    own = Path(sys.prefix).resolve()
    if interfaces is None or client is None:
        return
    if interfaces.is_relative_to(own) and not client.is_relative_to(own):
        raise SoftTactileError(
            f"two ROS 2 installations are mixed: rclpy comes from {client}, soft_tactile_msgs from {interfaces}; "
            "use a shell in which no ROS 2 was sourced, or build with colcon for the one that was"
        )


def _place_of(package: str) -> Path | None:
    """Return the folder of a package without importing it; None = not installed."""
    spec = find_spec(package)
    return Path(spec.origin).resolve().parent if spec is not None and spec.origin else None
