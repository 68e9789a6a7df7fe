"""`soft-tactile reseat`: carry a calibration over to an exchanged or re-seated soft part."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import click

from soft_tactile_node.commands._options import PATH, namespace, tell_remarks


@click.command()
@click.argument("calibration", metavar="CAL.yaml", type=PATH)
@click.option(
    "--press", "press", metavar="SHORT.csv", required=True, type=PATH,
    help="About 30 s of presses with a reference force: six or more, some firm, a rest after each.",
)  # fmt: skip
@click.option("--out", "output", metavar="NEW.yaml", required=True, type=PATH, help="Calibration to write.")
@namespace
def command(calibration: Path, press: Path, output: Path, namespace: str | None) -> int:
    """Carry a calibration over to a soft part that was exchanged or re-seated.

    Fits a new tare, the answer of each channel and the gain of the force, by presses that are held out. The recording
    starts with 2 s at rest, vented and untouched. Bending and temperature stay those of the earlier calibration.

    Exit codes: 0 healthy, 3 usable with the limits it names, 1 a full calibration is needed (nothing is written).
    """
    from soft_tactile_node.calibration.judgement import describe_calibration
    from soft_tactile_node.calibration.reseat import reseat
    from soft_tactile_node.calibration.storage import load_calibration, save_calibration
    from soft_tactile_node.recordings import load_recording
    from soft_tactile_node.reports.health_text import format_health

    today = datetime.now(timezone.utc).astimezone().date()
    recording = tell_remarks(load_recording(press, namespace=namespace))
    record = reseat(load_calibration(calibration), recording, today)
    save_calibration(record, output)
    health = describe_calibration(record, today)
    print(f"{output} written")
    print(format_health(health))
    return health.exit_code
