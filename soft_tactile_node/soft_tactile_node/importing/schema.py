"""What a map file may say: where in a log each column of a recording is, in which unit, and how the log is written."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from soft_tactile_node.importing.units import check_unit
from soft_tactile_node.samples import MAX_CHANNELS
from soft_tactile_node.sources.tank import Tank

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=200)] | Annotated[int, Field(ge=1, le=10_000)]
"""A column by its name, or by its number from 1."""


class Strict(BaseModel):
    """Base of every part: no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class FileLayout(Strict):
    """How a log is written.

    Attributes
    ----------
    delimiter : str
        `auto` (from the row of names), or one of `,` `;` `tab` `|` `space` (any run of blanks).
    decimal : str
        `.` or `,`.
    rows_before : int
        Rows before the row of column names.
    header : bool
        False = there is no row of names; columns are named by their number from 1.
    rows_after : int
        Rows between the names and the first sample, such as a row of units.
    comment : str
        Rows that start with it are passed over; empty = none.
    encoding : str
        Encoding of the text.
    missing : tuple of str
        Cells that mean "not measured", besides empty ones and `nan`.
    """

    delimiter: Literal["auto", ",", ";", "tab", "|", "space"] = "auto"
    decimal: Literal[".", ","] = "."
    rows_before: Annotated[int, Field(ge=0, le=100_000)] = 0
    header: bool = True
    rows_after: Annotated[int, Field(ge=0, le=1000)] = 0
    comment: Annotated[str, Field(max_length=10)] = ""
    encoding: Literal["utf-8", "utf-16", "cp1252", "latin-1"] = "utf-8"
    missing: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> FileLayout:
        if self.decimal == "," and self.delimiter == ",":
            raise PydanticCustomError("decimal", "decimal and delimiter must differ")
        return self


class Column(Strict):
    """One column of numbers: value = scale x cell + offset, in `unit`.

    Attributes
    ----------
    column : str or int
        Its name in the log, or its number from 1.
    unit : str
        Its unit, by the usual name.
    scale, offset : float
        What turns the cell into the value (1, and in the column's unit).
    """

    column: Name
    unit: str
    scale: Finite = 1.0
    offset: Finite = 0.0


class TimeColumn(Strict):
    """When each row was taken: a column, or a fixed rate.

    Attributes
    ----------
    column : str, int or None
        The column.
    unit : str
        Unit of the column, or `iso8601` for dates with time of day.
    wraps_at : float or None
        Value at which a counter starts again from 0, such as 4294967296 (same unit as the column).
    rate_hz : float or None
        Rows per second, where there is no column (Hz).
    """

    column: Name | None = None
    unit: str = "s"
    wraps_at: Positive | None = None
    rate_hz: Positive | None = None

    @field_validator("unit")
    @classmethod
    def _time_unit(cls, unit: str) -> str:
        return unit if unit == "iso8601" else check_unit(unit, "s")

    @model_validator(mode="after")
    def _check(self) -> TimeColumn:
        if (self.column is None) == (self.rate_hz is None):
            raise PydanticCustomError("time", "must have a column or a rate_hz, one of the two")
        if self.wraps_at is not None and (self.column is None or self.unit == "iso8601"):
            raise PydanticCustomError("time", "wraps_at must go with a column of numbers")
        return self


class PressureColumn(Column):
    """Chamber pressure.

    Attributes
    ----------
    reference : str
        `gauge`, or `absolute`: then the atmosphere is taken off.
    atmospheric_pa : float or None
        Pressure of the atmosphere (Pa); None = median of the first second, which must be vented.
    """

    reference: Literal["gauge", "absolute"] = "gauge"
    atmospheric_pa: Annotated[float, Field(ge=50_000.0, le=110_000.0)] | None = None

    _unit = field_validator("unit")(lambda unit: check_unit(unit, "Pa"))

    @model_validator(mode="after")
    def _check(self) -> PressureColumn:
        if self.reference == "gauge" and self.atmospheric_pa is not None:
            raise PydanticCustomError("pressure", "atmospheric_pa must go with reference: absolute")
        return self


COUNT = ("count", "counts")


def _unit_in(target: str) -> AfterValidator:
    """Return a check that a column's unit measures the same as the target."""

    def check(column: Column) -> Column:
        try:
            check_unit(column.unit, target)
        except ValueError as error:
            raise PydanticCustomError("unit", "unit {rule}; got {unit}", _shown(str(error), column)) from None
        return column

    return AfterValidator(check)


