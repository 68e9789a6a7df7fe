"""What a parameter file must be like, told from the declared parameters."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from soft_tactile_node.ros.parameters.spec import QOS_PREFIX, STANDARD_NAMES, ParameterSpec, problems_of, shown
from soft_tactile_node.ros.parameters.tables import NODES

GENERAL = {*STANDARD_NAMES, QOS_PREFIX.rstrip(".")}
"""Parameters of every node."""


def problems_of_file(path: Path) -> list[str]:
    """Return every unknown node, unknown parameter and wrong value of a parameter file."""
    problems: list[str] = []
    for node, given in values_of(path).items():
        known = {spec.name: spec for spec in NODES[node.rsplit("/", 1)[-1]]}
        problems += problems_of({name: value for name, value in given.items() if name not in GENERAL}, known)
    return problems


def values_of(path: Path) -> dict[str, dict[str, Any]]:
    """Return the values a parameter file gives to each node."""
    return {node: block["ros__parameters"] for node, block in yaml.safe_load(path.read_text()).items()}


def comment_of(spec: ParameterSpec) -> str:
    """Return the comment that stands above a parameter in a file: meaning, rule, unit, default."""
    unit = f" {spec.unit}" if spec.unit else ""
    return f"{spec.text} Must be {spec.rule()}; default {shown(spec.default)}{unit}."
