"""`soft-tactile calibrate`: from bench recordings to a calibration file, and the protocol of those recordings."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path
from typing import TYPE_CHECKING

import click

from soft_tactile_node.commands._options import (
    PATH,
    ManyValues,
    as_json,
    namespace,
    print_json,
    show_phases,
    tell_remarks,
)
from soft_tactile_node.registry import PADS

if TYPE_CHECKING:
    from soft_tactile_node.calibration.pad_info import PadInfo
    from soft_tactile_node.protocol.plan_parts import Limits

PHASES = 4
SIZE = click.FloatRange(min=0.0, min_open=True)


@click.command(cls=ManyValues)
@click.option(
    "--free-bend", "free_bend", metavar="F.csv…", multiple=True, type=PATH,
    help="Pressure sweeps without contact.",
)  # fmt: skip
@click.option(
    "--press", "press", metavar="P.csv…", multiple=True, type=PATH,
    help="Presses with a reference force in force_x_n, force_y_n, force_z_n.",
)  # fmt: skip
@click.option("--out", "output", metavar="CAL.yaml", type=PATH, help="Calibration to write.")
@click.option(
    "--pad-info", "pad_info", metavar="PAD.yaml", type=PATH,
    help="Pad variant, serial number, lengths and limits of the finger: keys pad, serial, geometry, limits.",
)  # fmt: skip
@click.option("--report", metavar="R.html", type=PATH, help="Also write a report that opens without a network.")
@click.option("--plan", "plan", is_flag=True, help="Only print what to record on the bench, and how.")
@click.option(
    "--max-pressure", "max_pressure_pa", metavar="PA", type=SIZE, help="With --plan: highest gauge pressure (Pa)."
)
@click.option("--max-force", "max_force_n", metavar="N", type=SIZE, help="With --plan: highest normal force (N).")
@click.option("--max-shear", "max_shear_n", metavar="N", type=SIZE, help="With --plan: highest shear (N).")
@namespace
@as_json
def command(
    free_bend: tuple[Path, ...],
    press: tuple[Path, ...],
    output: Path | None,
    pad_info: Path | None,
    report: Path | None,
    plan: bool,
    max_pressure_pa: float | None,
    max_force_n: float | None,
    max_shear_n: float | None,
    namespace: str | None,
    as_json: bool,
) -> int:
    """Calibrate a finger from minutes of bench recordings.

    Every recording starts with 2 s at rest: vented and untouched. Keep hands away while the finger moves, and read
    shared/docs/safety.md before it does.
    `calibrate --plan` prints what to record.

    Exit codes: 0 healthy, 3 usable with the limits it names, 1 refused (nothing is written).
    """
    from soft_tactile_node.calibration.pad_info import PadInfo, load_pad_info
    from soft_tactile_node.protocol.plan_parts import Limits

    info = load_pad_info(pad_info) if pad_info else PadInfo()
    if plan:
        _print_plan(info, Limits(max_pressure_pa, max_force_n, max_shear_n), as_json)
        return 0
    if not (free_bend and press and output):
        raise click.UsageError("give --free-bend, --press and --out; or --plan to see what to record")
    if any(size is not None for size in (max_pressure_pa, max_force_n, max_shear_n)):
        raise click.UsageError("--max-pressure, --max-force and --max-shear go with --plan")
    from soft_tactile_node.recordings import load_recording

    free = [tell_remarks(load_recording(path, namespace=namespace)) for path in free_bend]
    pressed = [tell_remarks(load_recording(path, namespace=namespace)) for path in press]
    from soft_tactile_node.calibration.judgement import describe_calibration
    from soft_tactile_node.calibration.to_file import calibrate_to_file
    from soft_tactile_node.reports.health_text import format_health

    today = datetime.now(timezone.utc).astimezone().date()
    with show_phases(PHASES + (report is not None)) as progress:
        record = calibrate_to_file(free, pressed, output, info=info, made_on=today, progress=progress)
        if report is not None:
            if progress is not None:
                progress("writing the report")
            from soft_tactile_node.reports.calibration_report import write_calibration_report

            write_calibration_report(report, record, free, pressed)
    health = describe_calibration(record, today)
    if as_json:
        print_json({"calibration": str(output), "report": str(report) if report else None, **health.to_json()})
    else:
        print(f"{output} written" + (f", report in {report}" if report else ""))
        print(format_health(health))
    return health.exit_code


def _print_plan(info: PadInfo, given: Limits, as_json: bool) -> None:
    """Print the bench protocol; sizes given as options come before those of the pad's description."""
    from soft_tactile_node.protocol.plan import make_plan
    from soft_tactile_node.protocol.plan_parts import Limits
    from soft_tactile_node.reports.plan_text import format_plan, plan_to_json

    known = info.limits
    limits = Limits(
        given.pressure_pa or known.pressure_pa,
        given.force_n or known.force_normal_n,
        given.shear_n or known.force_shear_n,
    )
    protocol = make_plan(limits, shear=info.pad is None or PADS[info.pad].axes == 3)
    if as_json:
        print_json(plan_to_json(protocol))
    else:
        print(format_plan(protocol))
