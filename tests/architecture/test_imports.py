"""Arrows between the parts of the package point one way, and the core stands on its own."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from architecture.project import PACKAGE, ROOT, imports, is_ros, module_name, modules, room, tree

LEAVES = {"calibrated", "checks", "compiled", "errors", "merging", "registry", "samples", "words"}
CORE = {"physics", "recordings", "estimation", "calibration", "protocol", "simulation", "scoring", "grasp"}

# What each part may import of the others. `simulation` and `estimation` never meet: a simulator that shares the
# estimator's model would prove nothing about it.
MAY_IMPORT: dict[str, set[str]] = {
    "": set(),
    "errors": set(),
    "samples": set(),
    "calibrated": set(),
    "compiled": set(),
    "words": set(),
    "checks": {"errors"},
    "registry": {"errors"},
    "merging": {"errors", "samples"},
    "recordings": {"checks", "errors", "merging", "samples"},
    "physics": LEAVES,
    "estimation": LEAVES | {"physics", "recordings"},
    "calibration": LEAVES | {"physics", "recordings", "estimation"},
    "protocol": LEAVES | {"recordings", "calibration"},
    "simulation": LEAVES | {"physics", "recordings"},
    "scoring": LEAVES | {"recordings"},
    "grasp": LEAVES | {"physics"},
    "sources": LEAVES | {"physics", "recordings", "simulation"},
    "valves": LEAVES,
    "importing": LEAVES | {"physics", "recordings", "sources"},
    "design": LEAVES | {"physics", "recordings", "simulation"},
    "characterisation": LEAVES | {"recordings", "calibration"},
    "reports": LEAVES | CORE - {"simulation", "grasp"} | {"characterisation", "design", "sources"},
    "fitting": LEAVES | {"recordings", "calibration", "reports"},
    "page": LEAVES | CORE - {"scoring", "grasp"} | {"fitting", "reports", "sources"},
    "commands": LEAVES | CORE | {"characterisation", "design", "importing", "page", "reports", "ros", "sources"},
    "ros": LEAVES | CORE | {"fitting", "reports", "sources", "valves"},
    "grasping": {"errors", "ros"},
    "examples": {"errors", "grasping"},
}

# The same among the rooms of ros/.
FLOOR = {"parameters", "wire", "running"}
ROS_MAY_IMPORT: dict[str, set[str]] = {
    "": {"one_installation"},
    "one_installation": set(),
    "parameters": set(),
    "wire": set(),
    "running": {"parameters", "wire"},
    "feeds": FLOOR,
    "finger": FLOOR,
    "calibrate": FLOOR,
    "gripper": FLOOR,
    "hand": FLOOR,
    "nodes": FLOOR | {"feeds", "finger", "calibrate", "gripper", "hand"},
    "demo": {"wire"},
}

NEEDS_ROS = {"ros", "grasping", "examples"}

CLOCK_AND_ENVIRONMENT = re.compile(
    r"^(time\.(time|monotonic|perf_counter|process_time|sleep)(_ns)?|.*datetime\.(now|utcnow|today)|date\.today"
    r"|os\.(environ|getenv)|random\.\w+|(np|numpy)\.random\.(?!default_rng$|Generator$|SeedSequence$|PCG64$)\w+)$"
)


@pytest.mark.parametrize("path", modules(), ids=module_name)
def test_imports_follow_the_map(path: Path) -> None:
    """A part of the package imports only the parts the map allows."""
    own = room(module_name(path))
    assert own in MAY_IMPORT, f"{own} is not in the import map: add it here and in DEVELOPERS.md"
    wrong = [
        f"line {line}: {name}"
        for name, line, _ in imports(path)
        if name.startswith("soft_tactile_node.") and room(name) != own and room(name) not in MAY_IMPORT[own]
    ]
    assert wrong == []


@pytest.mark.parametrize("path", sorted((PACKAGE / "ros").rglob("*.py")), ids=module_name)
def test_imports_inside_ros_follow_their_map(path: Path) -> None:
    """A room of ros/ imports only the rooms the map allows."""
    own = _ros_room(module_name(path))
    assert own in ROS_MAY_IMPORT, f"{own} is not in the map of ros/: add it here and in DEVELOPERS.md"
    others = [(_ros_room(name), line) for name, line, _ in imports(path) if name.startswith("soft_tactile_node.ros")]
    assert [f"line {line}: {name}" for name, line in others if name != own and name not in ROS_MAY_IMPORT[own]] == []


@pytest.mark.parametrize("path", modules(), ids=module_name)
def test_only_ros_imports_ros(path: Path) -> None:
    """Only ros/ and what grasping code uses import ROS 2, and commands reach for ros/ only inside a function."""
    if room(module_name(path)) in NEEDS_ROS:
        return
    wrong = [
        f"line {line}: {name}"
        for name, line, at_top in imports(path)
        if is_ros(name) or (at_top and room(name) in NEEDS_ROS and name.startswith("soft_tactile_node."))
    ]
    assert wrong == []


@pytest.mark.parametrize("path", [path for path in modules() if room(module_name(path)) in CORE], ids=module_name)
def test_core_reads_no_clock_environment_or_global_random_state(path: Path) -> None:
    """Time, random generator and settings come to the core as arguments: same input, same output."""
    wrong = [
        f"line {node.lineno}: {ast.unparse(node)}"
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Attribute) and CLOCK_AND_ENVIRONMENT.match(ast.unparse(node))
    ]
    assert wrong == []


ALONE = """
import importlib, os, sys, traceback

for name in sys.argv[1].split(","):  # other people's modules, loaded once: they are not what is tested
    importlib.import_module(name)

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"rclpy", "bokeh", "serial", "soft_tactile_msgs", "matplotlib"}:
            raise ImportError(name + " must not be needed here")

sys.meta_path.insert(0, Blocked())
failed = 0
for name in sys.argv[2:]:
    child = os.fork()
    if child == 0:
        try:
            __import__(name)
        except BaseException:
            print(name, traceback.format_exc(), sep=chr(10), flush=True)
            os._exit(1)
        os._exit(0)
    failed += os.waitpid(child, 0)[1] != 0
sys.exit(failed != 0)
"""


@pytest.mark.slow
def test_each_core_module_imports_alone() -> None:
    """Each core module can be the first one a program imports, without ROS 2, plots or a serial port."""
    paths = [path for path in modules() if room(module_name(path)) in CORE | LEAVES | {""}]
    assert len(paths) > 20
    others = {name for path in paths for name, _, _ in imports(path) if _is_other(name)}
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", ALONE, ",".join(sorted(others)), *map(module_name, paths)],
        cwd=PACKAGE.parent, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr


def _ros_room(name: str) -> str:
    return name.removeprefix("soft_tactile_node.ros").removeprefix(".").split(".")[0]


def _is_other(name: str) -> bool:
    return name.split(".")[0] in {
        "joblib",
        "numba",
        "numpy",
        "platformdirs",
        "pydantic",
        "scipy",
        "tqdm",
        "transforms3d",
        "yaml",
    }


def test_developers_page_shows_every_part() -> None:
    """The import map of the developers' page names each part that exists."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    rooms = {room(module_name(path)) for path in modules()} | set(ROS_MAY_IMPORT) - {"one_installation"}
    rooms -= {""}
    assert {name for name in rooms if f"`{name}" not in text} == set()
