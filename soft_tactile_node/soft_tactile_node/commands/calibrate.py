"""`soft-tactile calibrate`: from bench recordings to a calibration file."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import click

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.calibration.pad_info import PadInfo, load_pad_info
from soft_tactile_node.calibration.storage import save_calibration
from soft_tactile_node.commands._options import PATH, ManyValues, as_json, print_json, show_phases
from soft_tactile_node.recordings import load_recording
from soft_tactile_node.reports.calibration_report import write_calibration_report
from soft_tactile_node.reports.health_text import format_health

PHASES = 4


@click.command(cls=ManyValues)
@click.option(
    "--free-bend", "free_bend", metavar="F.csv…", required=True, multiple=True, type=PATH,
    help="Pressure sweeps without contact.",
)  # fmt: skip
@click.option(
    "--press", "press", metavar="P.csv…", required=True, multiple=True, type=PATH,
    help="Presses with a reference force in force_x_n, force_y_n, force_z_n.",
)  # fmt: skip
@click.option("--out", "output", metavar="CAL.yaml", required=True, type=PATH, help="Calibration to write.")
@click.option(
    "--pad-info", "pad_info", metavar="PAD.yaml", type=PATH,
    help="Pad variant, serial number, lengths of the finger: keys pad, serial, geometry.",
)  # fmt: skip
@click.option("--report", metavar="R.html", type=PATH, help="Also write a report that opens without a network.")
@as_json
def command(
    free_bend: tuple[Path, ...],
    press: tuple[Path, ...],
    output: Path,
    pad_info: Path | None,
    report: Path | None,
    as_json: bool,
) -> None:
    """Calibrate a finger from minutes of bench recordings.

    Every recording starts with 2 s at rest: vented and untouched. Vent the finger and keep hands away while it moves.
    """
    info = load_pad_info(pad_info) if pad_info else PadInfo()
    free = [load_recording(path) for path in free_bend]
    pressed = [load_recording(path) for path in press]
    today = datetime.now(timezone.utc).astimezone().date()
    with show_phases(PHASES + (report is not None)) as progress:
        record = calibrate(
            free, pressed, pad=info.pad, serial=info.serial, geometry=info.geometry, made_on=today, progress=progress
        )
        save_calibration(record, output)
        if report is not None:
            if progress:
                progress("writing the report")
            write_calibration_report(report, record, free, pressed)
    health = describe_calibration(record, today)
    if as_json:
        print_json({"calibration": str(output), "report": str(report) if report else None, **health.to_json()})
    else:
        print(f"{output} written" + (f", report in {report}" if report else ""))
        print(format_health(health))
