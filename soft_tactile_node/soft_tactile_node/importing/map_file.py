"""Reading a map file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml
from pydantic import ValidationError

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.importing.schema import LogMap
from soft_tactile_node.sources.tank import load_tank

LARGEST_BYTES = 100_000
"""A map is a few lines; anything larger is something else."""

_STEPS_OF_UNIONS = {"str", "int", "Tank", "constrained-str", "constrained-int", "float"}


def load_map(path: str | Path) -> LogMap:
    """Read the map of a log.

    Parameters
    ----------
    path : str or pathlib.Path
        YAML file with the keys of `LogMap`. A `tank` given as a file name is looked for beside it.

    Returns
    -------
    LogMap
        The map, its tank read.

    Raises
    ------
    RecordingError
        One line: the file, the key, what it must be and what it is.
    SourceError
        The file of the tank cannot be read.
    """
    file = Path(path)
    data = _read(file)
    if not isinstance(data, dict):
        raise RecordingError(f"{file}: must hold keys like time, coils, pressure")
    try:
        found = LogMap.model_validate(data)
    except ValidationError as error:
        raise RecordingError(f"{file}, {_describe(error)}") from None
    if isinstance(found.tank, str):
        return found.model_copy(update={"tank": load_tank(file.parent / found.tank)})
    return found


def _read(file: Path) -> Any:
    try:
        with file.open("rb") as stream:
            text = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise RecordingError(f"{file}: cannot be read ({error.strerror}); check the name and the rights") from None
    if len(text) > LARGEST_BYTES:
        raise RecordingError(f"{file}: is larger than {LARGEST_BYTES} bytes; a map is a few lines")
    try:
        return yaml.safe_load(text.decode("utf-8"))
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError, ValueError) as error:
        mark = getattr(error, "problem_mark", None)
        place = f", line {mark.line + 1}" if mark is not None else ""
        raise RecordingError(
            f"{file}{place}: is no YAML file; write lines like `time: {{column: t, unit: ms}}`"
        ) from None


def _describe(error: ValidationError) -> str:
    """Return the first complaint as "key …: what; got …"; long and nested values are not spelled out."""
    first = error.errors(include_url=False)[0]
    steps = [str(part) for part in first["loc"] if not _is_step_of_union(str(part))]
    key = ".".join(steps) or "(whole map)"
    told = first["msg"][0].lower() + first["msg"][1:]
    if first["type"] == "missing":
        return f"key {key}: is missing; give it"
    if first["type"] == "extra_forbidden":
        return f"key {key}: is not a known key"
    if first["type"] == "value_error":
        told = str(first.get("ctx", {}).get("error", told))
    value = first.get("input")
    if isinstance(value, (dict, list, tuple)) or not isinstance(value, (str, int, float, bool, type(None))):
        return f"key {key}: {told}"
    shown = repr(value)
    return f"key {key}: {told}; got {shown if len(shown) <= 60 else shown[:57] + '...'}"


def _is_step_of_union(part: str) -> bool:
    return part in _STEPS_OF_UNIONS or "[" in part
