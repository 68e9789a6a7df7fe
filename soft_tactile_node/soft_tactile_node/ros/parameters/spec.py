"""How a parameter is declared: type, default, unit, range and text at once, for nodes, checks and docs."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from soft_tactile_node.errors import SoftTactileError

Value = bool | int | float | str | list[str] | list[float]

STANDARD_NAMES = frozenset({"use_sim_time", "start_type_description_service"})
"""Parameters every rclpy node declares by itself."""

QOS_PREFIX = "qos_overrides."
"""Start of the standard parameters that change the QoS of a topic."""


class ParameterError(SoftTactileError, ValueError):
    """Parameters of a node are unknown or have wrong values; the message names each of them."""


@dataclass(frozen=True)
class ParameterSpec:
    """One parameter of a node.

    Attributes
    ----------
    name : str
        As in parameter files.
    default : bool, int, float, str or list
        Used where nothing is given, in `unit`; tells the type, too: an empty list is one of numbers.
    text : str
        One sentence for the integrator.
    unit : str
        Unit of the value, "" where it has none.
    low, high : float
        Inclusive limits of numbers, in `unit`.
    choices : tuple of str
        Allowed words; empty = any text.
    allow_nan : bool
        Whether NaN has a meaning (said in `text`).
    dynamic : bool
        Whether it may change while the node is configured.
    """

    name: str
    default: Value
    text: str
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    allow_nan: bool = False
    dynamic: bool = False

    @property
    def kind(self) -> str:
        """Type of the value: "bool", "int", "double", "string", "string[]" or "double[]"."""
        if isinstance(self.default, list):
            return "string[]" if self.default and isinstance(self.default[0], str) else "double[]"
        return {bool: "bool", int: "int", float: "double", str: "string"}[type(self.default)]

    def rule(self) -> str:
        """Return what a value must be, in words."""
        if self.choices:
            return " or ".join(self.choices)
        words = {
            "bool": "true or false",
            "int": "a whole number",
            "double": "a number",
            "string": "text",
            "string[]": "a list of texts",
            "double[]": "a list of numbers",
        }[self.kind]
        limits = []
        if math.isfinite(self.low):
            limits.append(f">= {self.low:g}")
        if math.isfinite(self.high):
            limits.append(f"<= {self.high:g}")
        unit = f" {self.unit}" if self.unit and limits else ""
        text = words + (" " + " and ".join(limits) + unit if limits else "")
        return text + (", or NaN" if self.allow_nan else "")

    def convert(self, value: Any) -> Value:
        """Return `value` as the declared type, a whole number being good enough for a double.

        Parameters
        ----------
        value : object
            What a parameter file or a set request gave, in `unit`.

        Returns
        -------
        bool, int, float, str or list
            The value in its declared type, in `unit`.

        Raises
        ------
        ParameterError
            "parameter '<name>' must be <rule>; got <value>".
        """
        converted = _converted(self.kind, value)
        if converted is None or not self._allowed(converted):
            raise ParameterError(f"parameter '{self.name}' must be {self.rule()}; got {value!r}")
        return converted

    def _allowed(self, value: Value) -> bool:
        if self.choices:
            words = value if isinstance(value, list) else [value]
            return all(word in self.choices for word in words)
        if self.kind in ("double", "int", "double[]"):
            numbers = value if isinstance(value, list) else [value]
            return all(self._number_allowed(float(number)) for number in numbers)
        return True

    def _number_allowed(self, number: float) -> bool:
        if math.isnan(number):
            return self.allow_nan
        return self.low <= number <= self.high and math.isfinite(number)


def _converted(kind: str, value: Any) -> Value | None:
    is_whole = isinstance(value, int) and not isinstance(value, bool)
    if kind == "bool":
        return value if isinstance(value, bool) else None
    if kind == "int":
        return value if is_whole else None
    if kind == "double":
        return float(value) if is_whole or isinstance(value, float) else None
    if kind == "string":
        return value if isinstance(value, str) else None
    if isinstance(value, (str, bytes)) or not isinstance(value, Iterable):
        return None
    items = [_converted(kind[:-2], item) for item in value]
    return None if any(item is None for item in items) else items  # type: ignore[return-value]


def markdown_table(specs: Iterable[ParameterSpec]) -> str:
    """Return the parameters `specs` of a node as a table in Markdown, one row each."""
    head = ["| parameter | type | default | unit | allowed | live | meaning |", "|---|---|---|---|---|---|---|"]
    rows = [
        f"| `{spec.name}` | {spec.kind} | {shown(spec.default)} | {spec.unit or '-'} | {spec.rule()} | "
        f"{'yes' if spec.dynamic else 'no'} | {spec.text} |"
        for spec in specs
    ]
    return "\n".join(head + rows)


def shown(value: Value) -> str:
    """Return a value as it is written in tables and files."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(shown(item) for item in value) + "]"
    if isinstance(value, float):
        return "NaN" if math.isnan(value) else f"{value:g}"
    return f'"{value}"' if isinstance(value, str) and not value else str(value)


def problems_of(given: Mapping[str, Any], known: Mapping[str, ParameterSpec]) -> list[str]:
    """Return a sentence for each name in `given` that is unknown, or whose value breaks its declaration in `known`."""
    return [problem for name, value in given.items() if (problem := _problem(name, value, known))]


def _problem(name: str, value: Any, known: Mapping[str, ParameterSpec]) -> str:
    if name not in known:
        return f"parameter '{name}' is unknown"
    try:
        known[name].convert(value)
    except ParameterError as error:
        return str(error)
    return ""
