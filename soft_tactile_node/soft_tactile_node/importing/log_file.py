"""Reading a lab log: any delimiter, decimal sign and encoding; the first cell that is wrong is named with its place."""

from __future__ import annotations

import csv
import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timezone
from itertools import islice
from pathlib import Path

import numpy as np

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.importing.schema import FileLayout
from soft_tactile_node.samples import Array

DELIMITERS = {"tab": "\t"}
COMMENT_SIGNS = ("#", "%", "//", "!", "*")
"""What instruments begin a comment with."""

LONGEST_NAMES = 200
"""How much of the names is shown where one is missing (characters)."""


@dataclass(frozen=True)
class Log:
    """The columns of a log that a map asks for, as text.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    layout : FileLayout
        How it is written.
    cells : dict of str or int to list of str
        Cells of each column by the name the map gives it.
    rows : list of int
        Row of the file each entry came from, from 1.
    sha256 : str
        SHA-256 of the file.
    """

    path: Path
    layout: FileLayout
    cells: dict[str | int, list[str]]
    rows: list[int]
    sha256: str

    def numbers(self, column: str | int) -> Array:
        """Return a column as numbers.

        Parameters
        ----------
        column : str or int
            Name or number of the column, as in the map.

        Returns
        -------
        numpy.ndarray, shape (n,)
            Numbers, in the unit of the log (see its map); NaN = missing.

        Raises
        ------
        RecordingError
            "file, row, column: what; what to do".
        """
        missing = {"", "nan", "NaN", "NAN", *self.layout.missing}
        cells = [cell.strip() for cell in self.cells[column]]
        if self.layout.decimal == ",":
            cells = [cell.replace(",", ".") if "." not in cell else "?" + cell for cell in cells]
            missing = {text.replace(",", ".") for text in missing}

        def number(k: int, cell: str) -> float:
            try:
                return math.nan if cell in missing else float(cell.replace("_", "?"))  # no instrument writes 1_000
            except ValueError:
                shown = self.cells[column][k].strip()[:40]
                raise RecordingError(
                    f"{self._place(k, column)}: {shown!r} is not a number; if it means a missing sample, name it in "
                    "file.missing of the map; see also file.decimal"
                ) from None

        return np.array([number(k, cell) for k, cell in enumerate(cells)])

    def times(self, column: str | int) -> Array:
        """Return `column`, dates with time of day, in s since 1970, to the microsecond; UTC where no zone is told."""
        seconds = np.empty(len(self.rows))
        epoch = datetime(1970, 1, 1, tzinfo=timezone.utc)
        for k, cell in enumerate(self.cells[column]):
            text = cell.strip()
            try:
                when = datetime.fromisoformat(text[:-1] + "+00:00" if text.endswith(("Z", "z")) else text)
            except ValueError:
                raise RecordingError(
                    f"{self._place(k, column)}: {text[:40]!r} is not a time like 2025-03-01T09:30:00.125"
                    "; say what the column holds in time.unit of the map"
                ) from None
            aware = when if when.tzinfo is not None else when.replace(tzinfo=timezone.utc)
            seconds[k] = (aware - epoch).total_seconds()
        return seconds

    def _place(self, entry: int, column: str | int) -> str:
        return f"{self.path}, row {self.rows[entry]}, column {column}"


