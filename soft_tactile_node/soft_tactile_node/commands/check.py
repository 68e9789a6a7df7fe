"""`soft-tactile check`: is this calibration, or this stream and its wiring, healthy, in words."""

from __future__ import annotations

import sys
import time
from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING

import click

from soft_tactile_node.commands._options import PATH, as_json, print_json
from soft_tactile_node.commands._sources import SOURCE_HELP, open_source, tank_option

if TYPE_CHECKING:
    from soft_tactile_node.sources import Reading
    from soft_tactile_node.sources.health import StreamHealth


@click.command()
@click.argument("calibration", metavar="[CAL.yaml]", type=PATH, required=False)
@click.option("--source", "source_text", metavar="S", help=SOURCE_HELP)
@click.option(
    "--duration",
    "duration_s",
    metavar="S",
    default=5.0,
    show_default=True,
    type=click.FloatRange(0.5, 600.0),
    help="How long to look at the source (s).",
)
@tank_option
@as_json
def command(
    calibration: Path | None, source_text: str | None, duration_s: float, tank_file: Path | None, as_json: bool
) -> int:  # fmt: skip
    """Say whether a calibration is healthy, or with --source whether a stream and its wiring are.

    Of a calibration: verdict, ranges, figures, age, what could not be identified. Of a stream: rate, jitter, lost
    scans, each channel's inductance and noise, channels that are open, stuck, noisy or spiking, pressure at rest, its
    noise and whether it wanders; keep the finger vented and untouched meanwhile.

    Exit codes: 0 healthy, 3 a calibration that is usable with the limits it names, 1 something is wrong.
    """
    if (calibration is None) == (source_text is None):
        raise click.UsageError("give either a calibration or --source")
    if source_text is not None:
        from soft_tactile_node.reports.stream_text import format_stream

        stream = _look_at(source_text, tank_file, duration_s)
        print_json(stream.to_json()) if as_json else print(format_stream(source_text, stream))
        return 0 if stream.healthy else 1
    assert calibration is not None
    from soft_tactile_node.calibration.judgement import describe_calibration
    from soft_tactile_node.calibration.storage import load_calibration
    from soft_tactile_node.reports.health_text import format_health

    health = describe_calibration(load_calibration(calibration), datetime.now(timezone.utc).astimezone().date())
    if as_json:
        print_json(health.to_json())
    else:
        print(format_health(health))
    return health.exit_code


def _look_at(source_text: str, tank_file: Path | None, duration_s: float) -> StreamHealth:
    """Return the health of a source after looking at it for a while by its stamps, or by the clock if nothing comes."""
    from soft_tactile_node.sources.health import judge_stream

    source = open_source(source_text, tank_file, paced=False)
    readings: list[Reading] = []
    if sys.stderr.isatty():
        click.echo(f"looking at {source.name} for {duration_s:g} s; keep the finger vented and untouched", err=True)
    end_s = time.monotonic() + duration_s + 2.0
    try:
        while not source.ended and time.monotonic() < end_s:
            readings += source.read(0.1)
            if readings and readings[-1].scan.time_s - readings[0].scan.time_s >= duration_s:
                break
        fault = "" if source.ended else source.fault
    finally:
        source.close()
    seen = [reading for reading in readings if reading.scan.time_s - readings[0].scan.time_s < duration_s]
    return judge_stream(seen, source.counters, fault)
