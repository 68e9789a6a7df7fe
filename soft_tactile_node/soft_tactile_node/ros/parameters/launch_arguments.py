"""What a launch file says about arguments that were forgotten or misspelt; the launch system says little or nothing."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from soft_tactile_node.ros.parameters.spec import ParameterError


def check_arguments(file: str, declared: Iterable[Any], words: Sequence[str] | None = None) -> None:
    """Refuse a command line that gives a launch file arguments it has not, or leaves out some that it needs.

    A launch file that is included by another is not checked: the arguments on the command line are then those of the
    other one.

    Parameters
    ----------
    file : str
        The launch file.
    declared : iterable of launch.actions.DeclareLaunchArgument
        Its arguments, with `name`, `default_value` and `description`.
    words : sequence of str, optional
        The command line; None = of this process.

    Raises
    ------
    ParameterError
        Names what is wrong, with what may have been meant or with the meaning of what is missing.
    """
    words = sys.argv if words is None else words
    known = {argument.name: argument for argument in declared}
    shown = {"-s", "--show-args", "--show-arguments"} & {*words}
    if shown or Path(file).name not in {Path(word).name for word in words}:
        return
    given = [word.split(":=", 1)[0] for word in words if ":=" in word]
    problems = [_unknown(name, list(known)) for name in given if name not in known]
    problems += [
        f"argument '{name}' must be given: {argument.description}"
        for name, argument in known.items()
        if argument.default_value is None and name not in given
    ]
    if problems:
        raise ParameterError("; ".join(problems))


def _unknown(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, 1)
    meant = f"do you mean '{near[0]}'?" if near else f"there are {', '.join(known)}"
    return f"argument '{name}' is unknown: {meant}"
