"""Recordings that grow while they are made: what is on the disk survives a crash, an older file survives everything.

Rows go to a file of their own beside the target (`REC.csv.part`), which takes the target's name when all is well.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings.atomic import write_atomically
from soft_tactile_node.recordings.csv_files import ACCELERATION
from soft_tactile_node.recordings.part_file import PART, PartFile
from soft_tactile_node.samples import Scan


@dataclass(frozen=True)
class Layout:
    """What a recording holds beside time, pressure and inductance.

    Attributes
    ----------
    channels : int
        Number of coils.
    temperature, loss, acceleration : bool
        Whether there are columns for them.
    atmospheric_pa : float
        Absolute pressure of the vented line (Pa), for formats that keep absolute pressure; NaN = not known.
    """

    channels: int
    temperature: bool = False
    loss: bool = False
    acceleration: bool = False
    atmospheric_pa: float = math.nan


class RecordingWriter(Protocol):
    """Writes one recording while it is made. All methods raise RecordingError where the disk is full or gone."""

    part: Path
    """Where rows are until `finish`."""

    def start(self, layout: Layout) -> None:
        """Say what the rows will hold; once, before the first."""

    def add(self, scan: Scan, pressure_pa: float) -> None:
        """Add a row; `pressure_pa` is gauge (Pa), NaN = no new reading. What the layout lacks is left out."""

    def finish(self) -> None:
        """Put the recording in its place, over an older one."""

    def abandon(self) -> None:
        """Stop; an older recording stays in its place, what was written stays in `part` unless it holds no row."""


class CsvWriter(PartFile):
    """Writes a recording as CSV, a row a scan.

    Parameters
    ----------
    path : pathlib.Path
        The recording to make.

    Raises
    ------
    RecordingError
        The folder cannot be written to, or an unfinished recording of that name is there.
    """

    def __init__(self, path: Path) -> None:
        advice = f"keep it with `soft-tactile record --recover {path}{PART} --out …`, or delete it"
        # Line by line to the system: a program that is killed loses nothing but the row it is writing.
        super().__init__(path, advice, mode="x", buffering=1, encoding="utf-8", newline="")
        self._layout: Layout | None = None
        self._csv = csv.writer(self._open_stream, lineterminator="\n")

    def start(self, layout: Layout) -> None:
        """Write the header of rows with this `layout`."""
        self._layout = layout
        numbers = range(1, layout.channels + 1)
        names = ["time_s", "pressure_pa", *(f"coil_{number}_h" for number in numbers)]
        names += ["temperature_c"] if layout.temperature else []
        names += [f"coil_{number}_ohm" for number in numbers] if layout.loss else []
        self._write([*names, *(ACCELERATION if layout.acceleration else ())])

    def add(self, scan: Scan, pressure_pa: float) -> None:
        """Write `scan` with `pressure_pa` (gauge Pa; NaN = no new); RecordingError: disk full, channels differ."""
        layout = self._layout
        if layout is None or scan.inductance_h.size != layout.channels:
            raise RecordingError(
                f"{self._path}: a row must be of {layout.channels if layout else 0} channels; "
                f"got {scan.inductance_h.size}"
            )
        missing = [math.nan] * layout.channels
        cells = [scan.time_s, pressure_pa, *scan.inductance_h.tolist()]
        cells += [scan.temperature_c] if layout.temperature else []
        if layout.loss:
            cells += missing if scan.loss_ohm is None else scan.loss_ohm.tolist()
        if layout.acceleration:
            cells += [math.nan] * 3 if scan.acceleration_m_s2 is None else scan.acceleration_m_s2.tolist()
        self._write(["" if math.isnan(cell) else repr(float(cell)) for cell in cells])
        self._written += 1

    def _kept(self) -> str:
        return f"{self._written} rows are kept"

    def _write(self, cells: list[str]) -> None:
        self._open_stream  # noqa: B018 - refuses rows after the end
        self._guarded(lambda: self._csv.writerow(cells))


def recover_recording(part: str | Path, path: str | Path) -> int:
    """Save what is whole of an unfinished CSV recording: all but a last row that was cut short.

    Parameters
    ----------
    part : str or pathlib.Path
        The unfinished recording; removed afterwards.
    path : str or pathlib.Path
        Where to.

    Returns
    -------
    int
        Number of rows that were saved.

    Raises
    ------
    RecordingError
        It cannot be read, or holds no whole row; it stays where it is.
    """
    source = Path(part)
    try:
        data = source.read_bytes()
    except OSError as error:
        raise RecordingError(f"{source}: cannot be read ({error.strerror}); check the name") from None
    data = data.partition(b"\0")[0]  # after a power failure there may be zeros at the end
    whole = data[: data.rfind(b"\n") + 1]
    try:
        text = whole.decode("utf-8")
    except UnicodeDecodeError:
        raise RecordingError(f"{source}: is no recording in CSV; give a file that ends in .csv{PART}") from None
    rows = text.count("\n") - 1
    if rows < 1 or not text.startswith("time_s,"):
        raise RecordingError(f"{source}: holds no whole row of a recording; delete it")
    write_atomically(path, text)
    source.unlink()
    return rows
