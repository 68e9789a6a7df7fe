"""`make` says in one line what a machine lacks, keeps a sourced ROS 2 out, and installs again only what is newer."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from architecture.project import ROOT, tracked_files

PREREQUISITES = ROOT / ".ci" / "prerequisites.sh"


def _python_that(folder: Path, change: str) -> Path:
    """Return an interpreter that runs `change` first; stands for one that lacks something."""
    (folder / "sitecustomize.py").write_text(change)
    wrapper = folder / "python-under-test"
    wrapper.write_text(f'#!/bin/sh\nPYTHONPATH="{folder}" exec "{sys.executable}" "$@"\n')
    wrapper.chmod(0o755)
    return wrapper


def _prerequisites(python: Path | str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", str(PREREQUISITES), str(python)],
        env={**os.environ, **environment}, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


NO_ENSUREPIP = """
import sys
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name == "ensurepip":
            raise ImportError(name)
sys.meta_path.insert(0, Absent())
"""
NO_HEADERS = "import sysconfig; sysconfig.get_path = lambda name: '/nonexistent'"
TOO_OLD = "import sys; sys.version_info = (3, 9, 18, 'final', 0)"
TOO_NEW = "import sys; sys.version_info = (3, 14, 0, 'final', 0)"


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (NO_ENSUREPIP, "venv"),
        (NO_HEADERS, "Python.h"),
        (TOO_OLD, "Python 3.10 to 3.13 is needed"),
        (TOO_NEW, "Python 3.10 to 3.13 is needed"),
    ],
    ids=["no venv", "no headers", "too old", "too new"],
)
def test_a_python_that_lacks_something_is_named_in_one_line(tmp_path: Path, change: str, named: str) -> None:
    """An unsuitable Python ends the install at once, with one line that names what to do."""
    run = _prerequisites(_python_that(tmp_path, change))
    assert run.returncode == 1
    assert run.stdout == ""
    assert len(run.stderr.splitlines()) == 1
    assert named in run.stderr


@pytest.mark.parametrize("variable", ["CC", "CXX"])
def test_a_missing_compiler_is_named_in_one_line(variable: str) -> None:
    """A machine without a C or C++ compiler is told to install g++."""
    run = _prerequisites(sys.executable, **{variable: "/nonexistent/compiler"})
    assert run.returncode == 1
    assert len(run.stderr.splitlines()) == 1
    assert "g++" in run.stderr


def test_a_missing_python_is_named_in_one_line() -> None:
    """A machine without Python is told which versions will do."""
    run = _prerequisites("/nonexistent/python3")
    assert run.returncode == 1
    assert len(run.stderr.splitlines()) == 1
    assert "python3" in run.stderr


def test_this_machine_lacks_nothing() -> None:
    """The check lets a complete machine pass without a word."""
    run = _prerequisites(sys.executable)
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")


def _run_make(folder: Path, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    # neither the make nor the ROS 2 that these tests themselves run in
    outer = ("MAKE", "MFLAGS", "ROS_", "AMENT_", "COLCON_", "_ROS_WHEELS")
    clean = {name: value for name, value in os.environ.items() if not name.startswith(outer)}
    return subprocess.run(
        ["make", *arguments],
        cwd=folder, env={**clean, **environment}, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def _make(folder: Path, *arguments: str, **environment: str) -> str:
    run = _run_make(folder, *arguments, **environment)
    assert run.returncode == 0, run.stdout + run.stderr
    return run.stdout


def test_a_sourced_ros_is_left_out() -> None:
    """Of a ROS 2 sourced in the shell nothing reaches the commands, and the user is told."""
    sourced = {
        "ROS_DISTRO": "jazzy",
        "ROS_VERSION": "2",
        "AMENT_PREFIX_PATH": "/opt/ros/jazzy",
        "CMAKE_PREFIX_PATH": "/opt/ros/jazzy",
        "PYTHONPATH": "/opt/ros/jazzy/lib/python3.12/site-packages",
        "LD_LIBRARY_PATH": "/opt/ros/jazzy/lib",
        "RMW_IMPLEMENTATION": "rmw_cyclonedds_cpp",
    }
    shown = _make(ROOT, "--eval=show-environment: ; @env", "show-environment", **sourced, KEPT="yes")
    assert "ROS 2 of this shell (jazzy) is left out" in shown
    seen = {line.partition("=")[0] for line in shown.splitlines()}
    assert "KEPT" in seen
    assert seen & sourced.keys() == set()


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """Return a copy of the project that looks as `make install` leaves it."""
    for path in tracked_files():
        name = path.relative_to(ROOT)
        if name.parts[0] in {"Makefile", ".ci", "soft_tactile_msgs", "soft_tactile_node", "launch", "config"}:
            target = tmp_path / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, target)
    (tmp_path / ".venv" / "bin").mkdir(parents=True)
    (tmp_path / ".venv" / "bin" / "python").symlink_to(sys.executable)
    done = tmp_path / ".venv" / ".done"
    done.mkdir()
    (done / "venv").write_text(f"{tmp_path}\n")
    for number, name in enumerate(["venv", "messages", "node"]):
        (done / name).touch()
        os.utime(done / name, ns=(_LATER_NS + number, _LATER_NS + number))
    return tmp_path


_LATER_NS = 4_000_000_000_000_000_000  # after any source, before whatever a test touches


def _touch(path: Path) -> None:
    os.utime(path, ns=(_LATER_NS * 2, _LATER_NS * 2))


def _steps(folder: Path) -> list[str]:
    """Return which of the three steps `make install` would do."""
    planned = _make(folder, "-n", "install")
    return [step for step in ("[1/3]", "[2/3]", "[3/3]") if step in planned]


def test_nothing_is_done_twice(installed: Path) -> None:
    """A second `make install` does nothing."""
    assert _steps(installed) == []


def test_a_newer_source_of_the_node_leaves_the_messages_alone(installed: Path) -> None:
    """A change of the Python package does not build the interfaces again."""
    _touch(installed / "soft_tactile_node" / "soft_tactile_node" / "samples.py")
    assert _steps(installed) == ["[3/3]"]


def test_a_deleted_source_counts_as_newer(installed: Path) -> None:
    """A module that is gone from the sources does not stay installed."""
    folder = installed / "soft_tactile_node" / "soft_tactile_node" / "physics"
    next(folder.glob("*.py")).unlink()
    _touch(folder)  # what deleting does, at a time after the stamps of this test
    assert _steps(installed) == ["[3/3]"]


def test_a_newer_message_builds_both(installed: Path) -> None:
    """A change of an interface builds the interfaces, and then the package that uses them."""
    _touch(installed / "soft_tactile_msgs" / "msg" / "PadEstimate.msg")
    assert _steps(installed) == ["[2/3]", "[3/3]"]


def test_a_moved_folder_is_set_up_anew(installed: Path) -> None:
    """Scripts of a virtual environment name its folder: after a move it is made again."""
    (installed / ".venv" / ".done" / "venv").write_text("/elsewhere\n")
    assert _steps(installed) == ["[1/3]", "[2/3]", "[3/3]"]


def _with_pip(installed: Path, outcome: int) -> None:
    """Put a pip in place that talks on both streams and ends with `outcome`."""
    python = installed / ".venv" / "bin" / "python"
    python.unlink()
    python.write_text(
        '#!/bin/sh\n[ "$2" = pip ] || exec "' + sys.executable + '" "$@"\n'
        f"echo Collecting numpy; echo it did not build >&2; exit {outcome}\n"
    )
    python.chmod(0o755)


@pytest.mark.parametrize("target", ["install", "test"])
def test_an_install_says_its_steps_and_no_more(installed: Path, target: str) -> None:
    """What pip tells stays out of sight while all goes well: each step has its line, with the time it took."""
    _touch(installed / "soft_tactile_node" / "setup.cfg")
    _with_pip(installed, 0)
    run = _run_make(installed, target, PYTEST_ARGS="--version")
    told = run.stdout.splitlines()
    assert run.returncode == 0
    assert "numpy" not in run.stdout + run.stderr
    assert "did not build" not in run.stdout + run.stderr
    assert told[0].startswith("[3/3] soft_tactile_node")
    assert re.fullmatch(r" +done in \d+ s", told[1])


def test_an_install_that_fails_shows_what_pip_told(installed: Path) -> None:
    """Where pip fails, all that it told is shown, make ends with an error, and the step is not done."""
    _touch(installed / "soft_tactile_node" / "setup.cfg")
    _with_pip(installed, 3)
    run = _run_make(installed, "install")
    assert run.returncode == 2
    assert "Collecting numpy\nit did not build\n" in run.stderr
    assert "Installed" not in run.stdout
    assert _steps(installed) == ["[3/3]"]
