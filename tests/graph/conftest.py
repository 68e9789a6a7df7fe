"""Live-graph tests need the ROS 2 libraries; without them each file is skipped with the reason."""

from __future__ import annotations

import importlib.util
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

NEEDED = ("rclpy", "soft_tactile_msgs")
MISSING = [name for name in NEEDED if importlib.util.find_spec(name) is None]

if not MISSING:
    with warnings.catch_warnings():  # the parser behind the message classes warns about itself when it is first loaded
        warnings.simplefilter("ignore", DeprecationWarning)
        import rosidl_generator_py  # noqa: F401
    from graph.graph_tools import Graph, graph


class _SkippedModule(pytest.Module):
    def collect(self) -> list[pytest.Item]:
        pytest.skip(f"not installed: {', '.join(MISSING)}", allow_module_level=True)


def pytest_pycollect_makemodule(module_path: Path, parent: pytest.Collector) -> pytest.Module | None:
    """Skip a whole file where ROS 2 is missing, before it imports anything."""
    return _SkippedModule.from_parent(parent, path=module_path) if MISSING else None


@pytest.fixture
def live() -> Iterator[Graph]:
    """Give a graph of its own."""
    with graph() as made:
        yield made
