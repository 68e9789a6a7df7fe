"""Reading a study: YAML with a safe loader, the schema, and one line that names the key when something is wrong."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from soft_tactile_node.design.materials import MATERIALS, Conductor
from soft_tactile_node.design.schema import Design, Study, Sweep
from soft_tactile_node.errors import StudyError
from soft_tactile_node.recordings.yaml_files import read_yaml
from soft_tactile_node.registry import PADS

MAX_BYTES = 1_000_000
"""A study is a few kilobytes; anything larger is not one."""

MOST_DESIGNS = 20_000
"""A grid beyond this is a slip of the pen."""

RULES = {
    "greater_than": "must be > {gt:g}",
    "greater_than_equal": "must be >= {ge:g}",
    "less_than_equal": "must be <= {le:g}",
    "less_than": "must be < {lt:g}",
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "string_type": "must be text",
    "literal_error": "must be {expected}",
    "dict_type": "must be a group of keys",
    "model_type": "must be a group of keys",
    "model_attributes_type": "must be a group of keys",
    "list_type": "must be a list",
    "tuple_type": "must be a list",
    "too_short": "must not be empty",
}


@dataclass(frozen=True)
class Case:
    """One design of a study.

    Attributes
    ----------
    number : int
        Number in the study, from 1.
    changes : dict
        What the sweep sets, dotted key to value.
    design : Design
        The whole design.
    """

    number: int
    changes: dict[str, Any]
    design: Design


def load_study(path: str | Path) -> tuple[Study, list[Case]]:
    """Read a study and all its designs.

    Parameters
    ----------
    path : str or pathlib.Path
        YAML file.

    Returns
    -------
    tuple
        The study, and its designs in order.

    Raises
    ------
    StudyError
        One line: the file, the key, what it must be and what it is.
    """
    file = Path(path)
    data = _read(file)
    try:
        return parse_study(data)
    except StudyError as error:
        raise StudyError(f"{file}: {error}") from None


def parse_study(data: Mapping[str, Any]) -> tuple[Study, list[Case]]:
    """Check a study given as plain data; see `load_study`.

    Parameters
    ----------
    data : mapping
        What the YAML file says.

    Returns
    -------
    tuple
        The study, and its designs in order.

    Raises
    ------
    StudyError
        One line: the key, what it must be and what it is.
    """
    sweep = _validate(Sweep, data["sweep"], "sweep") if data.get("sweep") is not None else None
    changes = _sweep(sweep)
    # a key that the sweep sets need not stand in the file a second time, but if it does it must be right
    _validate(Study, data, missing=frozenset(changes[0]))
    study: Study = _validate(Study, {**_changed(data, changes[0]), "sweep": data.get("sweep")})
    base = {key: value for key, value in data.items() if key in Design.model_fields}
    return study, [_make_case(base, number, one) for number, one in enumerate(changes, start=1)]


def _make_case(base: Mapping[str, Any], number: int, changes: dict[str, Any]) -> Case:
    """Return one design, checked; a key that the sweep set is named with its design."""
    try:
        design = _validate(Design, _changed(base, changes))
        _check_names(design)
    except StudyError as error:
        if not any(key in str(error) for key in changes):
            raise
        told = ", ".join(f"{key} = {value}" for key, value in changes.items())
        raise StudyError(f"{error} (design {number} of the sweep: {told})") from None
    return Case(number, changes, design)


def _changed(data: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return a copy of a study's data with dotted keys set."""
    out = copy.deepcopy(dict(data))
    for key, value in changes.items():
        _set_key(out, key, value)
    return out


def _read(file: Path) -> Mapping[str, Any]:
    hint = "see shared/studies for examples"
    data = read_yaml(file, StudyError, hint, largest_bytes=MAX_BYTES)
    if not isinstance(data, dict) or not all(isinstance(key, str) for key in data):
        raise StudyError(f"{file}: must hold the keys of a study (pad, sweep, ...); {hint}")
    return data


def _sweep(sweep: Sweep | None) -> list[dict[str, Any]]:
    if sweep is None:
        return [{}]
    if sweep.entries is not None:
        return [dict(entry) for entry in sweep.entries]
    grid = sweep.grid or {}
    count = 1
    for values in grid.values():
        count *= len(values)
    if count > MOST_DESIGNS:
        raise StudyError(f"sweep.grid must hold at most {MOST_DESIGNS} designs; got {count}")
    return [dict(zip(grid, values, strict=True)) for values in itertools.product(*grid.values())]


