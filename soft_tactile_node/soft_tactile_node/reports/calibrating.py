"""From recordings to calibration file and report: the one way, for the command line and for the node."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import save_calibration
from soft_tactile_node.recordings import Recording


def calibrate_and_report(
    free_bend: Sequence[Recording],
    press: Sequence[Recording],
    output: Path,
    *,
    info: PadInfo,
    made_on: date,
    report: Path | None = None,
    progress: Callable[[str], None] | None = None,
) -> Calibration:
    """Calibrate a finger and write calibration and report.

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
    report : pathlib.Path, optional
        Report to write, too.
    progress : callable, optional
        Called with the name of each phase.

    Returns
    -------
    Calibration
        What was written.

    Raises
    ------
    RecordingError
        A file cannot be written.
    CalibrationError
        The recordings cannot give a calibration.
    """
    record = calibrate(
        free_bend, press, pad=info.pad, serial=info.serial, geometry=info.geometry, made_on=made_on, progress=progress
    )
    save_calibration(record, output)
    if report is not None:
        from soft_tactile_node.reports.calibration_report import write_calibration_report

        if progress:
            progress("writing the report")
        write_calibration_report(report, record, free_bend, press)
    return record
