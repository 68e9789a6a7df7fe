"""From a log, and a second one with the reference, to a recording."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter1d

from soft_tactile_node.errors import RecordingError, SourceError
from soft_tactile_node.importing.clocks import ClockOffset, find_offset
from soft_tactile_node.importing.log_file import Log, read_log
from soft_tactile_node.importing.schema import COUNT, Column, LogMap, PressureColumn, References, TimeColumn, needs_tank
from soft_tactile_node.importing.units import convert
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array
from soft_tactile_node.sources.tank import Tank

VENTED_S = 1.0
"""First part of a log, which is vented (s)."""

LEAST_ATMOSPHERE_PA = 50_000.0
"""An absolute pressure of a vented line below this is none (Pa)."""

GAP_STEPS = 10.0
"""A hole in the second log longer than this many of its usual steps, and 0.05 s, is not bridged."""

PLAUSIBLE_H = (1.0e-9, 1.0e-2)
"""Flat coils below a pad lie well within this range (H; common practice, no source)."""


@dataclass(frozen=True)
class Imported:
    """What came of a log.

    Attributes
    ----------
    recording : Recording
        The recording, times from the first row of the log.
    clock : ClockOffset or None
        The second log's clock against the first row of the log; None = there was no second log.
    remarks : tuple of str
        What looks odd.
    """

    recording: Recording
    clock: ClockOffset | None
    remarks: tuple[str, ...]


def import_log(log: str | Path, rules: LogMap, reference: str | Path | None = None) -> Imported:
    """Return the recording a log holds.

    Parameters
    ----------
    log : str or pathlib.Path
        The log with coils and pressure.
    rules : LogMap
        Where in it each column is.
    reference : str or pathlib.Path, optional
        The second log, for which the map has a part `reference`.

    Returns
    -------
    Imported
        Recording, clock offset, remarks.

    Raises
    ------
    RecordingError
        "file, row, column: what; what to do".
    """
    if (reference is None) != (rules.reference is None):
        given, lacking = ("a second log", "no part") if reference is not None else ("no second log", "a part")
        raise RecordingError(f"{reference or log}: {given} is given, and the map has {lacking} `reference`")
    main = read_log(log, rules.file, _names(rules))
    clock_s = _times(main, rules.time)
    time_s = clock_s - clock_s[0]
    inductance_h, loss_ohm = _coils(main, rules)
    columns = _references(main, rules)
    offset = None
    if reference is not None and rules.reference is not None:
        second = read_log(reference, rules.reference.file, _names(rules.reference))
        second_s = _times(second, rules.reference.time)
        extra = _references(second, rules.reference)
        offset = _align(second, rules, second_s, clock_s[0], time_s, inductance_h, main, extra)
        columns.update({name: _resample(time_s, offset.apply(second_s), values) for name, values in extra.items()})
    acceleration = rules.acceleration
    recording = Recording(
        time_s=time_s,
        pressure_pa=_pressure(main, rules.pressure, time_s),
        inductance_h=inductance_h,
        temperature_c=(
            np.full(len(time_s), np.nan) if rules.temperature is None else _values(main, rules.temperature, "degC")
        ),
        loss_ohm=loss_ohm,
        acceleration_m_s2=None
        if acceleration is None
        else np.column_stack(
            [_values(main, column, "m/s^2") for column in (acceleration.x, acceleration.y, acceleration.z)]
        ),
        source=Path(log).name,
        sha256=main.sha256,
        **columns,  # type: ignore[arg-type]
    )
    return Imported(recording, offset, tuple(_remarks(recording)))


def _names(rules: LogMap | References) -> list[str | int]:
    """Return the columns a map asks of a log."""
    found: list[Column | None] = [rules.bend, rules.indent]
    if rules.force is not None:
        found += [rules.force.x, rules.force.y, rules.force.z]
    if isinstance(rules, LogMap):
        found += [*rules.coils, *rules.loss, rules.pressure, rules.temperature]
        if rules.acceleration is not None:
            found += [rules.acceleration.x, rules.acceleration.y, rules.acceleration.z]
    time: TimeColumn = rules.time  # type: ignore[union-attr]
    names = [column.column for column in found if column is not None]
    return names if time.column is None else [time.column, *names]


def _times(log: Log, rule: TimeColumn) -> Array:
    """Return when each row was taken, by the log's own clock (s)."""
    if rule.column is None:
        assert rule.rate_hz is not None
        return np.arange(len(log.rows)) / rule.rate_hz
    if rule.unit == "iso8601":
        return log.times(rule.column)
    cells = log.numbers(rule.column)
    bad = np.flatnonzero(~np.isfinite(cells))
    if bad.size:
        raise RecordingError(
            f"{log.path}, row {log.rows[bad[0]]}, column {rule.column}: the time is missing; every row needs its time"
        )
    if rule.wraps_at is not None:
        if cells.min() < 0.0 or cells.max() >= rule.wraps_at:
            raise RecordingError(
                f"{log.path}, column {rule.column}: must lie between 0 and time.wraps_at = {rule.wraps_at:g}; got "
                f"{cells.min():g} to {cells.max():g}"
            )
        cells = np.unwrap(cells, period=rule.wraps_at)
    return convert(cells, rule.unit, "s")


