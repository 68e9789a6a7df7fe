"""What a launch file needs to give each finger its own parameters, with one process for all fingers or one each."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml


def split_names(text: str) -> list[str]:
    """Return the names in a list with commas: "left_finger, right_finger" gives two."""
    return [name.strip() for name in text.split(",") if name.strip()]


def join_namespace(parent: str, name: str) -> str:
    """Return a namespace below another: "" and "gripper" give "/gripper", "cell_1" and "gripper" "/cell_1/gripper"."""
    return "/" + "/".join(part for part in (parent.strip("/"), name.strip("/")) if part)


def finger_file(namespaces: Sequence[str], values: Mapping[str, Sequence[Any]]) -> str:
    """Write a parameter file in which every finger's sensor has its own values.

    Parameters
    ----------
    namespaces : sequence of str
        Fully qualified namespace of each finger.
    values : mapping
        Parameter -> value of each finger, in the same order; an empty list leaves the parameter out.

    Returns
    -------
    str
        Path of the file, in the temporary folder of this machine.

    Raises
    ------
    ValueError
        Not as many values as fingers; names the parameter.
    """
    content: dict[str, Any] = {}
    for parameter, given in values.items():
        if given and len(given) != len(namespaces):
            raise ValueError(f"{parameter} must be given for each of {len(namespaces)} fingers; got {len(given)}")
    for number, namespace in enumerate(namespaces):
        own = {parameter: given[number] for parameter, given in values.items() if given}
        content[f"{namespace}/tactile_sensor"] = {"ros__parameters": own}
    with tempfile.NamedTemporaryFile("w", prefix="soft_tactile_fingers_", suffix=".yaml", delete=False) as file:
        yaml.safe_dump(content, file)
    return str(Path(file.name))
