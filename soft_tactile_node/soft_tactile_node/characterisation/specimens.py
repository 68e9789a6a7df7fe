"""Which specimens there are, and the recordings or the calibration of each; from folders, files or a small table."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import yaml
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from soft_tactile_node.calibration.storage import MAX_BYTES
from soft_tactile_node.errors import SpecimenError
from soft_tactile_node.recordings.yaml_files import check_model, read_yaml

RECORDING = (".csv", ".mcap")
TABLE = (".yaml", ".yml")
PRESS, FREE = re.compile(r"press", re.IGNORECASE), re.compile(r"free[-_ ]?bend|free|bend", re.IGNORECASE)
ISO_DATE = re.compile(r"(?<!\d)(\d{4})-(\d\d)-(\d\d)(?!\d)")
KEYS = "label, folder, free_bend, press, calibration, date, finger, factors"

TEXT_LOADER = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
"""Reads every value as the text it is: a folder called 01 is no number."""

Level = float | str


@dataclass(frozen=True)
class Specimen:
    """One specimen at one time.

    Attributes
    ----------
    label : str
        Its name, unlike all others.
    finger : str
        Which finger it is: the same for recordings of one finger at several times.
    free_bend, press : tuple of pathlib.Path
        Its recordings; empty = take its calibration.
    calibration : pathlib.Path or None
        Calibration file whose figures are taken; None = calibrate the recordings.
    made_on : datetime.date or None
        When it was recorded; None = to be told from the files.
    factors : dict of str to float or str
        Design factors: numbers or words.
    """

    label: str
    finger: str
    free_bend: tuple[Path, ...] = ()
    press: tuple[Path, ...] = ()
    calibration: Path | None = None
    made_on: date | None = None
    factors: dict[str, Level] = field(default_factory=dict)


def find_specimens(paths: Sequence[Path]) -> list[Specimen]:
    """Return the specimens that paths stand for.

    Parameters
    ----------
    paths : sequence of pathlib.Path
        Any mix of folders with recordings, folders of such folders, recordings, calibration files, and tables of
        specimens. Whether a recording is of free bend or of presses is told by its name.

    Returns
    -------
    list of Specimen
        In the order given, each label once.

    Raises
    ------
    SpecimenError
        One line: the file or folder, what it must be, what to do.
    """
    found: list[Specimen] = []
    recordings = [path for path in paths if path.suffix.lower() in RECORDING]
    for path in paths:
        if path in recordings:
            if path == recordings[0]:
                found += _pair(recordings, "")
        elif path.is_dir():
            found += _in_folder(path)
        elif path.suffix.lower() in TABLE:
            found += _in_table(path)
        else:
            raise SpecimenError(
                f"{path}: must be a folder with recordings, a recording (.csv, .mcap), a calibration or a table of "
                "specimens (.yaml), and exist; check the name"
            )
    labels = [one.label for one in found]
    twice = sorted({label for label in labels if labels.count(label) > 1})
    if twice:
        raise SpecimenError(f"specimen {twice[0]}: is given more than once; give each another name")
    return found


def _in_folder(folder: Path) -> list[Specimen]:
    """Return the specimens of a folder: its own recordings, or those of the folders in it."""
    files = sorted(path for path in folder.iterdir() if path.suffix.lower() in RECORDING and _kind(path))
    if files:
        return _pair(files, folder.resolve().name)
    inner = sorted(path for path in folder.iterdir() if path.is_dir())
    found = [one for path in inner for one in _in_folder(path)]
    if not found:
        raise SpecimenError(
            f"{folder}: holds no recording; put free_bend.csv and press.csv into it, or folders that do"
        )
    return found


def _kind(path: Path) -> str:
    """Return what a recording is by its name; empty = it does not say."""
    return "press" if PRESS.search(path.stem) else "free_bend" if FREE.search(path.stem) else ""


def _pair(files: Iterable[Path], folder: str) -> list[Specimen]:
    """Group recordings into specimens by what is left of their names without the kind."""
    groups: dict[str, dict[str, list[Path]]] = {}
    for path in files:
        kind = _kind(path)
        if not kind:
            raise SpecimenError(
                f"{path}: its name must say whether it is of presses or of free bend; call it like "
                "left_press.csv or left_free_bend.csv"
            )
        rest = (PRESS if kind == "press" else FREE).sub("", path.stem)
        name = re.sub(r"[-_ .]*\d{1,2}$", "", rest) if ISO_DATE.search(rest) is None and folder else rest
        groups.setdefault(name.strip("-_ ."), {"press": [], "free_bend": []})[kind].append(path)
    found = []
    for name, kinds in groups.items():
        label = "_".join(part for part in (folder, name) if part) or "finger"
        for kind, other in (("press", "free_bend"), ("free_bend", "press")):
            if not kinds[kind]:
                raise SpecimenError(f"{kinds[other][0]}: has no {kind} recording of that name beside it; add one")
        found.append(_make(label, free_bend=tuple(kinds["free_bend"]), press=tuple(kinds["press"])))
    return found


def _make(label: str, **parts: Any) -> Specimen:
    """Return a specimen whose finger and date are told from its label, where nothing else tells them."""
    match = ISO_DATE.search(label)
    finger = re.sub(r"[-_ .]{2,}", "_", ISO_DATE.sub("", label)).strip("-_ .") or label
    if match and parts.get("made_on") is None:
        parts["made_on"] = _read_date(match, label)
    return Specimen(label, parts.pop("finger", None) or finger, **parts)


def _read_date(match: re.Match[str], label: str) -> date:
    try:
        return date(*map(int, match.groups()))
    except ValueError:
        raise SpecimenError(f"specimen {label}: {match[0]} is no date; write year-month-day") from None


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _as_level(value: object) -> object:
    """Return a level as a number where it is one."""
    try:
        number = float(str(value))
    except ValueError:
        return value
    return number if math.isfinite(number) else value


Paths = Annotated[list[Path], BeforeValidator(_as_list)]


class _Row(BaseModel):
    """One specimen of a table; paths are relative to the table's folder."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    label: str
    folder: Path | None = None
    free_bend: Paths = []
    press: Paths = []
    calibration: Path | None = None
    made_on: date | None = Field(None, alias="date")
    finger: str | None = None
    factors: dict[str, Annotated[Level, BeforeValidator(_as_level)]] = {}


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    specimens: list[_Row]


