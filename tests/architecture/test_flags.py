"""The flags are explained where a person meets them, in the words of the code."""

from __future__ import annotations

import re

import pytest

from architecture.project import ROOT
from soft_tactile_node.commands.replay import command
from soft_tactile_node.samples import Flag

SAMPLES = ROOT / "soft_tactile_node" / "soft_tactile_node" / "samples.py"
WORDS = re.findall(r"^    ([A-Z_]+) = (\d+)  # (.+)$", SAMPLES.read_text(), re.MULTILINE)


def test_every_flag_has_words() -> None:
    """Each flag of the code stands on a line with its meaning."""
    assert [(name, int(bit)) for name, bit, _ in WORDS] == [(flag.name, flag.value) for flag in Flag]


@pytest.mark.parametrize(("name", "bit", "meaning"), WORDS)
def test_page_and_help_explain_it(name: str, bit: str, meaning: str) -> None:
    """The page on flags and `replay --help` give bit and meaning as the code does; troubleshooting says what to do."""
    docs = ROOT / "shared" / "docs"
    assert f"| `{name}` | {bit} | {meaning} |" in (docs / "reference" / "flags.md").read_text()
    assert f"{bit}  {name}: {meaning}" in (command.help or "")
    assert f"| `{name}` | " in (docs / "troubleshooting.md").read_text()
