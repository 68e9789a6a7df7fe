"""Small YAML files that people write, read safely: what is wrong is one line with file, line or key, and what to do."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from soft_tactile_node.errors import SoftTactileError

LARGEST_BYTES = 100_000
"""A file that somebody wrote is a few lines; anything larger is something else."""

LONGEST_VALUE = 60
"""Of a wrong value no more is shown (characters)."""

_STEPS_OF_UNIONS = {"str", "int", "float", "Tank", "constrained-str", "constrained-int"}

Model = TypeVar("Model", bound=BaseModel)


def read_yaml(
    path: str | Path,
    error: type[SoftTactileError],
    hint: str,
    *,
    largest_bytes: int = LARGEST_BYTES,
    loader: Any = yaml.SafeLoader,
) -> Any:
    """Return what a YAML file holds, plain data only.

    Parameters
    ----------
    path : str or pathlib.Path
        The file.
    error : type
        What is raised where it cannot be read.
    hint : str
        What to do then, or what the file should look like.
    largest_bytes : int
        A larger file is refused.
    loader : type
        A safe one of the library's.

    Returns
    -------
    object
        Dictionaries, lists, numbers and texts.

    Raises
    ------
    SoftTactileError
        It cannot be read, is too large, or is no YAML.
    """
    file = Path(path)
    try:
        with file.open("rb") as stream:
            text = stream.read(largest_bytes + 1)
    except OSError as reason:
        raise error(f"{file}: cannot be read ({reason.strerror}); check the name and the rights") from None
    if len(text) > largest_bytes:
        raise error(f"{file}: is larger than {largest_bytes} bytes; {hint}")
    try:
        return yaml.load(text.decode("utf-8"), Loader=loader)  # noqa: S506 - a safe one
    except (yaml.YAMLError, UnicodeDecodeError, RecursionError, ValueError) as reason:
        mark = getattr(reason, "problem_mark", None)
        place = f", line {mark.line + 1}" if mark is not None else ""
        raise error(f"{file}{place}: is no YAML file; {hint}") from None


def check_model(path: str | Path, kind: type[Model], data: Any, error: type[SoftTactileError], hint: str = "") -> Model:
    """Return plain data of a file as a model.

    Parameters
    ----------
    path : str or pathlib.Path
        The file, for the message.
    kind : type
        The model.
    data : object
        What `read_yaml` gave.
    error : type
        What is raised where it does not fit.
    hint : str
        What to do then; empty = the message says enough.

    Returns
    -------
    pydantic.BaseModel
        The model.

    Raises
    ------
    SoftTactileError
        The first key that is wrong, what it must be and what it is.
    """
    try:
        return kind.model_validate(data)
    except ValidationError as reason:
        raise error(f"{path}, {_complaint(reason)}{f'; {hint}' if hint else ''}") from None


def _complaint(error: ValidationError) -> str:
    """Return the first complaint as "key …: what; got …"; long and nested values are not spelled out."""
    first = error.errors(include_url=False)[0]
    # of a value that may be of several kinds the path also names which of them was tried
    steps = [step for step in map(str, first["loc"]) if step not in _STEPS_OF_UNIONS and "[" not in step]
    key = f"key {'.'.join(steps) or '(whole file)'}"
    if first["type"] == "missing":
        return f"{key}: is missing; give it"
    if first["type"] == "extra_forbidden":
        return f"{key}: is not a known key"
    told = first["msg"][0].lower() + first["msg"][1:]
    if first["type"] == "value_error":
        told = str(first.get("ctx", {}).get("error", told))
    value = first.get("input")
    if not isinstance(value, (str, int, float, bool, type(None))):
        return f"{key}: {told}"
    shown = repr(value)
    return f"{key}: {told}; got {shown if len(shown) <= LONGEST_VALUE else shown[: LONGEST_VALUE - 3] + '...'}"