def _in_table(path: Path) -> list[Specimen]:
    """Return the specimens of a YAML file: a table of them, or one calibration."""
    hint = f"a table of specimens holds `specimens`, a list with the keys {KEYS}"
    data = read_yaml(path, SpecimenError, hint, largest_bytes=MAX_BYTES, loader=TEXT_LOADER)
    if isinstance(data, dict) and "schema_version" in data:
        return [_make(path.stem, calibration=path)]
    return [_from_row(row, path) for row in check_model(path, _Table, data, SpecimenError, hint).specimens]


def _from_row(row: _Row, table: Path) -> Specimen:
    """Return the specimen of a row."""
    where = table.parent
    given = [row.folder is not None, bool(row.free_bend or row.press), row.calibration is not None]
    if sum(given) != 1 or bool(row.free_bend) != bool(row.press):
        raise SpecimenError(
            f"{table}, specimen {row.label}: must have either folder, or free_bend and press, or calibration"
        )
    free, press = tuple(where / one for one in row.free_bend), tuple(where / one for one in row.press)
    if row.folder is not None:
        folder = where / row.folder
        if not folder.is_dir():
            raise SpecimenError(f"{table}, specimen {row.label}: {folder} is no folder; check the name")
        inside = _in_folder(folder)
        if len(inside) > 1:
            raise SpecimenError(
                f"{table}, specimen {row.label}: {folder} holds {len(inside)} specimens; give each a row of its own"
            )
        free, press = inside[0].free_bend, inside[0].press
    calibration = None if row.calibration is None else where / row.calibration
    return _make(
        row.label, free_bend=free, press=press, calibration=calibration, made_on=row.made_on, finger=row.finger,
        factors=dict(row.factors),
    )  # fmt: skip
