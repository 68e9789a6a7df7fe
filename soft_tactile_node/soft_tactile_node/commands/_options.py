"""Options that subcommands share: several values after one name, JSON output, progress on a terminal."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from soft_tactile_node.recordings import Recording


class ManyValues(click.Command):
    """A command whose `multiple` options also take several values at once: `--press a.csv b.csv`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Repeat the option's name before each of its values, then parse as usual."""
        repeated = {
            name
            for parameter in self.params
            if isinstance(parameter, click.Option) and parameter.multiple and parameter.nargs == 1
            for name in parameter.opts
        }
        spread: list[str] = []
        current = ""
        count = 0
        for k, word in enumerate(args):
            if word == "--":
                spread += args[k:]
                break
            if word.startswith("-") and word != "-":
                current, count = (word if word in repeated else ""), 0
            elif current:
                count += 1
                if count > 1:
                    spread.append(current)
            spread.append(word)
        return super().parse_args(ctx, spread)


FAILED = 3
"""Exit code of a score that breaks a limit."""

PATH = click.Path(path_type=Path)
"""A file name; whether it can be read or written is found out by reading or writing it."""

as_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object for machines instead of text.")
"""The option --json, passed on as `as_json`."""

namespace = click.option(
    "--namespace", metavar="NAME", help="Finger to read from MCAP recordings that hold several, such as left_finger."
)
"""The option --namespace, passed on as `namespace`."""


def tell_remarks(recording: Recording) -> Recording:
    """Say on stderr what of a recording was damaged, and return it."""
    tell(recording.remarks)
    return recording


def tell(remarks: Iterable[str]) -> None:
    """Say something on stderr, a line each."""
    for remark in remarks:
        print(f"soft-tactile: {remark}", file=sys.stderr)


def print_json(data: Mapping[str, Any]) -> None:
    """Print one JSON object; a number that is not finite becomes null."""
    print(json.dumps(_plain(data), indent=2, allow_nan=False))


def _plain(data: Any) -> Any:
    """Return data as JSON has it: arrays as lists, None for what is not a finite number."""
    if hasattr(data, "tolist"):
        data = data.tolist()
    if isinstance(data, Mapping):
        return {key: _plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(value) for value in data]
    return None if isinstance(data, float) and not math.isfinite(data) else data


@contextmanager
def show_phases(count: int) -> Iterator[Callable[[str], None] | None]:
    """Show which of several phases some long work is in, as a bar on a terminal.

    Parameters
    ----------
    count : int
        Number of phases.

    Yields
    ------
    callable or None
        To be called with the name of each phase as it starts; None where nobody looks (pipe, file).
    """
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(total=count, leave=False, bar_format="{bar:20} {n_fmt}/{total_fmt} {desc} {elapsed}") as bar:

        def start(phase: str) -> None:
            # A phase may last long after it is named, so it is drawn at once, however soon after the last one.
            bar.n += 1
            bar.set_description_str(phase, refresh=True)

        yield start
