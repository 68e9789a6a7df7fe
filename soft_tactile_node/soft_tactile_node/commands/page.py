"""`soft-tactile page`: a live page of one or more fingers for the bench."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from soft_tactile_node.commands._options import PATH, ManyValues
from soft_tactile_node.commands._sources import SOURCE_HELP, open_source, tank_option
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.words import SETTINGS

DEFAULT_PORT = 8070


@click.command(cls=ManyValues)
@click.option("--source", "sources", metavar="S…", required=True, multiple=True, help=SOURCE_HELP + " One a finger.")
@click.option(
    "--calibration", "calibrations", metavar="CAL.yaml…", multiple=True, type=PATH,
    help="Calibrations, in the order of the sources; without, raw signals only until one is made on the page.",
)  # fmt: skip
@click.option("--name", "names", metavar="NAME…", multiple=True, help="Names of the fingers, in the same order.")
@click.option(
    "--force", "forces", metavar="F…", multiple=True,
    help=f"Force cells for the guided calibration of devices, in the same order: {SOURCES['serial'].form} or "
    f"{SOURCES['udp'].form}, lines of text with one number (normal force) or three (x, y, z of the pad frame), in N.",
)  # fmt: skip
@tank_option
@click.option(
    "--folder", metavar="DIR", default=".", show_default=True, type=PATH,
    help="Where recordings, calibrations and reports go.",
)  # fmt: skip
@click.option("--setting", default="light", show_default=True, type=click.Choice(SETTINGS), help="As in replay.")
@click.option(
    "--host", metavar="ADDRESS", default="127.0.0.1", show_default=True,
    help="Address of this machine to serve on. Any but a loopback one opens the page to the network: browsers then "
    "need the token in the address that is printed, and nothing is encrypted.",
)  # fmt: skip
@click.option(
    "--port", metavar="N", default=DEFAULT_PORT, show_default=True, type=click.IntRange(0, 65535),
    help="Port to serve on; 0 = any free one.",
)  # fmt: skip
def command(
    sources: tuple[str, ...],
    calibrations: tuple[Path, ...],
    names: tuple[str, ...],
    forces: tuple[str, ...],
    tank_file: Path | None,
    folder: Path,
    setting: str,
    host: str,
    port: int,
) -> None:
    """Show fingers live in a browser while you press: signals, force, touches, health.

    The page tares, records, sets marks and leads through a calibration. Recordings and scenarios begin again at their
    end. Read the Safety section of the README before a calibration.
    """
    for option, given in (("--calibration", calibrations), ("--name", names), ("--force", forces)):
        if len(given) > len(sources):
            raise click.UsageError(
                f"{option} must be given at most once for each source: {len(sources)}; got {len(given)}"
            )
    shown = [*names] or (["finger"] if len(sources) == 1 else [])
    shown += [f"finger_{number}" for number in range(len(shown) + 1, len(sources) + 1)]
    wrong = [name for name in shown if not name.replace("_", "").replace("-", "").isalnum() or shown.count(name) > 1]
    if wrong:
        raise click.UsageError(f"--name must be of letters, digits, _ and -, each another; got {wrong[0]!r}")
    if not folder.is_dir():
        raise click.UsageError(f"--folder must be a folder; got {folder}")
    from soft_tactile_node.page.finger_loop import FingerSetup
    from soft_tactile_node.page.serving import run_page
    from soft_tactile_node.sources import parse_source

    setups = [
        FingerSetup(
            name=name, source=text, kind=parse_source(text).kind, open_source=partial(open_source, text, tank_file),
            calibration=calibrations[k] if k < len(calibrations) else None,
            force=forces[k] if k < len(forces) else "", folder=folder, setting=setting,
        )
        for k, (name, text) in enumerate(zip(shown, sources, strict=True))
    ]  # fmt: skip
    run_page(setups, host, port, lambda address: print(f"Bench page: {address}  (Ctrl-C ends it)", flush=True))