def _values(log: Log, rule: Column, target: str) -> Array:
    return convert(rule.scale * log.numbers(rule.column) + rule.offset, rule.unit, target)


def _coils(log: Log, rules: LogMap) -> tuple[Array, Array | None]:
    """Return inductance (H) and loss resistance (ohm) of each coil."""
    loss = np.column_stack([_values(log, column, "ohm") for column in rules.loss]) if rules.loss else None
    out = np.empty((len(log.rows), len(rules.coils)))
    for k, rule in enumerate(rules.coils):
        if not needs_tank(rule):
            out[:, k] = _values(log, rule, "H")
    raw = [k for k, rule in enumerate(rules.coils) if needs_tank(rule)]
    if raw:
        assert isinstance(rules.tank, Tank)
        frequency_hz = np.full(out.shape, np.nan)
        for k in raw:
            frequency_hz[:, k] = _frequency(log, rules.coils[k], rules.tank)
        try:
            out[:, raw] = rules.tank.inductance_at(frequency_hz, loss)[:, raw]
        except SourceError as error:
            raise RecordingError(f"{log.path}: {error}; mend tank or coils of the map") from None
    return out, loss


def _frequency(log: Log, rule: Column, tank: Tank) -> Array:
    if rule.unit in COUNT:
        return tank.frequency(rule.scale * log.numbers(rule.column) + rule.offset)
    hertz = _values(log, rule, "Hz")
    return np.where(hertz > 0.0, hertz, np.nan)


def _pressure(log: Log, rule: PressureColumn, time_s: Array) -> Array:
    """Return gauge pressure (Pa)."""
    pressure_pa = _values(log, rule, "Pa")
    if rule.reference == "gauge":
        return pressure_pa
    atmospheric_pa = rule.atmospheric_pa
    if atmospheric_pa is None:
        rest = pressure_pa[(time_s <= time_s[0] + VENTED_S) & np.isfinite(pressure_pa)]
        if not rest.size:
            raise RecordingError(
                f"{log.path}, column {rule.column}: no pressure in the first {VENTED_S:g} s; give "
                "pressure.atmospheric_pa in the map"
            )
        atmospheric_pa = float(np.median(rest))
        if atmospheric_pa < LEAST_ATMOSPHERE_PA:
            raise RecordingError(
                f"{log.path}, column {rule.column}: {atmospheric_pa:.0f} Pa at rest looks like gauge pressure; set "
                "pressure.reference: gauge in the map"
            )
    return pressure_pa - atmospheric_pa


def _references(log: Log, rules: References) -> dict[str, Array]:
    """Return what a reference instrument measured, by the recording's names."""
    found: dict[str, Array] = {}
    if rules.force is not None:
        axes = (rules.force.x, rules.force.y, rules.force.z)
        missing = np.full(len(log.rows), np.nan)
        found["force_n"] = np.column_stack([missing if axis is None else _values(log, axis, "N") for axis in axes])
    if rules.bend is not None:
        found["bend_rad"] = _values(log, rules.bend, "rad")
    if rules.indent is not None:
        found["indent_m"] = _values(log, rules.indent, "m")
    return found


