"""What subcommands share that read a live source."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from soft_tactile_node.commands._options import PATH
from soft_tactile_node.registry import source_forms

if TYPE_CHECKING:
    from soft_tactile_node.sources import Source

SOURCE_HELP = f"Where scans come from: {source_forms()}."

tank_option = click.option(
    "--tank", "tank_file", metavar="TANK.yaml", type=PATH,
    help="LC tanks and counter of a device that sends raw counts.",
)  # fmt: skip
"""The option --tank, passed on as `tank_file`."""


def open_source(
    text: str, tank_file: Path | None = None, *, paced: bool = True, clock: Callable[[], float] = time.time
) -> Source:
    """Return the source that a source string names, open.

    Parameters
    ----------
    text : str
        In one of the forms of `registry.source_forms`.
    tank_file : pathlib.Path or None
        Description of the LC tanks.
    paced : bool
        True plays recordings and simulations as they were taken, False as fast as they are read.
    clock : callable
        Clock of the stamps (s).

    Returns
    -------
    Source
        To be closed by the caller.

    Raises
    ------
    SoftTactileError
        The string, the file or the source is wrong; says what to do.
    """
    from soft_tactile_node.sources import load_tank, make_source, parse_source

    name = parse_source(text)
    tank = load_tank(tank_file) if tank_file is not None else None
    source = make_source(name, tank=tank, clock=clock, paced=paced)
    try:
        source.open()
    except BaseException:
        with suppress(Exception):
            source.close()
        raise
    return source
