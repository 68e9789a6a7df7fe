"""A recording made from the page, and beside it a log of what happened and what was marked."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from soft_tactile_node.errors import RecordingError, SoftTactileError
from soft_tactile_node.recordings import open_recording_writer
from soft_tactile_node.sources import Reading
from soft_tactile_node.sources.recording_run import Recorder


class Logbook:
    """Writes `NAME.csv` with every scan, and `NAME_log.csv` with `time_s, kind, text`.

    Parameters
    ----------
    path : pathlib.Path
        The recording; must not exist.
    atmospheric_pa : float
        Taken off absolute pressure (Pa); NaN = mean of the first second.

    Raises
    ------
    RecordingError
        The folder cannot be written to.
    """

    def __init__(self, path: Path, atmospheric_pa: float) -> None:
        self.path = path
        self.log_path = path.with_name(f"{path.stem}_log.csv")
        self._writer = open_recording_writer(path)
        self._recorder = Recorder(self._writer, atmospheric_pa)
        try:
            self._log = self.log_path.open("w", buffering=1, encoding="utf-8", newline="")
        except OSError as error:
            self._writer.abandon()
            raise RecordingError(f"{self.log_path}: cannot be written ({error.strerror})") from None
        self._rows = csv.writer(self._log, lineterminator="\n")
        self._rows.writerow(["time_s", "kind", "text"])
        self._first_s: float | None = None
        self.scans = 0

    def add(self, readings: Sequence[Reading]) -> None:
        """Record `readings`; SoftTactileError: disk full, or pressure both gauge and absolute."""
        if readings and self._first_s is None:
            self._first_s = readings[0].scan.time_s
        self.scans += len(readings)
        self._recorder.add(list(readings))

    def note(self, stamp_s: float, kind: str, text: str) -> None:
        """Write a line into the log.

        Parameters
        ----------
        stamp_s : float
            On the clock of the scans (s).
        kind, text : str
            What happened.

        Raises
        ------
        RecordingError
            The disk is full.
        """
        time_s = 0.0 if self._first_s is None else max(stamp_s - self._first_s, 0.0)
        try:
            self._rows.writerow([f"{time_s:.4f}", kind, text])
        except OSError as error:
            raise RecordingError(f"{self.log_path}: cannot be written ({error.strerror})") from None

    def finish(self) -> str:
        """Put the recording in its place and say so; SoftTactileError: nothing came, or the disk is full."""
        try:
            self._recorder.settle()
            summary = self._recorder.summary
            if not summary.rows:
                raise RecordingError(f"{self.path}: nothing came, nothing is saved")
            self._writer.finish()
        except SoftTactileError:
            self.abandon()
            raise
        self._log.close()
        said = f"saved {self.path}, {summary.rows} scans in {summary.duration_s:.1f} s, and {self.log_path.name}"
        if summary.not_at_rest:
            said += f"; its first second was not at rest ({summary.not_at_rest}): calibrate and replay would refuse it"
        return said

    def abandon(self) -> None:
        """Stop; what was written stays in the part file."""
        self._writer.abandon()
        with suppress(OSError):
            self._log.close()
        if not self.scans:
            self.log_path.unlink(missing_ok=True)
