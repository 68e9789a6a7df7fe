"""`soft-tactile record`: a live source to a recording."""

from __future__ import annotations

import math
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from soft_tactile_node.commands._options import PATH, as_json, print_json
from soft_tactile_node.commands._sources import SOURCE_HELP, open_source, tank_option
from soft_tactile_node.errors import SourceError

if TYPE_CHECKING:
    from soft_tactile_node.sources import Counters
    from soft_tactile_node.sources.recording_run import RecordSummary


@click.command()
@click.option("--source", "source_text", metavar="S", help=SOURCE_HELP)
@click.option(
    "--out", "output", metavar="REC", required=True, type=PATH, help="Recording to write; CSV or MCAP by its ending."
)
@click.option(
    "--duration",
    "duration_s",
    metavar="S",
    type=click.FloatRange(0.0, min_open=True),
    help="Length (s); without it, until Ctrl-C or the end of the source.",
)
@tank_option
@click.option(
    "--atmospheric",
    "atmospheric_pa",
    metavar="PA",
    type=click.FloatRange(50e3, 110e3),
    help="Absolute pressure of the vented line (Pa), for a device that sends absolute pressure; without it "
    "the first second is taken as vented.",
)
@click.option(
    "--recover",
    "part",
    metavar="REC.csv.part",
    type=PATH,
    help="Save what is whole of a recording that was cut short, instead of recording.",
)
@as_json
def command(
    source_text: str | None,
    output: Path,
    duration_s: float | None,
    tank_file: Path | None,
    atmospheric_pa: float | None,
    part: Path | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Record a live source: device, simulated finger, recording or ROS topics.

    Keep the finger vented and untouched for the first two seconds; at the end it is said if it was not. An older
    recording of that name stays until the new one is complete; rows are on the disk as they come, in REC.csv.part.
    Recordings and simulations are read as fast as they can be.
    """
    if (source_text is None) == (part is None):
        raise click.UsageError("give either --source or --recover")
    if part is not None:
        from soft_tactile_node.recordings import recover_recording

        rows = recover_recording(part, output)
        print_json({"recording": str(output), "rows": rows}) if as_json else print(f"{output}: {rows} rows saved")
        return 0
    summary, counters = _record(source_text or "", output, duration_s or math.inf, tank_file, atmospheric_pa)
    if as_json:
        print_json({"recording": str(output), **asdict(summary), "counters": asdict(counters)})
    else:
        rate = f", {(summary.rows - 1) / summary.duration_s:.1f} Hz" if summary.duration_s > 0.0 else ""
        print(
            f"{output}: {summary.rows} rows in {summary.duration_s:.2f} s{rate}, {summary.channels} channels, "
            f"{counters.lost} scans lost, {counters.bad_frames} frames damaged"
        )
    if summary.not_at_rest:
        print(
            f"soft-tactile: {output}: the first second was not at rest ({summary.not_at_rest}): calibrate and replay "
            "would refuse it; record again, vented and untouched for the first 2 s",
            file=sys.stderr,
        )
    if summary.complaint:
        print(f"soft-tactile: {summary.complaint}; {output} holds what came", file=sys.stderr)
    return 1 if summary.complaint else 0


def _record(
    source_text: str, output: Path, duration_s: float, tank_file: Path | None, atmospheric_pa: float | None
) -> tuple[RecordSummary, Counters]:
    # All that is needed is loaded before the source is open: what came meanwhile would seem to have come late.
    from tqdm import tqdm

    from soft_tactile_node.recordings import open_recording_writer
    from soft_tactile_node.sources.recording_run import Recorder, record

    writer = open_recording_writer(output)
    try:
        source = open_source(source_text, tank_file, paced=False)
        recorder = Recorder(writer, math.nan if atmospheric_pa is None else atmospheric_pa)
        try:
            with suppress(KeyboardInterrupt), _interrupted_by_term(), _progress(duration_s, tqdm) as progress:
                record(source, recorder, duration_s=duration_s, progress=progress)
            recorder.settle()
        finally:
            source.close()
        if not recorder.summary.rows:
            raise SourceError(recorder.summary.complaint or f"{source.name}: nothing came; check the source")
        writer.finish()
    finally:
        writer.abandon()
    return recorder.summary, source.counters


@contextmanager
def _interrupted_by_term() -> Iterator[None]:
    """End a recording that is asked to terminate as one that is interrupted: complete."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def _progress(duration_s: float, tqdm: Any) -> Iterator[Callable[[RecordSummary, str], None]]:
    """Show on a terminal how much there is; say in any case when the source goes and comes back."""
    told = [""]

    def tell(_summary: RecordSummary, fault: str) -> None:
        if fault != told[0]:
            tqdm.write(f"soft-tactile: {fault or 'scans come again'}", file=sys.stderr)
            told[0] = fault

    if not sys.stderr.isatty():
        yield tell
        return
    total = None if math.isinf(duration_s) else duration_s
    with tqdm(total=total, leave=False, unit="s", bar_format="{desc} {bar:20} {n:.1f} s") as bar:

        def show(summary: RecordSummary, fault: str) -> None:
            tell(summary, fault)
            bar.n = summary.duration_s
            bar.set_description_str(f"{summary.rows} rows")

        yield show