def _align(
    second: Log,
    rules: LogMap,
    second_s: Array,
    start_s: float,
    time_s: Array,
    inductance_h: Array,
    main: Log,
    extra: dict[str, Array],
) -> ClockOffset:
    """Return how the second clock runs against the recording's, which starts at the first row of the main log."""
    assert rules.reference is not None
    if rules.reference.offset_s is not None:
        return ClockOffset(rules.reference.offset_s - start_s)
    for log, times in ((main, time_s), (second, second_s)):
        back = np.flatnonzero(np.diff(times) < 0.0)
        if back.size:
            raise RecordingError(
                f"{log.path}, row {log.rows[back[0] + 1]}: time runs backwards; mend it, see time.wraps_at of the map"
            )
    forward, second_forward = _rising(time_s), _rising(second_s)
    change = inductance_h[forward] / np.nanmedian(inductance_h, axis=0) - 1.0
    force_n = extra["force_n"][:, np.isfinite(extra["force_n"]).any(axis=0)]
    if not force_n.size:
        raise RecordingError(f"{second.path}: holds no force; see reference.force of the map")
    pressure_pa = _values(main, rules.pressure, "Pa")
    return find_offset(
        time_s[forward], change, pressure_pa[forward], second_s[second_forward], force_n[second_forward],
        where=str(second.path),
    )  # fmt: skip


def _rising(time_s: Array) -> Array:
    return np.concatenate([[True], np.diff(time_s) > 0.0])


def _resample(time_s: Array, at_s: Array, values: Array) -> Array:
    """Return values of the second log at the rows of the main one: averaged where it is faster, NaN in its gaps."""
    order = np.argsort(at_s, kind="stable")
    at_s, columns = at_s[order], values[order].reshape(len(at_s), -1)
    step_s = float(np.median(np.diff(at_s)))
    group = max(1, round(float(np.median(np.diff(time_s))) / max(step_s, 1e-9)))
    out = np.full((len(time_s), columns.shape[1]), np.nan)
    for k, column in enumerate(columns.T):
        good = np.isfinite(column)
        if good.sum() < 2:
            continue
        times, known = at_s[good], column[good]
        if group > 1:
            known = uniform_filter1d(known, group, mode="nearest")
        out[:, k] = np.interp(time_s, times, known, left=np.nan, right=np.nan)
        holes = np.flatnonzero(np.diff(times) > max(GAP_STEPS * step_s, 0.05))
        for hole in holes:
            out[(time_s > times[hole]) & (time_s < times[hole + 1]), k] = np.nan
    return out.reshape(len(time_s), *values.shape[1:])


def _remarks(recording: Recording) -> Iterable[str]:
    """Yield what looks odd."""
    low, high = PLAUSIBLE_H
    for k, values in enumerate(recording.inductance_h.T, start=1):
        known = values[np.isfinite(values)]
        if not known.size:
            yield f"coil_{k}_h has no samples"
        elif not low < float(np.median(known)) < high:
            yield f"coil_{k}_h is {np.median(known):.3g} H, unusual for a flat coil: check unit, scale and tank"
    rest = recording.pressure_pa[recording.time_s <= recording.time_s[0] + VENTED_S]
    rest = rest[np.isfinite(rest)]
    if rest.size and np.abs(rest).max() > 1000.0:
        yield f"pressure is {np.abs(rest).max() / 1000:.1f} kPa at the start: a recording must start vented"
    steps = np.diff(recording.time_s)
    if (steps < 0.0).any():
        yield f"time runs backwards at {int((steps < 0.0).sum())} rows: see time.wraps_at of the map"
    if recording.force_n is not None:
        force = recording.force_n[np.isfinite(recording.force_n[:, 2]), 2]
        if not force.size:
            yield "no force lies within the time of the log"
        elif -force.min() > 2.0 * abs(force.max()):
            yield "force_z_n is mostly negative: a press must be positive, set scale: -1"
