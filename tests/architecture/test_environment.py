"""In the environment that `make` sets up nothing is skipped for want of a package."""

from __future__ import annotations

import importlib
import os
import sys
from importlib import metadata
from pathlib import Path

import pytest

from architecture.project import ROOT

MADE_HERE = Path(sys.prefix).resolve() == (ROOT / ".venv").resolve()


@pytest.mark.skipif(not MADE_HERE, reason="this is not the environment of `make install`")
@pytest.mark.parametrize("package", ["rclpy", "soft_tactile_msgs.msg", "soft_tactile_node", "magpylib", "mpmath"])
def test_every_package_is_there(package: str) -> None:
    """ROS 2, the interfaces and the tools of the tests can be imported, and the package comes from the installation."""
    module = importlib.import_module(package)
    assert Path(str(module.__file__)).is_relative_to(ROOT / ".venv")


@pytest.mark.skipif(not MADE_HERE, reason="this is not the environment of `make install`")
def test_the_sources_are_those_installed() -> None:
    """The tests run against the sources that lie beside them: each installed module is the same as its source."""
    folder = Path(str(importlib.import_module("soft_tactile_node").__file__)).parent
    sources = ROOT / "soft_tactile_node" / "soft_tactile_node"
    names = {path.relative_to(sources) for path in sources.rglob("*.py")}
    assert names == {path.relative_to(folder) for path in folder.rglob("*.py")}
    assert [str(name) for name in names if (sources / name).read_bytes() != (folder / name).read_bytes()] == []


@pytest.mark.skipif(not MADE_HERE, reason="this is not the environment of `make install`")
def test_launch_files_find_the_executables() -> None:
    """Each node of the package can be started where ROS 2 looks for executables."""
    scripts = {entry.name for entry in metadata.entry_points(group="console_scripts") if "soft_tactile" in entry.value}
    folder = ROOT / ".venv" / "lib" / "soft_tactile_node"
    assert scripts == {path.name for path in folder.iterdir()}
    assert all(os.access(path, os.X_OK) for path in folder.iterdir())
