"""Launch tests need the launch system of a full ROS 2; without it each file is skipped with the reason."""

from __future__ import annotations

import importlib.util
import os
import sys
import warnings
from pathlib import Path

import pytest

NEEDED = ("rclpy", "soft_tactile_msgs", "launch", "launch_ros", "launch_pytest")
MISSING = [name for name in NEEDED if importlib.util.find_spec(name) is None]

# A virtual environment is a ROS prefix like any other; one that was sourced goes first.
os.environ.setdefault("AMENT_PREFIX_PATH", sys.prefix)

if not MISSING:
    with warnings.catch_warnings():  # libraries of the launch system warn about each other when they are first loaded
        warnings.simplefilter("ignore")
        import launch_pytest  # noqa: F401
        import launch_ros.actions  # noqa: F401
        import rosidl_generator_py  # noqa: F401


class _SkippedModule(pytest.Module):
    def collect(self) -> list[pytest.Item]:
        reason = f"no launch system here ({', '.join(MISSING)} missing); the same graphs are tested in tests/graph"
        pytest.skip(reason, allow_module_level=True)


def pytest_pycollect_makemodule(module_path: Path, parent: pytest.Collector) -> pytest.Module | None:
    """Skip a whole file where the launch system is missing, before it imports anything."""
    return _SkippedModule.from_parent(parent, path=module_path) if MISSING else None
