"""Where things are in the project, and its source files as syntax trees."""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "soft_tactile_node" / "soft_tactile_node"
MESSAGES = ROOT / "soft_tactile_msgs"
ROS_MODULES = {"ament_index_python", "launch", "launch_pytest", "launch_ros", "rcl_interfaces", "rclpy", "tf2_ros"}


@cache
def tree(path: Path) -> ast.Module:
    """Return the syntax tree of a Python file."""
    return ast.parse(path.read_text(), filename=str(path))


def modules() -> list[Path]:
    """Return every module of the Python package, sorted."""
    return sorted(PACKAGE.rglob("*.py"))


def module_name(path: Path) -> str:
    """Return the dotted name of a module of the package."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room(name: str) -> str:
    """Return the part of the package a dotted name belongs to: its first package or module."""
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports(path: Path) -> Iterator[tuple[str, int, bool]]:
    """Yield (dotted name, line, whether it stands at module level) of each import of a file."""
    at_top = {id(node) for node in _top_level(tree(path))}
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno, id(node) in at_top
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are absolute"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield (whole if _is_module(whole) else node.module or ""), node.lineno, id(node) in at_top


def is_ros(name: str) -> bool:
    """Return whether a dotted name belongs to ROS 2 or to a package of messages."""
    first = name.split(".")[0]
    return first in ROS_MODULES or first.endswith(("_msgs", "_interfaces")) or first == "std_srvs"


def tracked_files() -> list[Path]:
    """Return the files git knows, or every file but caches where there is no git or no clone."""
    try:
        listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        skipped = re.compile(r"^\.(git|venv|out|\w+_cache|hypothesis)$|^__pycache__$")
        found = (path for path in ROOT.rglob("*") if path.is_file())
        return [path for path in found if not any(skipped.match(part) for part in path.relative_to(ROOT).parts)]
    return [path for name in listing.stdout.split("\0") if name and (path := ROOT / name).is_file()]


def _is_module(name: str) -> bool:
    path = PACKAGE.parent.joinpath(*name.split("."))
    return path.is_dir() or path.with_suffix(".py").is_file()


def _top_level(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the statements that run when a module is imported."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)):
            continue
        yield child
        yield from _top_level(child)
