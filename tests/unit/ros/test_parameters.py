from __future__ import annotations

import math
from pathlib import Path

import pytest

from soft_tactile_node.ros.parameters.spec import (
    ParameterError,
    ParameterSpec,
    markdown_table,
    problems_of,
)
from soft_tactile_node.ros.parameters.tables import NODES
from unit.ros.parameter_files import comment_of, problems_of_file, values_of

ROOT = Path(__file__).resolve().parents[3]
CONFIG_FILES = sorted((ROOT / "config").glob("*.yaml"))
REAL = ("one_finger_hardware.yaml", "sensor_on_topics.yaml", "two_finger_gripper_hardware.yaml", "valve.yaml")

RATE = ParameterSpec("rate", 100.0, "Scans in a second.", "Hz", low=1.0, high=2000.0)
WORD = ParameterSpec("mode", "hold", "What to do.", choices=("hold", "vent"))


class TestConvert:
    """From a given value to the declared type."""

    def test_takes_a_whole_number_for_a_double(self) -> None:
        """`rate: 250` in a parameter file means 250.0, although the file's type is integer."""
        value = RATE.convert(250)
        assert value == 250.0
        assert isinstance(value, float)

    @pytest.mark.parametrize("value", [0.5, 2001.0, math.nan, math.inf, True, "fast", [1.0]])
    def test_refuses_what_is_out_of_range_or_of_another_type(self, value: object) -> None:
        """A value outside the range, not finite or of another type is refused with name, rule and value."""
        with pytest.raises(ParameterError) as caught:
            RATE.convert(value)
        assert str(caught.value) == f"parameter 'rate' must be a number >= 1 and <= 2000 Hz; got {value!r}"

    def test_refuses_an_unknown_word(self) -> None:
        """A word that is not among the choices is refused and the choices are named."""
        with pytest.raises(ParameterError, match=r"parameter 'mode' must be hold or vent; got 'drop'"):
            WORD.convert("drop")

    @pytest.mark.parametrize(
        ("kind", "good", "bad"),
        [
            ("bool", True, 1),
            ("int", 3, 3.0),
            ("string", "a", 4),
            ("string[]", ["a", "b"], ["a", 1]),
            ("double[]", [1, 2.5], [1.0, "x"]),
        ],
    )
    def test_tells_the_types_apart(self, kind: str, good: object, bad: object) -> None:
        """Every kind of parameter, told by its default, takes its own type and no other."""
        spec = ParameterSpec("p", good, "Text.")  # type: ignore[arg-type]
        assert (spec.kind, spec.convert(good)) == (kind, good)
        with pytest.raises(ParameterError, match="parameter 'p' must be"):
            spec.convert(bad)

    def test_takes_nan_only_where_it_means_something(self) -> None:
        """NaN passes a parameter that gives it a meaning and no other."""
        optional = ParameterSpec("p", math.nan, "NaN = off.", low=0.0, allow_nan=True)
        assert math.isnan(optional.convert(math.nan))  # type: ignore[arg-type]
        with pytest.raises(ParameterError):
            optional.convert(-1.0)


class TestTables:
    """The shipped declarations."""

    @pytest.mark.parametrize("node", NODES)
    def test_every_default_passes_its_own_check(self, node: str) -> None:
        """No parameter has a default that the node would refuse."""
        assert problems_of({spec.name: spec.default for spec in NODES[node]}, {s.name: s for s in NODES[node]}) == []

    @pytest.mark.parametrize("node", NODES)
    def test_every_parameter_is_declared_once_with_text(self, node: str) -> None:
        """Names are unique, each has one sentence, and each double says its unit."""
        names = [spec.name for spec in NODES[node]]
        assert len(set(names)) == len(names)
        for spec in NODES[node]:
            assert spec.text.endswith("."), spec.name
            if spec.kind == "double":
                assert spec.unit, spec.name

    def test_markdown_shows_name_default_unit_and_rule(self) -> None:
        """The table for the docs has a row with everything that is declared."""
        table = markdown_table([RATE])
        row = "| `rate` | double | 100 | Hz | a number >= 1 and <= 2000 Hz | no | Scans in a second. |"
        assert table.splitlines()[-1] == row


class TestConfigFiles:
    """The shipped parameter files."""

    @pytest.mark.parametrize("path", CONFIG_FILES, ids=lambda path: path.name)
    def test_loads_and_holds_known_parameters(self, path: Path) -> None:
        """Each shipped parameter file loads, and every key and value passes the check of its node."""
        assert problems_of_file(path) == []

    @pytest.mark.parametrize("path", CONFIG_FILES, ids=lambda path: path.name)
    def test_explains_every_key(self, path: Path) -> None:
        """Above each key stands its meaning, rule, unit and default, as declared."""
        node, comment, explained = "", "", 0
        for line in path.read_text().splitlines():
            if line.startswith("/"):
                node = line.rstrip(":").rsplit("/", 1)[-1]
            elif line.startswith("    # "):
                comment = f"{comment} {line.strip()[2:]}".strip()
            elif line.startswith("    "):
                name = line.strip().partition(":")[0]
                spec = next(spec for spec in NODES[node] if spec.name == name)
                assert comment == comment_of(spec), name
                comment, explained = "", explained + 1
        assert explained == sum(len(given) for given in values_of(path).values())

    @pytest.mark.parametrize("path", [p for p in CONFIG_FILES if p.name in REAL], ids=lambda path: path.name)
    def test_limits_of_what_is_real_are_gentle(self, path: Path) -> None:
        """Each node of a real finger that commands pressure, or obeys a command, has a limit of half the usual one."""
        given = {node.rsplit("/", 1)[-1]: values for node, values in values_of(path).items()}
        moves = [node for node in given if "max_pressure" in {spec.name for spec in NODES[node]}]
        assert moves
        assert [(node, given[node].get("max_pressure")) for node in moves] == [(node, 30e3) for node in moves]


def test_names_every_problem_at_once() -> None:
    """Unknown parameters and wrong values are all named, each in a sentence."""
    wrong, unknown = problems_of(
        {"coil_timeout": -1.0, "tare_secs": 2.0}, {spec.name: spec for spec in NODES["tactile_sensor"]}
    )
    assert wrong.startswith("parameter 'coil_timeout' must be")
    assert unknown == "parameter 'tare_secs' is unknown"