def _set_key(data: dict[str, Any], key: str, value: Any) -> None:
    """Set a dotted key in nested dictionaries."""
    parts = key.split(".")
    here = data
    for part in parts[:-1]:
        inner = here.setdefault(part, {})
        if not isinstance(inner, dict):
            raise StudyError(f"{key} must lead to a value below groups of keys; got a value at {part}")
        here = inner
    here[parts[-1]] = value


def _validate(model: type[Any], data: Any, prefix: str = "", missing: frozenset[str] = frozenset()) -> Any:
    """Return checked data, None if all that is wrong is that keys are missing which may be."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        for first in error.errors():
            # the chosen kind of a material is a step of pydantic's, not a key of the file
            place = [str(part) for part in first["loc"] if part not in _KINDS]
            key = ".".join([prefix, *place] if prefix else place)
            absent = first["type"] == "missing" or (first["type"] == "rule" and first["ctx"]["value"] is None)
            if not absent or not any(one.startswith(key) for one in missing):
                raise StudyError(_describe(dict(first), key, model, data)) from None
        return None


def _describe(first: Mapping[str, Any], key: str, model: type[BaseModel], data: Mapping[str, Any]) -> str:
    """Return an error as one line that names the key."""
    context: dict[str, Any] = dict(first.get("ctx", {}))
    kind, got = first["type"], first.get("input")
    if kind == "rule":
        value = context["value"]
        given = "" if value is None else f"; got {value:g}" if isinstance(value, float) else f"; got {_shown(value)}"
        return f"{'.'.join(part for part in (key, str(context['field'])) if part)} {context['rule']}{given}"
    key = key or "the study"
    if kind == "missing":
        return f"{key} is missing; give it a value"
    if kind == "extra_forbidden":
        return f"{key} is not a known key; known there: {', '.join(_known(model, data, first['loc'][:-1]))}"
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return f"{key}.kind must be one of {', '.join(_KINDS)}; got {_shown(context.get('tag', 'nothing'))}"
    rule = RULES.get(kind)
    text = rule.format(**context) if rule else first["msg"][0].lower() + first["msg"][1:]
    return f"{key} {text}; got {_shown(got)}"


_KINDS = ("conductor", "silicone", "powder")


def _shown(value: object) -> str:
    if isinstance(value, dict | list):  # never spelled out: a file of a few lines can stand for a huge one
        return ("keys" if isinstance(value, dict) else "a list") if value else "nothing"
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _known(model: type[BaseModel], data: Mapping[str, Any], place: tuple[Any, ...]) -> list[str]:
    """Return the keys a group may have."""
    here: Any = model
    if place[:1] == ("pad",):
        here, place = PADS[data["pad"]["variant"]].load_study().shape, place[1:]
    for part in place:
        if isinstance(here, type) and issubclass(here, BaseModel) and part in here.model_fields:
            here = here.model_fields[part].annotation
        else:
            here = _kind(here, str(part)) or here
    found = _models(here)
    return (
        sorted({field.alias or name for one in found for name, field in one.model_fields.items()})
        if found
        else ["see the documentation"]
    )


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [one for inner in getattr(annotation, "__args__", ()) for one in _models(inner)]


def _kind(annotation: Any, tag: str) -> type[BaseModel] | None:
    for one in _models(annotation):
        if "kind" in one.model_fields and tag in getattr(one.model_fields["kind"].annotation, "__args__", ()):
            return one
    return None


def _check_names(design: Design) -> None:
    """Refuse names of materials that nobody has described."""
    pad = design.pad
    wanted: list[tuple[str, str, type[BaseModel]]] = [("pad.coil.conductor", pad.coil.conductor, Conductor)]
    wanted += PADS[pad.variant].load_study().materials(pad)
    wanted += [
        (f"surroundings.{i}.conductor", plate.conductor, Conductor) for i, plate in enumerate(design.surroundings)
    ]
    for key, name, kind in wanted:
        find_material(design, name, kind, key)


def find_material(design: Design, name: str, kind: type[Any], key: str) -> Any:
    """Return a material by name: the study's own first, then the shipped ones.

    Parameters
    ----------
    design : Design
        The design.
    name : str
        Name of the material.
    kind : type
        Conductor, Silicone or Powder.
    key : str
        Key of the study that names it, for the message.

    Returns
    -------
    Conductor, Silicone or Powder
        The material.

    Raises
    ------
    StudyError
        There is no material of that kind and name.
    """
    known = {**MATERIALS, **design.materials}
    fitting = [one for one, material in known.items() if isinstance(material, kind)]
    if name not in fitting:
        raise StudyError(
            f"{key} must be one of {', '.join(sorted(fitting))} (or described under materials); got {name!r}"
        )
    return known[name]
