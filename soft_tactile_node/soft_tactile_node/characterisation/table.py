"""The table of specimens and figures: what `calibrate` finds of each, under names a reader knows."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timezone
from pathlib import Path
from typing import Any, NamedTuple

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.judgement import UNDATED
from soft_tactile_node.calibration.record import Calibration, Figure
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.characterisation.specimens import Specimen
from soft_tactile_node.recordings import Recording, load_recording

EPOCH_S = 1e9
"""Stamps beyond this count from 1970: they tell the date (s)."""


class Kind(NamedTuple):
    """How a figure of a calibration is shown: `better` is +1 where more is better, -1 where less (of its size) is."""

    name: str
    title: str
    scale: float
    unit: str
    better: int
    group: str


RESPONSE, STATIC, TIME, OTHER = "Response", "Static errors", "Time", "What else moves it"
KINDS = (
    Kind("sensitivity", "Sensitivity", 100.0, "%/N", 1, RESPONSE),
    Kind("snr", "Signal to noise", 1.0, "dB", 1, RESPONSE),
    Kind("resolution", "Resolution", 1e3, "mN", -1, RESPONSE),
    Kind("force_error", "Held-out force error", 1.0, "N", -1, RESPONSE),
    Kind("hysteresis", "Hysteresis", 1.0, "% of span", -1, STATIC),
    Kind("non_linearity", "Independent non-linearity", 1.0, "% of span", -1, STATIC),
    Kind("non_linearity_terminal", "Terminal-based non-linearity", 1.0, "% of span", -1, STATIC),
    Kind("non_linearity_zero", "Zero-based non-linearity", 1.0, "% of span", -1, STATIC),
    Kind("repeatability", "Repeatability", 1.0, "% of span", -1, STATIC),
    Kind("cross_talk", "Cross-talk of shear", 1.0, "%", -1, STATIC),
    Kind("rise_time_constant", "Response time loaded", 1e3, "ms", -1, TIME),
    Kind("fall_time_constant", "Response time unloaded", 1e3, "ms", -1, TIME),
    Kind("creep", "Creep", 1.0, "%/decade", -1, TIME),
    Kind("recovery", "Left after release", 1.0, "%", -1, TIME),
    Kind("drift", "Drift", 1e3, "mN/min", -1, TIME),
    Kind("bending_signal", "Bending looks like", 1.0, "N", -1, OTHER),
    Kind("bending_cross_sensitivity", "Bending per pressure", 1e3, "mN/kPa", -1, OTHER),
    Kind("bend_rejection", "Bending rejection", 1.0, "dB", 1, OTHER),
    Kind("temperature_coefficient", "Temperature coefficient", 1e3, "mN/K", -1, OTHER),
)
"""The figures of the table, in its order."""


class Cell(NamedTuple):
    """A figure of one specimen as shown: value, standard and expanded uncertainty (95 %) in the kind's unit."""

    value: float
    standard: float | None
    expanded: float | None


@dataclass(frozen=True)
class Characterised:
    """A specimen with what its calibration says.

    Attributes
    ----------
    specimen : Specimen
        Which one.
    record : Calibration
        Its calibration, made now or read.
    made_on : datetime.date or None
        When it was recorded.
    dated_by : str
        What the date was told from.
    """

    specimen: Specimen
    record: Calibration
    made_on: date | None
    dated_by: str

    @property
    def label(self) -> str:
        """The specimen's name."""
        return self.specimen.label

    def cell(self, kind: Kind) -> Cell | None:
        """Return a figure in the unit of its `kind`; None = the recordings do not tell it."""
        found = self.record.figures.get(kind.name)
        return None if found is None else _scaled(found, kind.scale)


def _scaled(found: Figure, scale: float) -> Cell:
    spread = [None if part is None else scale * part for part in (found.uncertainty, found.expanded)]
    return Cell(scale * found.value, *spread)


def characterise(specimen: Specimen, namespace: str | None = None) -> Characterised:
    """Return the figures of a specimen: those of its calibration file, or of a calibration of its recordings.

    Parameters
    ----------
    specimen : Specimen
        The specimen.
    namespace : str or None
        Finger to read from MCAP recordings that hold several.

    Returns
    -------
    Characterised
        See Characterised.

    Raises
    ------
    RecordingError, CalibrationError
        A file cannot be read, or the recordings cannot give a calibration.
    """
    if specimen.calibration is not None:
        record = load_calibration(specimen.calibration)
        known = None if record.made_on == UNDATED else record.made_on
        day, told = (specimen.made_on, "given") if specimen.made_on else (known, "calibration")
        return Characterised(specimen, record, day, told)
    free = [load_recording(path, namespace=namespace) for path in specimen.free_bend]
    press = [load_recording(path, namespace=namespace) for path in specimen.press]
    day, told = (specimen.made_on, "given") if specimen.made_on else _tell_date(press[0], specimen.press[0])
    return Characterised(specimen, calibrate(free, press, made_on=day), day, told)


def _tell_date(recording: Recording, path: Path) -> tuple[date, str]:
    """Return the day of a recording, from its stamps or, where they count from its start, from its file."""
    absolute = bool(recording.time_s[0] > EPOCH_S)
    moment = float(recording.time_s[0]) if absolute else path.stat().st_mtime
    day = datetime.fromtimestamp(moment, timezone.utc).astimezone().date()
    return day, "stamps" if absolute else "time of the file"


def shown_kinds(items: Sequence[Characterised]) -> list[Kind]:
    """Return the kinds of figures that any of `items` has, in the order of the table."""
    return [kind for kind in KINDS if any(item.cell(kind) for item in items)]


def table_rows(items: Sequence[Characterised]) -> list[dict[str, Any]]:
    """Return the table as one row a specimen and figure.

    Parameters
    ----------
    items : sequence of Characterised
        The specimens.

    Returns
    -------
    list of dict
        Keys specimen, finger, date, figure, value, standard_uncertainty, expanded_uncertainty, unit, definition and,
        where there are any, the design factors.
    """
    rows: list[dict[str, Any]] = []
    for item in items:
        for kind in KINDS:
            cell = item.cell(kind)
            if cell is None:
                continue
            rows.append(
                {
                    "specimen": item.label,
                    "finger": item.specimen.finger,
                    "date": item.made_on.isoformat() if item.made_on else None,
                    "figure": kind.name,
                    "value": _round(cell.value),
                    "standard_uncertainty": _round(cell.standard),
                    "expanded_uncertainty": _round(cell.expanded),
                    "unit": kind.unit,
                    "definition": item.record.figures[kind.name].definition,
                    **item.specimen.factors,
                }
            )
    return rows


def table_csv(items: Sequence[Characterised]) -> str:
    """Return the table of `items` as CSV text, one row a specimen and figure; an empty cell = not known."""
    rows = table_rows(items)
    columns = list(dict.fromkeys(key for row in rows for key in row))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def _round(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")
