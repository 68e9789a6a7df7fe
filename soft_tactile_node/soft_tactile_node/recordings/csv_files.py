"""Recordings, truths, estimates and events as CSV files, in SI units, with fixed column names."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings.csv_table import CsvTable, format_numbers, read_header, read_table, write_table
from soft_tactile_node.recordings.tables import BoolArray, EstimateTable, IntArray, Recording, Truth
from soft_tactile_node.samples import MAX_CHANNELS, Array, ContactEvent, EstimateField, EventKind, declared

FORCE = ("force_x_n", "force_y_n", "force_z_n")
ACCELERATION = ("accel_x_m_s2", "accel_y_m_s2", "accel_z_m_s2")
REFERENCE = (*FORCE, "bend_rad")
TRUTH = ("time_s", *FORCE, "bend_rad", "in_contact", "slip")
ESTIMATE = ("time_s", *(column for item in declared(EstimateTable) for column in item.columns))
NEEDED = ("time_s", *(name for item in declared(EstimateTable) if not item.may_lack for name in item.columns))
EVENTS = ("time_s", "onset_s", "kind", "contact_id", *FORCE, "contact_probability")

_INDUCTANCE = re.compile(r"coil_(\d+)_h")
_LOSS = re.compile(r"coil_(\d+)_ohm")


def load_recording(path: str | Path, *, reference: bool = True) -> Recording:
    """Read a recording.

    Parameters
    ----------
    path : str or pathlib.Path
        CSV file with the columns `time_s, pressure_pa, coil_1_h … coil_N_h` (N up to 16) and, where measured,
        `temperature_c`, `coil_1_ohm …`, `accel_x_m_s2 …`, `indent_m`, `force_x_n …`, `bend_rad`; in any order.
    reference : bool
        False leaves out the reference columns, force and bend, unread.

    Returns
    -------
    Recording
        The recording, stamps as they are; unknown columns are in `extra`.

    Raises
    ------
    RecordingError
        "file, row, column: what; what to do".
    """
    names = read_header(path)
    channels = _count_channels(path, names)
    inductance = [f"coil_{number}_h" for number in range(1, channels + 1)]
    loss = [f"coil_{number}_ohm" for number in range(1, channels + 1)]
    _require(path, names, ("time_s", "pressure_pa", *inductance))
    known = ["time_s", "pressure_pa", "temperature_c", "indent_m", *inductance, *loss, *ACCELERATION]
    table = read_table(path, known + list(REFERENCE if reference else ()), () if reference else REFERENCE)
    time_s = _take_times(path, table)
    columns = table.columns
    return Recording(
        time_s=time_s,
        pressure_pa=columns["pressure_pa"],
        inductance_h=_stack(columns, inductance),
        temperature_c=columns.get("temperature_c", np.full(len(time_s), np.nan)),
        loss_ohm=_take_group(path, columns, loss),
        acceleration_m_s2=_take_group(path, columns, ACCELERATION),
        indent_m=columns.get("indent_m"),
        force_n=_take_group(path, columns, FORCE),
        bend_rad=columns.get("bend_rad"),
        source=Path(path).name,
        sha256=table.sha256,
        extra=table.text,
    )


def save_recording(recording: Recording, path: str | Path) -> None:
    """Write a recording, atomically; numbers read back to the same bits, missing samples are empty cells.

    Parameters
    ----------
    recording : Recording
        What to write; columns it does not have are left out, `extra` columns are kept.
    path : str or pathlib.Path
        CSV file to write.

    Raises
    ------
    RecordingError
        If the file cannot be written; an older file is left as it was.
    """
    columns: dict[str, Array] = {"time_s": recording.time_s, "pressure_pa": recording.pressure_pa}
    _add_group(columns, [f"coil_{number}_h" for number in range(1, recording.channels + 1)], recording.inductance_h)
    if not np.all(np.isnan(recording.temperature_c)):
        columns["temperature_c"] = recording.temperature_c
    _add_group(columns, [f"coil_{number}_ohm" for number in range(1, recording.channels + 1)], recording.loss_ohm)
    _add_group(columns, ACCELERATION, recording.acceleration_m_s2)
    if recording.indent_m is not None:
        columns["indent_m"] = recording.indent_m
    _add_group(columns, FORCE, recording.force_n)
    if recording.bend_rad is not None:
        columns["bend_rad"] = recording.bend_rad
    text: dict[str, Sequence[str]] = {name: format_numbers(values, missing="") for name, values in columns.items()}
    write_table(path, {**text, **recording.extra})


def load_truth(path: str | Path) -> Truth:
    """Read a truth file, the CSV file `path`, with the columns TRUTH in any order."""
    _require(path, read_header(path), TRUTH)
    table = read_table(path, TRUTH)
    time_s = _take_times(path, table)
    return Truth(
        time_s=time_s,
        force_n=_stack(table.columns, FORCE),
        bend_rad=table.columns["bend_rad"],
        in_contact=_take_bools(path, table, "in_contact"),
        slip=_take_bools(path, table, "slip"),
    )


def save_truth(truth: Truth, path: str | Path) -> None:
    """Write `truth` atomically to the CSV file `path`."""
    columns: dict[str, Array] = {"time_s": truth.time_s}
    _add_group(columns, FORCE, truth.force_n)
    columns["bend_rad"] = truth.bend_rad
    text: dict[str, Sequence[str]] = {name: format_numbers(values) for name, values in columns.items()}
    text["in_contact"] = _format_bools(truth.in_contact)
    text["slip"] = _format_bools(truth.slip)
    write_table(path, text)


def load_estimate(path: str | Path) -> EstimateTable:
    """Read an estimate file.

    Parameters
    ----------
    path : str or pathlib.Path
        CSV file with the columns `time_s, force_x_n …, force_x_var_n2 …, contact_probability, in_contact, bend_rad,
        flags`, in any order; a file of an earlier version may lack numbers.

    Returns
    -------
    EstimateTable
        The estimate; NaN for numbers that the file lacks.

    Raises
    ------
    RecordingError
        "file, row, column: what; what to do".
    """
    _require(path, read_header(path), NEEDED)
    table = read_table(path, ESTIMATE)
    time_s = _take_times(path, table)
    return EstimateTable(time_s, **{item.name: _take(path, table, item) for item in declared(EstimateTable)})


def save_estimate(estimate: EstimateTable, path: str | Path) -> None:
    """Write an estimate file, atomically.

    Parameters
    ----------
    estimate : EstimateTable
        What to write.
    path : str or pathlib.Path
        CSV file to write.

    Raises
    ------
    RecordingError
        If the file cannot be written; an older file is left as it was.
    """
    text = {"time_s": format_numbers(estimate.time_s)}
    for item in declared(EstimateTable):
        values = getattr(estimate, item.name).reshape(len(estimate), -1)
        for name, column in zip(item.columns, values.T, strict=True):
            text[name] = _format_bools(column) if column.dtype == bool else format_numbers(column)
    write_table(path, text)


def load_events(path: str | Path) -> list[ContactEvent]:
    """Read events, in file order, from the CSV file `path`, with the columns EVENTS; only a header = none."""
    _require(path, read_header(path), EVENTS)
    table = read_table(path, [name for name in EVENTS if name != "kind"])
    time_s = _take_times(path, table, allow_none=True)
    ids = _take_integers(path, table, "contact_id")
    force = _stack(table.columns, FORCE)
    kinds = [_parse_kind(path, text, row) for text, row in zip(table.text["kind"], table.rows.tolist(), strict=True)]
    return [
        ContactEvent(
            time_s=float(time_s[k]),
            onset_s=float(table.columns["onset_s"][k]),
            kind=kind,
            contact_id=int(ids[k]),
            force_n=force[k],
            contact_probability=float(table.columns["contact_probability"][k]),
        )
        for k, kind in enumerate(kinds)
    ]


def save_events(events: Iterable[ContactEvent], path: str | Path) -> None:
    """Write an event file, atomically.

    Parameters
    ----------
    events : iterable of ContactEvent
        What to write; `detail` and `bend_fraction` are not part of the file.
    path : str or pathlib.Path
        CSV file to write.

    Raises
    ------
    RecordingError
        If the file cannot be written; an older file is left as it was.
    """
    listed = list(events)
    columns: dict[str, Sequence[str]] = {
        "time_s": [repr(float(event.time_s)) for event in listed],
        "onset_s": [repr(float(event.onset_s)) for event in listed],
        "kind": [event.kind.value for event in listed],
        "contact_id": [str(int(event.contact_id)) for event in listed],
    }
    for axis, name in enumerate(FORCE):
        columns[name] = [repr(float(event.force_n[axis])) for event in listed]
    columns["contact_probability"] = [repr(float(event.contact_probability)) for event in listed]
    write_table(path, columns)


def _count_channels(path: str | Path, names: Sequence[str]) -> int:
    """Return how many coils the header names; they must be numbered 1 to N without a gap."""
    numbers = sorted(int(match[1]) for name in names if (match := _INDUCTANCE.fullmatch(name)))
    if not numbers:
        raise RecordingError(f"{path}, row 1, column coil_1_h: is missing; a recording needs a column for each coil")
    for expected, number in enumerate(numbers, start=1):
        if number != expected:
            raise RecordingError(
                f"{path}, row 1, column coil_{expected}_h: is missing beside coil_{number}_h; number the coils from 1 "
                "without gaps"
            )
    if len(numbers) > MAX_CHANNELS:
        raise RecordingError(
            f"{path}, row 1, column coil_{MAX_CHANNELS + 1}_h: is one coil too many; at most {MAX_CHANNELS} coils"
        )
    for name in names:
        match = _LOSS.fullmatch(name)
        if match and f"coil_{match[1]}_h" not in names:
            raise RecordingError(f"{path}, row 1, column {name}: has no coil_{match[1]}_h beside it; add or drop it")
    return len(numbers)


def _require(path: str | Path, names: Sequence[str], wanted: Sequence[str]) -> None:
    for name in wanted:
        if name not in names:
            found = ", ".join(names)
            shown = found if len(found) <= 120 else found[:117] + "..."
            raise RecordingError(
                f"{path}, row 1, column {name}: is missing (found: {shown}); name it in the header, after a comma"
            )


def _take_times(path: str | Path, table: CsvTable, *, allow_none: bool = False) -> Array:
    time_s = table.columns["time_s"]
    if not len(time_s) and not allow_none:
        raise RecordingError(f"{path}, row 2: no data below the header; give at least one row")
    bad = np.flatnonzero(~np.isfinite(time_s))
    if len(bad):
        raise RecordingError(
            f"{path}, row {table.rows[bad[0]]}, column time_s: the time is missing or not finite; every row needs its "
            "time in seconds"
        )
    return time_s


def _take_group(path: str | Path, columns: dict[str, Array], names: Sequence[str]) -> Array | None:
    """Return columns that come together as one array, None if all are missing; some of them alone are refused."""
    present = [name for name in names if name in columns]
    if not present:
        return None
    for name in names:
        if name not in columns:
            raise RecordingError(
                f"{path}, row 1, column {name}: is missing beside {present[0]}; give all of them or none"
            )
    return _stack(columns, names)


def _take_bools(path: str | Path, table: CsvTable, name: str) -> BoolArray:
    values = table.columns[name]
    bad = np.flatnonzero((values != 0.0) & (values != 1.0))
    if len(bad):
        raise RecordingError(f"{path}, row {table.rows[bad[0]]}, column {name}: must be 0 or 1; got {values[bad[0]]:g}")
    return np.asarray(values == 1.0, dtype=np.bool_)


def _take_integers(path: str | Path, table: CsvTable, name: str) -> IntArray:
    values = table.columns[name]
    whole = (values >= 0) & (values < 2.0**53) & (values == np.floor(values))
    bad = np.flatnonzero(~whole)
    if len(bad):
        raise RecordingError(
            f"{path}, row {table.rows[bad[0]]}, column {name}: must be a whole number from 0; got {values[bad[0]]:g}"
        )
    return values.astype(np.int64)


def _take(path: str | Path, table: CsvTable, item: EstimateField) -> Any:
    """Return the column or the columns of a field of an estimate."""
    if isinstance(item.blank, bool):
        return _take_bools(path, table, item.column)
    if isinstance(item.blank, int):
        return _take_integers(path, table, item.column)
    if item.shape:
        return _stack(table.columns, item.columns)
    return table.columns.get(item.column, np.full(len(table.rows), item.blank))


def _parse_kind(path: str | Path, text: str, row: int) -> EventKind:
    try:
        return EventKind(text.strip())
    except ValueError:
        kinds = ", ".join(kind.value for kind in EventKind)
        raise RecordingError(f"{path}, row {row}, column kind: must be one of {kinds}; got {text[:40]!r}") from None


def _stack(columns: dict[str, Array], names: Sequence[str]) -> Array:
    return np.column_stack([columns[name] for name in names])


def _add_group(columns: dict[str, Array], names: Sequence[str], values: Array | None) -> None:
    if values is not None:
        columns.update({name: values[:, k] for k, name in enumerate(names)})


def _format_bools(values: BoolArray) -> list[str]:
    return ["1" if value else "0" for value in values.tolist()]