def _shown(rule: str, column: Column) -> dict[str, str]:
    return {"rule": rule, "unit": repr(column.unit[:40])}


def measures(column: Column, target: str) -> bool:
    """Return whether the unit of a `column` measures the same as `target`, a unit of a recording or Hz."""
    try:
        check_unit(column.unit, target)
    except ValueError:
        return False
    return True


def needs_tank(coil: Column) -> bool:
    """Return whether the column of a `coil` holds counts or frequencies, which a tank turns into inductance."""
    return not measures(coil, "H")


def _coil(column: Column) -> Column:
    if column.unit in COUNT or measures(column, "H") or measures(column, "Hz"):
        return column
    rule = "must be a unit like H, uH, nH, or with a tank MHz or count"
    raise PydanticCustomError("unit", "unit {rule}; got {unit}", _shown(rule, column))


CoilColumn = Annotated[Column, AfterValidator(_coil)]
"""One coil: inductance, frequency of its tank, or raw counts; the last two need `tank`."""

LossColumn = Annotated[Column, _unit_in("ohm")]
TemperatureColumn = Annotated[Column, _unit_in("degC")]
LengthColumn = Annotated[Column, _unit_in("m")]
ForceColumn = Annotated[Column, _unit_in("N")]
AngleColumn = Annotated[Column, _unit_in("rad")]
AccelerationColumn = Annotated[Column, _unit_in("m/s^2")]


class ForceColumns(Strict):
    """Reference force on the pad, pad frame: z along the inward normal, so that a press is positive; x to the tip."""

    z: ForceColumn
    x: ForceColumn | None = None
    y: ForceColumn | None = None


class AccelerationColumns(Strict):
    """Specific force of the base, root frame."""

    x: AccelerationColumn
    y: AccelerationColumn
    z: AccelerationColumn


class References(Strict):
    """What a reference instrument measured.

    Attributes
    ----------
    force : ForceColumns or None
        Force on the pad.
    bend : Column or None
        Bend angle.
    indent : Column or None
        Indentation of the pad.
    """

    force: ForceColumns | None = None
    bend: AngleColumn | None = None
    indent: LengthColumn | None = None


class ReferenceLog(References):
    """A second log, with a clock of its own.

    Attributes
    ----------
    file : FileLayout
        How it is written.
    time : TimeColumn
        Its clock.
    offset_s : float or None
        Time of the main log less that of this one (s); None = found by correlation.
    """

    file: FileLayout = FileLayout()
    time: TimeColumn
    offset_s: Finite | None = None

    @model_validator(mode="after")
    def _check(self) -> ReferenceLog:
        if self.force is None and self.bend is None and self.indent is None:
            raise PydanticCustomError("reference", "must have force, bend or indent")
        if self.force is None and self.offset_s is None:
            raise PydanticCustomError("reference", "must have offset_s where there is no force to find it from")
        return self


class LogMap(References):
    """A whole map: the main log, and the second one where there is one.

    Attributes
    ----------
    file : FileLayout
        How the main log is written.
    time : TimeColumn
        Its clock.
    coils : tuple of Column
        The coils in order, 1 to 16.
    pressure : PressureColumn
        Chamber pressure.
    tank : Tank, str or None
        What turns counts or frequencies into inductance: its keys, or the name of a file with them.
    loss : tuple of Column
        Loss resistance of each coil, or none.
    temperature : Column or None
        Coil temperature.
    acceleration : AccelerationColumns or None
        Specific force of the base.
    reference : ReferenceLog or None
        The second log.
    """

    file: FileLayout = FileLayout()
    time: TimeColumn
    coils: Annotated[tuple[CoilColumn, ...], Field(min_length=1, max_length=MAX_CHANNELS)]
    pressure: PressureColumn
    tank: Tank | str | None = None
    loss: tuple[LossColumn, ...] = ()
    temperature: TemperatureColumn | None = None
    acceleration: AccelerationColumns | None = None
    reference: ReferenceLog | None = None

    @model_validator(mode="after")
    def _check(self) -> LogMap:
        if self.loss and len(self.loss) != len(self.coils):
            raise PydanticCustomError("loss", "loss must have one column for each coil")
        raw = any(needs_tank(coil) for coil in self.coils)
        if raw != (self.tank is not None):
            raise PydanticCustomError(
                "tank", "tank must be given where coils are counts or frequencies, and only there"
            )
        for name in ("force", "bend", "indent"):
            if self.reference and getattr(self, name) and getattr(self.reference, name):
                raise PydanticCustomError("reference", "{name} must come from one of the two logs", {"name": name})
        return self
