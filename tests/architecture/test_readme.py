"""What README.md, DEVELOPERS.md and the pages in shared/docs tell the reader to type exists."""

from __future__ import annotations

import ast
import importlib
import re
import shlex

import click
import pytest

from architecture.project import ROOT, is_ros
from soft_tactile_node.commands.main import group

DOCS = sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / "shared" / "docs").glob("*.md"))
PAGES = ["README.md", "DEVELOPERS.md", *DOCS]


def _typed_lines(page: str) -> list[str]:
    """Return the indented lines of a page, lines that go on joined, comments cut off."""
    text = (ROOT / page).read_text().replace("\\\n", " ")
    lines = re.findall(r"^ {4,}(\S.*)$", text, re.MULTILINE)
    return [re.sub(r"\s+#.*$", "", line) for line in lines]


COMMANDS = [
    pytest.param(line, id=line[:60])
    for page in PAGES
    for line in _typed_lines(page) + re.findall(r"`(soft-tactile [^`]+)`", (ROOT / page).read_text())
    if line.startswith("soft-tactile ") and "COMMAND" not in line
]


@pytest.mark.parametrize("line", COMMANDS)
def test_commands_exist_with_their_options(line: str) -> None:
    """Each `soft-tactile` line of the pages names a command that exists, with options it has."""
    words = shlex.split(line)[1:]
    command = group.get_command(click.Context(group), words[0])
    assert command, f"there is no command {words[0]}"
    options = {name for parameter in command.params for name in parameter.opts} | {"--help"}
    assert {word for word in words[1:] if word.startswith("--")} - options == set()


def test_there_are_commands_to_check() -> None:
    """The quick start of the bench engineer is among the lines that are checked."""
    assert len(COMMANDS) >= 7


@pytest.mark.parametrize("page", PAGES)
def test_targets_of_make_exist(page: str) -> None:
    """Each `make` target of the pages is one of the Makefile."""
    named = set(re.findall(r"(?:^ {4}|`|and )make (\w+)", (ROOT / page).read_text(), re.MULTILINE))
    targets = set(re.findall(r"^(\w+):", (ROOT / "Makefile").read_text(), re.MULTILINE))
    assert named - targets == set()


def test_the_two_commands_stand_in_the_readme() -> None:
    """A newcomer finds `make install` and `make demo` as commands."""
    assert {"make install", "make demo"} <= {" ".join(line.split()[:2]) for line in _typed_lines("README.md")}


@pytest.mark.parametrize("page", PAGES)
def test_files_exist(page: str) -> None:
    """Each file or folder of the project that the pages name is there."""
    text = (ROOT / page).read_text()
    named = set(re.findall(r"\b((?:config|launch|shared|tests|soft_tactile_\w+)/[\w./$-]+)", text))
    named |= {f"launch/{name}" for name in re.findall(r"\b(\w+\.launch\.py)\b", text)}
    # a name with a shell variable, or one of the reader's own files after it is installed, cannot be looked up
    missing = {name for name in named if "$" not in name and not (ROOT / name.rstrip("/.")).exists()}
    assert {name for name in missing if not re.match(r"soft_tactile_msgs/(msg/)?[A-Z]\w+$", name)} == set()


@pytest.mark.parametrize("page", PAGES)
def test_examples_import_what_exists(page: str) -> None:
    """Each Python example of the pages is valid and imports names that exist."""
    for block in re.findall(r"^```python\n(.*?)^```", (ROOT / page).read_text(), re.MULTILINE | re.DOTALL):
        for node in ast.walk(ast.parse(block)):
            if isinstance(node, ast.ImportFrom) and node.module and not is_ros(node.module):
                module = importlib.import_module(node.module)
                assert {alias.name for alias in node.names if not hasattr(module, alias.name)} == set()


def test_developers_page_shows_every_test_folder() -> None:
    """Each folder of tests stands in the table of the developers' page."""
    folders = {path.relative_to(ROOT / "tests").parts[0] for path in (ROOT / "tests").rglob("test_*.py")}
    text = (ROOT / "DEVELOPERS.md").read_text()
    assert {name for name in folders if f"`tests/{name}`" not in text} == set()
