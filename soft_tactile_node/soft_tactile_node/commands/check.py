"""`soft-tactile check`: is this calibration healthy, in words."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import click

from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.commands._options import PATH, as_json, print_json
from soft_tactile_node.reports.health_text import format_health


@click.command()
@click.argument("calibration", metavar="CAL.yaml", type=PATH)
@as_json
def command(calibration: Path, as_json: bool) -> int:
    """Say whether a calibration is healthy: ranges, figures, age, what could not be identified.

    Leaves with exit code 1 if it is not, or cannot be read.
    """
    health = describe_calibration(load_calibration(calibration), datetime.now(timezone.utc).astimezone().date())
    if as_json:
        print_json(health.to_json())
    else:
        print(format_health(health))
    return 0 if health.healthy else 1
