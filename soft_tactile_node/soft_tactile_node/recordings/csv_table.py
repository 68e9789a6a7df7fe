"""Read and write CSV tables of numbers: quick where the file is clean, exact about the place where it is not."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings.atomic import write_atomically
from soft_tactile_node.samples import Array

HEADER_LIMIT = 1 << 16
"""Longest header row that is read (bytes)."""

BLOCK_SIZE = 1 << 23
"""A file is read in blocks of about this many bytes; one row must fit into a block."""

ROWS_AT_ONCE = 20_000
"""A file is written in blocks of so many rows."""


@dataclass(frozen=True, eq=False)
class CsvTable:
    """The content of one CSV file.

    Attributes
    ----------
    columns : dict of str to numpy.ndarray, shape (n,)
        The number columns that were asked for; NaN = empty or nan.
    text : dict of str to tuple of str, length n
        All other columns, as text.
    rows : numpy.ndarray of int, shape (n,)
        Row of the file each entry came from; the header is row 1.
    sha256 : str
        SHA-256 of the file's bytes.
    """

    columns: dict[str, Array]
    text: dict[str, tuple[str, ...]]
    rows: NDArray[np.int64]
    sha256: str


class _Header:
    """Names of the columns, in file order, and which of them hold numbers."""

    def __init__(self, path: Path, line: str, numeric: Sequence[str], skipped: Sequence[str]) -> None:
        names = [name.strip() for name in _split_line(path, line, 1)]
        if all(_is_number(name) for name in names):
            raise RecordingError(f"{path}, row 1: holds numbers, not names; start with a row of column names")
        seen: set[str] = set()
        for place, name in enumerate(names, start=1):
            if not name:
                raise RecordingError(f"{path}, row 1, column {place}: the name is empty; name every column")
            if name in seen:
                raise RecordingError(f"{path}, row 1, column {name}: the name stands twice; keep one of the two")
            seen.add(name)
        self.path = path
        self.names = names
        self.numeric = [index for index, name in enumerate(names) if name in set(numeric)]
        self.other = [index for index, name in enumerate(names) if name not in {*numeric, *skipped}]


def read_header(path: str | Path) -> list[str]:
    """Return the column names of a CSV file.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.

    Returns
    -------
    list of str
        Names in file order.

    Raises
    ------
    RecordingError
        If the file cannot be opened, is empty or binary, or a name is empty or stands twice.
    """
    with _open(Path(path)) as stream:
        return _read_header(Path(path), stream).names


def read_table(path: str | Path, numeric: Sequence[str], skipped: Sequence[str] = ()) -> CsvTable:
    """Read a CSV file: the columns `numeric` as numbers, all others but `skipped` as text.

    Parameters
    ----------
    path : str or pathlib.Path
        The file; comma separated, UTF-8, one header row. Blank lines are passed over.
    numeric : sequence of str
        Names of the columns that hold numbers; those the file lacks are left out of the result.
    skipped : sequence of str
        Names of columns that are not looked at.

    Returns
    -------
    CsvTable
        The columns.

    Raises
    ------
    RecordingError
        "file, row, column: what; what to do" at the first thing that is wrong.
    """
    place = Path(path)
    digest = hashlib.sha256()
    blocks: list[Array] = []
    texts: list[list[list[str]]] = []
    row_numbers: list[NDArray[np.int64]] = []
    with _open(place) as stream:
        header = _read_header(place, stream, numeric, skipped, digest)
        first_row = 2
        for block in _read_blocks(place, stream, digest):
            numbers, text, rows, lines = _parse_block(header, block, first_row)
            first_row += lines
            blocks.append(numbers)
            texts.append(text)
            row_numbers.append(rows)
    table = np.concatenate(blocks) if blocks else np.empty((0, len(header.numeric)))
    columns = {header.names[index]: np.ascontiguousarray(table[:, k]) for k, index in enumerate(header.numeric)}
    text_columns = {
        header.names[index]: tuple(cell for part in texts for cell in part[k]) for k, index in enumerate(header.other)
    }
    rows = np.concatenate(row_numbers) if row_numbers else np.empty(0, dtype=np.int64)
    return CsvTable(columns, text_columns, rows, digest.hexdigest())


def write_table(path: str | Path, columns: Mapping[str, Sequence[str]]) -> None:
    """Write text `columns`, in order, all of one length, atomically to the CSV file `path`."""
    write_atomically(path, _format_rows(columns))


def format_numbers(values: Array, *, missing: str = "nan") -> list[str]:
    """Return `values`, shape (n,), any unit, as the shortest texts that read back alike; `missing` stands for NaN."""
    text = [repr(value) for value in values.tolist()]
    if values.dtype.kind == "f":
        for index in np.flatnonzero(np.isnan(values)):
            text[index] = missing
    return text


def _format_rows(columns: Mapping[str, Sequence[str]]) -> Iterator[str]:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns.keys())
    rows = zip(*columns.values(), strict=True)
    for count, row in enumerate(rows, start=1):
        writer.writerow(row)
        if count % ROWS_AT_ONCE == 0:
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()


def _open(path: Path) -> BinaryIO:
    try:
        return path.open("rb")
    except OSError as error:
        reason = error.strerror or str(error)
        raise RecordingError(f"{path}: cannot be read ({reason}); check the name and the rights") from error


def _read(path: Path, stream: BinaryIO, limit: int, *, line: bool = False) -> bytes:
    try:
        return stream.readline(limit) if line else stream.read(limit)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read ({error.strerror or error}); check the file") from error


def _decode(path: Path, data: bytes, row: int) -> str:
    """Turn bytes into text, or say at which row they are no text."""
    if b"\0" in data:
        row += data[: data.index(b"\0")].count(b"\n")
        raise RecordingError(f"{path}, row {row}: holds binary data, not text; give a comma-separated text file")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        row += data[: error.start].count(b"\n")
        raise RecordingError(f"{path}, row {row}: is not UTF-8 text; save the file as UTF-8 CSV") from error


def _read_header(
    path: Path,
    stream: BinaryIO,
    numeric: Sequence[str] = (),
    skipped: Sequence[str] = (),
    digest: hashlib._Hash | None = None,
) -> _Header:
    line = _read(path, stream, HEADER_LIMIT, line=True)
    if digest is not None:
        digest.update(line)
    if not line:
        raise RecordingError(f"{path}: is empty; give a CSV file with a header row and one row a scan")
    text = _decode(path, line, 1).removeprefix("\ufeff").strip("\r\n")
    if len(line) >= HEADER_LIMIT:
        raise RecordingError(f"{path}, row 1: is longer than {HEADER_LIMIT} bytes; start with a row of column names")
    if not text.strip():
        raise RecordingError(f"{path}, row 1: is blank; the first row must name the columns")
    return _Header(path, text, numeric, skipped)


def _read_blocks(path: Path, stream: BinaryIO, digest: hashlib._Hash) -> Iterator[bytes]:
    """Yield the rest of the file in pieces that end with a line end."""
    rest = b""
    row = 2
    while chunk := _read(path, stream, BLOCK_SIZE):
        digest.update(chunk)
        cut = chunk.rfind(b"\n") + 1
        if cut == 0:
            rest += chunk
            if len(rest) > BLOCK_SIZE:
                raise RecordingError(f"{path}, row {row}: is longer than {BLOCK_SIZE} bytes; give one scan a row")
            continue
        row += chunk.count(b"\n")
        yield rest + chunk[:cut]
        rest = chunk[cut:]
    if rest:
        yield rest + b"\n"


Block = tuple[Array, list[list[str]], NDArray[np.int64], int]


def _parse_block(header: _Header, block: bytes, first_row: int) -> Block:
    """Return numbers, text columns, row numbers and the count of lines of one block."""
    data = block.replace(b"\r\n", b"\n")
    text = _decode(header.path, data, first_row)
    lines = text.split("\n")[:-1]
    fast = _parse_fast(header, data, lines)
    if fast is not None:
        numbers, cells = fast
        rows = np.arange(first_row, first_row + len(lines), dtype=np.int64)
        return numbers, cells, rows, len(lines)
    return _parse_carefully(header, lines, first_row)


def _parse_fast(header: _Header, data: bytes, lines: list[str]) -> tuple[Array, list[list[str]]] | None:
    """Parse a block that has no quotes, no blank lines and the same number of cells in every row; else None."""
    width = len(header.names)
    raw = np.frombuffer(data, dtype=np.uint8)
    commas_before_line_end = np.searchsorted(np.flatnonzero(raw == ord(",")), np.flatnonzero(raw == ord("\n")))
    if np.any(np.diff(commas_before_line_end, prepend=0) != width - 1) or b'"' in data:
        return None
    # The parser below knows no empty cell: write them out as nan first (twice, as neighbours share a comma).
    filled = data.replace(b",,", b",nan,").replace(b",,", b",nan,").replace(b",\n", b",nan\n")
    filled = filled.replace(b"\n,", b"\nnan,")
    if filled.startswith(b","):
        filled = b"nan" + filled
    try:
        numbers = np.loadtxt(
            io.BytesIO(filled), delimiter=",", comments=None, usecols=header.numeric, ndmin=2, encoding="utf-8"
        )
    except ValueError:
        return None
    if numbers.shape[0] != len(lines):
        return None
    cells: list[list[str]] = []
    if header.other:
        split = [line.split(",") for line in lines]
        cells = [[row[index] for row in split] for index in header.other]
    return numbers, cells


def _parse_carefully(header: _Header, lines: list[str], first_row: int) -> Block:
    """Parse cell by cell; the first thing that is wrong is named with its row and column."""
    width = len(header.names)
    numbers: list[list[float]] = []
    cells: list[list[str]] = [[] for _ in header.other]
    rows: list[int] = []
    for row, line in enumerate(lines, start=first_row):
        if not line.strip():
            continue
        found = _split_line(header.path, line, row)
        if len(found) < width:
            raise RecordingError(
                f"{header.path}, row {row}, column {header.names[len(found)]}: the row ends after {len(found)} of "
                f"{width} cells; complete it, or delete it if the recording was cut short there"
            )
        if len(found) > width:
            raise RecordingError(
                f"{header.path}, row {row}, column {width + 1}: the row has {len(found)} cells under {width} names; "
                "name every column, and write decimals with a point"
            )
        numbers.append([_parse_number(header, found[index], row, index) for index in header.numeric])
        for column, index in zip(cells, header.other, strict=True):
            column.append(found[index])
        rows.append(row)
    table = np.array(numbers, dtype=np.float64).reshape(len(rows), len(header.numeric))
    return table, cells, np.array(rows, dtype=np.int64), len(lines)


def _split_line(path: Path, line: str, row: int) -> list[str]:
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error as error:
        raise RecordingError(f"{path}, row {row}: cannot be split into cells ({error}); mend the row") from error


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _parse_number(header: _Header, cell: str, row: int, index: int) -> float:
    text = cell.strip()
    if not text:
        return float("nan")
    try:
        # float() would also take 1_000, which no instrument writes.
        if "_" in text:
            raise ValueError
        return float(text)
    except ValueError:
        shown = text if len(text) <= 40 else text[:37] + "..."
        raise RecordingError(
            f"{header.path}, row {row}, column {header.names[index]}: {shown!r} is not a number; "
            "write a number, or leave the cell empty where the sample is missing"
        ) from None