def read_log(path: str | Path, layout: FileLayout, columns: Sequence[str | int]) -> Log:
    """Read the columns of a log.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    layout : FileLayout
        How it is written.
    columns : sequence of str or int
        The columns wanted, by name or by number from 1.

    Returns
    -------
    Log
        Those columns.

    Raises
    ------
    RecordingError
        "file, row, column: what; what to do".
    """
    file = Path(path)
    try:
        data = file.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise RecordingError(f"{file}: cannot be read ({reason}); check the name and the rights") from error
    lines = _decode(file, data, layout).replace("\r\n", "\n").replace("\r", "\n").split("\n")
    rows = _split(file, lines, layout)
    header: list[str] = []
    if layout.header:
        _, header = next(rows, (0, []))
        if not header:
            raise RecordingError(f"{file}: has no row of column names; see file.rows_before and file.header of the map")
    rows = islice(rows, layout.rows_after, None)
    places = {column: _find(file, column, header) for column in dict.fromkeys(columns)}
    cells: dict[str | int, list[str]] = {column: [] for column in places}
    numbers: list[int] = []
    need = max(places.values()) + 1
    for number, found in rows:
        if len(found) < need:
            column = next(name for name, place in places.items() if place >= len(found))
            raise RecordingError(
                f"{file}, row {number}, column {column}: the row ends after {len(found)} cells; complete or "
                "delete it, or see file.delimiter of the map"
            )
        for column, place in places.items():
            cells[column].append(found[place])
        numbers.append(number)
    if not numbers:
        raise RecordingError(f"{file}: has no rows below its names; give a log with samples")
    return Log(file, layout, cells, numbers, hashlib.sha256(data).hexdigest())


def _decode(file: Path, data: bytes, layout: FileLayout) -> str:
    encoding = "utf-8-sig" if layout.encoding == "utf-8" else layout.encoding
    try:
        text = data.decode(encoding)
    except UnicodeError as error:
        start = getattr(error, "start", 0)
        row = data[:start].count(b"\n") + 1
        raise RecordingError(
            f"{file}, row {row}: is not {layout.encoding} text; set file.encoding of the map (utf-8, utf-16, cp1252, "
            "latin-1)"
        ) from None
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise RecordingError(f"{file}, row {row}: holds binary data, not text; export the log as text")
    if not text.strip():
        raise RecordingError(f"{file}: is empty; give a log with a row of names and one row a sample")
    return text


def _split(file: Path, lines: list[str], layout: FileLayout) -> Iterator[tuple[int, list[str]]]:
    """Yield row number and cells of each row that counts."""
    delimiter = ""
    for number, line in enumerate(lines[layout.rows_before :], start=layout.rows_before + 1):
        if not line.strip() or (layout.comment and line.lstrip().startswith(layout.comment)):
            continue
        delimiter = delimiter or _delimiter(line, layout)
        if delimiter == "space":
            yield number, line.split()
            continue
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True))
        except csv.Error as error:
            raise RecordingError(f"{file}, row {number}: cannot be split into cells ({error}); mend the row") from None
        yield number, [cell.strip() for cell in cells]


def _delimiter(line: str, layout: FileLayout) -> str:
    """Return the delimiter: as the map says, or what stands most often in the first row that counts."""
    if layout.delimiter != "auto":
        return DELIMITERS.get(layout.delimiter, layout.delimiter)
    found = max((";", "\t", "|", ","), key=line.count)
    if line.count(found) == 0 or (found == "," and layout.decimal == ","):
        return "space"
    return found


def _find(file: Path, column: str | int, header: list[str]) -> int:
    """Return the place of a column in a row."""
    if isinstance(column, int):
        if header and column > len(header):
            raise RecordingError(f"{file}: has {len(header)} columns; got number {column} in the map")
        return column - 1
    places = [place for place, name in enumerate(header) if name == column]
    if len(places) == 1:
        return places[0]
    shown = ", ".join(header)
    shown = shown if len(shown) <= LONGEST_NAMES else shown[: LONGEST_NAMES - 3] + "..."
    if not header:
        raise RecordingError(f"{file}: has no names (file.header is false); name column {column!r} by its number")
    if places:
        raise RecordingError(f"{file}: has {len(places)} columns named {column!r}; name the one by its number")
    sign = next((sign for sign in COMMENT_SIGNS if header[0].startswith(sign)), None)
    if sign is not None:
        raise RecordingError(
            f"{file}: has no column {column!r}; its first row is a comment ({shown}): set file.comment: {sign!r} in "
            "the map, or file.rows_before where only the names follow it"
        )
    raise RecordingError(f"{file}: has no column {column!r} (found: {shown}); mend the map, or see file.delimiter")
