"""What pip installs is complete: it works far from the sources and without ROS 2."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

from architecture.project import PACKAGE, ROOT, tracked_files

pytestmark = pytest.mark.slow

PIP = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
COMMANDS_WITHOUT_ROS = {"calibrate", "check", "record", "replay", "score", "simulate"}

# Stands in the way of ROS 2, as on a machine that has none.
NO_ROS = """
import sys
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"rclpy", "soft_tactile_msgs", "std_msgs", "geometry_msgs", "sensor_msgs"}:
            raise ImportError(name)
sys.meta_path.insert(0, Absent())
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the wheel of the package, built from a copy of the sources."""
    copy = tmp_path_factory.mktemp("sources")
    for path in tracked_files():
        name = path.relative_to(ROOT)
        if name.parts[0] in {"soft_tactile_node", "launch", "config"}:
            target = copy / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target)
    out = tmp_path_factory.mktemp("wheel")
    run = subprocess.run(
        [*PIP, "wheel", "--no-deps", "-w", str(out), "./soft_tactile_node"],
        cwd=copy, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return next(out.glob("soft_tactile_node-*.whl"))


def test_wheel_holds_every_module_and_shared_file(wheel: Path) -> None:
    """The wheel carries the package, launch and config files and what ROS 2 finds it by, and nothing of the tests."""
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    tracked = tracked_files()
    modules = {f"soft_tactile_node/{path.relative_to(PACKAGE)}" for path in tracked if path.is_relative_to(PACKAGE)}
    assert {name for name in modules if not name.endswith(".md")} - names == set()
    share = "share/soft_tactile_node"
    names_in_project = [path.relative_to(ROOT) for path in tracked]
    shared = {f"{share}/{name}" for name in names_in_project if name.parts[0] in {"launch", "config"}}
    assert len(shared) >= 6  # a launch file and its parameters for each of the three ways to start
    shared |= {f"{share}/package.xml", "share/ament_index/resource_index/packages/soft_tactile_node"}
    carried = {name.partition(".data/data/")[2] for name in names}
    assert shared - carried == set()
    assert not any(name.startswith("tests/") or "/test_" in name for name in names)


def test_ros_is_an_extra(wheel: Path) -> None:
    """A plain install asks for no ROS 2 wheel, and the extra does not ask for what pip cannot find."""
    with zipfile.ZipFile(wheel) as archive:
        text = archive.read(next(name for name in archive.namelist() if name.endswith(".dist-info/METADATA"))).decode()
    required = Parser().parsestr(text).get_all("Requires-Dist") or []
    plain = [line for line in required if "extra ==" not in line]
    assert any(line.startswith("numpy") for line in plain)
    assert [line for line in plain if line.startswith("ros-")] == []
    assert [line for line in required if "soft" in line] == []
    assert any(line.startswith("ros-jazzy-rclpy") for line in required)


@pytest.fixture(scope="module")
def far_away(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """Return a folder to work in and an environment in which the package comes from the wheel and there is no ROS 2."""
    site = tmp_path_factory.mktemp("site")
    subprocess.run([*PIP, "install", "--no-deps", "--target", str(site), str(wheel)], check=True, timeout=120)
    (site / "sitecustomize.py").write_text(NO_ROS)
    return tmp_path_factory.mktemp("work"), {**os.environ, "PYTHONPATH": str(site)}


def _soft_tactile(far_away: tuple[Path, dict[str, str]], *arguments: str) -> subprocess.CompletedProcess[str]:
    folder, environment = far_away
    program = "import soft_tactile_node, sys; from soft_tactile_node.commands.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", program, *arguments],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip


def test_bench_commands_work_without_ros_and_sources(far_away: tuple[Path, dict[str, str]]) -> None:
    """A plain install lists the bench commands and simulates a recording."""
    listing = _soft_tactile(far_away, "--help")
    assert listing.returncode == 0, listing.stderr
    assert {name for name in COMMANDS_WITHOUT_ROS if f"  {name}" not in listing.stdout} == set()
    run = _soft_tactile(far_away, "simulate", "ramps", "--duration", "4", "--out", "ramps.csv")
    assert run.returncode == 0, run.stderr
    header = (far_away[0] / "ramps.csv").read_text().splitlines()[0].split(",")
    assert {"time_s", "pressure_pa", "coil_1_h"} <= set(header)


def test_a_command_that_needs_ros_says_so(far_away: tuple[Path, dict[str, str]]) -> None:
    """Without ROS 2 the demo ends with one line that says what to install, and no traceback."""
    run = _soft_tactile(far_away, "demo", "--out", "demo")
    assert run.returncode in (1, 2)
    assert "Traceback" not in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1
    assert "ROS 2" in run.stderr
