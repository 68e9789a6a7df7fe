"""The repository holds what belongs there and nothing that only makes sense on one machine."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from architecture.project import PACKAGE, ROOT, modules, tracked_files, tree

TOP_LEVEL = {
    "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "config", "launch", "pyproject.toml", "shared",
    "soft_tactile_msgs", "soft_tactile_node", "tests",
}  # fmt: skip
LARGEST_FILE_BYTES = 1_000_000
LONGEST_MODULE_LINES = 400

# Folders that exist on one machine only, written so that this file does not match itself.
MACHINE_PATH = re.compile(r"(?<![\w.:/~$}<>-])/(?:w[o]rk|r[o]ot|h[o]me|f[a]rm|U[s]ers)/|(?<![\w.])/t[m]p/[a-z0-9_]+/")

# Modules that hold one concept in more lines than most do; each with the reason.
LONG_MODULES: dict[str, str] = {}


def test_top_level_holds_only_what_is_allowed() -> None:
    """Newcomers find the same few names at the top; a new one is a decision, not an accident."""
    found = {path.relative_to(ROOT).parts[0] for path in tracked_files()}
    assert {name for name in found if not name.startswith(".")} <= TOP_LEVEL
    assert {"README.md", "DEVELOPERS.md", "LICENSE", "CHANGELOG.md", "Makefile", "pyproject.toml"} <= found


def test_no_paths_of_one_machine() -> None:
    """No text file names a folder that exists on one person's machine only."""
    wrong = []
    for path in tracked_files():
        try:
            text = path.read_text()
        except UnicodeDecodeError:
            continue
        wrong += [
            f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
            for number, line in enumerate(text.splitlines(), 1)
            if MACHINE_PATH.search(line)
        ]
    assert wrong == []


def test_no_large_files() -> None:
    """A clone stays small: data sets that tests and docs need are short."""
    assert [path for path in tracked_files() if path.stat().st_size > LARGEST_FILE_BYTES] == []


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_stay_short(path: Path) -> None:
    """One concept a module: those that grow beyond the limit are split or listed with a reason."""
    name = str(path.relative_to(PACKAGE))
    assert len(path.read_text().splitlines()) <= LONGEST_MODULE_LINES or name in LONG_MODULES


def test_each_stored_table_is_read_and_described() -> None:
    """A test reads each table of reference values by its name, and the page beside them gives its origin."""
    tables = {path.name for path in (ROOT / "shared" / "reference").glob("*.csv")}
    tests = "\n".join(path.read_text() for path in (ROOT / "tests").rglob("test_*.py"))
    page = (ROOT / "shared" / "reference" / "README.md").read_text()
    assert len(tables) > 10
    assert {name for name in tables if f'"{name}"' not in tests} == set()
    assert {name for name in tables if f"`{name}`" not in page} == set()


def test_licence_is_complete() -> None:
    """The licence is the whole text of Apache-2.0 and the packages name the same one."""
    text = (ROOT / "LICENSE").read_text()
    assert "Apache License" in text
    assert "Version 2.0, January 2004" in text
    assert "END OF TERMS AND CONDITIONS" in text
    for package in ("soft_tactile_node", "soft_tactile_msgs"):
        assert "<license>Apache-2.0</license>" in (ROOT / package / "package.xml").read_text()
    assert 'license = { text = "Apache-2.0" }' in (ROOT / "soft_tactile_msgs" / "pyproject.toml").read_text()
    assert "license = Apache-2.0" in (ROOT / "soft_tactile_node" / "setup.cfg").read_text()


def _tests(path: Path) -> Iterator[ast.FunctionDef]:
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            yield node


@pytest.mark.parametrize("path", sorted((ROOT / "tests").rglob("test_*.py")), ids=lambda path: path.name)
def test_each_test_states_its_promise(path: Path) -> None:
    """Each test says in a sentence what it promises."""
    silent = [node.name for node in _tests(path) if not (ast.get_docstring(node) or "").rstrip().endswith(".")]
    assert silent == []
