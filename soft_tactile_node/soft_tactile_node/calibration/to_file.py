"""From recordings to a calibration file: the one way, for the command line and for the node."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import save_calibration
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import Recording


def calibrate_to_file(
    free_bend: Sequence[Recording],
    press: Sequence[Recording],
    output: Path,
    *,
    info: PadInfo,
    made_on: date,
    progress: Callable[[str], None] | None = None,
) -> Calibration:
    """Calibrate a finger and write the calibration.

    Parameters
    ----------
    free_bend, press : sequence of Recording
        See `calibrate`.
    output : pathlib.Path
        Calibration to write.
    info : PadInfo
        What only the user knows.
    made_on : datetime.date
        Date to write into the calibration.
    progress : callable, optional
        Called with the name of each phase.

    Returns
    -------
    Calibration
        What was written.

    Raises
    ------
    RecordingError
        The file cannot be written.
    CalibrationError
        The recordings cannot give a calibration, or only one that is unfit.
    """
    record = calibrate(
        free_bend, press, pad=info.pad, serial=info.serial, geometry=info.geometry, made_on=made_on, progress=progress
    )
    problems = describe_calibration(record, made_on).problems
    if problems:
        raise CalibrationError("; ".join(problems))
    save_calibration(record, output)
    return record
