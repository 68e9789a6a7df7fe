"""Options that subcommands share."""

from __future__ import annotations

import io
import sys

import click
import pytest

from soft_tactile_node.commands._options import ManyValues, show_phases
from soft_tactile_node.estimation.settings import PRESETS
from soft_tactile_node.words import SETTINGS


def parse(*words: str) -> dict[str, object]:
    """Parse words with a command that has a repeated option, a pair option, a plain option and arguments."""

    @click.command(cls=ManyValues)
    @click.argument("files", nargs=-1)
    @click.option("--press", multiple=True)
    @click.option("--pair", nargs=2, multiple=True)
    @click.option("--out")
    @click.option("--json", "as_json", is_flag=True)
    def command(**values: object) -> dict[str, object]:
        return values

    found: dict[str, object] = command.main(list(words), standalone_mode=False)
    return found


@pytest.mark.parametrize(
    ("words", "files", "press", "pair", "out"),
    [
        ("--press a b c --out o", (), ("a", "b", "c"), (), "o"),
        ("f --press a --press b", ("f",), ("a", "b"), (), None),
        ("f g --press a b --json", ("f", "g"), ("a", "b"), (), None),
        ("--out o f g", ("f", "g"), (), (), "o"),
        ("--pair a b --pair c d", (), (), (("a", "b"), ("c", "d")), None),
        ("--press a b -- f g", ("f", "g"), ("a", "b"), (), None),
        ("--press=a f", ("f",), ("a",), (), None),
        ("--press - b", (), ("-", "b"), (), None),
    ],
)
def test_options_take_several_values(
    words: str, files: tuple[str, ...], press: tuple[str, ...], pair: tuple[object, ...], out: str | None
) -> None:
    """A repeated option takes all values up to the next option; pairs, single options and arguments work as ever."""
    found = parse(*words.split())
    assert (found["files"], found["press"], found["pair"], found["out"]) == (files, press, pair, out)


class Terminal(io.StringIO):
    """A text stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Say yes."""
        return True


def test_progress_is_shown_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal each phase is named as it starts; in a pipe nothing is written."""
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    with show_phases(2) as start:
        assert start is not None
        start("heating the oven")
        start("baking")
    assert "1/2 heating the oven" in screen.getvalue()
    assert "2/2 baking" in screen.getvalue()
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    with show_phases(2) as start:
        assert start is None
    assert pipe.getvalue() == ""


def test_settings_offered_are_those_of_the_estimator() -> None:
    """The detection settings on the command line are the estimator's presets, all of them."""
    assert set(SETTINGS) == set(PRESETS)
