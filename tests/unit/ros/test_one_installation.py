"""The ROS 2 of the environment and one sourced in the shell never run together."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

PROGRAM = "from soft_tactile_node.commands.main import main; main(['demo'])"
IN_ENVIRONMENT = (found := find_spec("soft_tactile_msgs")) and Path(str(found.origin)).is_relative_to(sys.prefix)


@pytest.mark.skipif(not IN_ENVIRONMENT, reason="the interfaces are not installed in this Python environment")
def test_a_sourced_ros_beside_that_of_the_environment_is_refused(tmp_path: Path) -> None:
    """A shell whose PYTHONPATH leads to another rclpy gets one line that names both, and nothing starts."""
    foreign = tmp_path / "sourced" / "rclpy"
    foreign.mkdir(parents=True)
    (foreign / "__init__.py").write_text("raise SystemExit('the foreign rclpy was imported')\n")
    paths = [str(foreign.parent), os.environ.get("PYTHONPATH", "")]
    run = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))},
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert run.returncode == 1
    assert run.stdout == ""
    assert len(run.stderr.splitlines()) == 1
    assert "two ROS 2 installations are mixed" in run.stderr
    assert str(foreign) in run.stderr
