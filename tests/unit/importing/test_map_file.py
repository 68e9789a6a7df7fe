"""Map files: what is wrong is named by its key."""

from __future__ import annotations

from pathlib import Path

import pytest

from soft_tactile_node.errors import RecordingError, SourceError
from soft_tactile_node.importing import load_map

GOOD = """
time: {column: t}
pressure: {column: p, unit: kPa}
coils: [{column: a, unit: uH}]
"""


def write(folder: Path, text: str) -> Path:
    """Write a map."""
    path = folder / "map.yaml"
    path.write_text(text)
    return path


def test_a_small_map_is_enough(tmp_path: Path) -> None:
    """Time, pressure and coils suffice; the rest has defaults."""
    found = load_map(write(tmp_path, GOOD))
    assert found.time.unit == "s"
    assert found.file.delimiter == "auto"
    assert [coil.column for coil in found.coils] == ["a"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("unit: kPa", "unit: mm"), "key pressure.unit: must be a unit like Pa, kPa, bar, mbar, psi; got 'mm'"),
        (("unit: kPa", "unit: 9**9**9**9"), "key pressure.unit: must be a unit like Pa"),
        (("unit: kPa", "unit: kPa*m^9^9^9"), "key pressure.unit: must be a unit like Pa"),
        (("unit: kPa", f"unit: {'k' * 50}Pa"), "key pressure.unit: must be a unit like Pa"),
        (("unit: uH", "unit: furlong"), "must be a unit like H, uH, nH, or with a tank MHz or count; got 'furlong'"),
        (("unit: uH", "unit: count"), "tank must be given where coils are counts or frequencies"),
        (("unit: uH", "unit: uH, scale: .nan"), "key coils.0.scale: input should be a finite number; got nan"),
        (("column: a", "column: 0"), "key coils.0.column"),
        (("column: t", "kolumn: t"), "key time.kolumn: is not a known key"),
        (("{column: t}", "{}"), "key time: must have a column or a rate_hz, one of the two"),
        (("time: {column: t}", ""), "key time: is missing; give it"),
        (("unit: kPa", "unit: kPa, atmospheric_pa: 101325"), "atmospheric_pa must go with reference: absolute"),
        (("coils:", "force: {z: {column: f, unit: g}}\ncoils:"), 'lbf (a scale that shows grams measures "gf"); got'),
        (("coils:", "bend: {column: f, unit: '1'}\ncoils:"), "key bend: unit must be a unit like rad, deg; got '1'"),
        (("coils:", "loss: [{column: f, unit: ohm}, {column: g, unit: ohm}]\ncoils:"),
         "loss must have one column for each coil"),
        (("coils:", "reference: {time: {column: t}}\ncoils:"), "key reference: must have force, bend or indent"),
        (("coils:", "file: {decimal: ',', delimiter: ','}\ncoils:"), "key file: decimal and delimiter must differ"),
        (("coils:", "tank: {reference_hz: 1e6}\ncoils:"), "key tank.capacitor_f: is missing"),
        (("coils: [{column: a, unit: uH}]", "coils: []"), "key coils"),
    ],
)  # fmt: skip
def test_mistakes_are_named_by_key(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    """A wrong map gives one line with the key, what it must be and what it is."""
    path = write(tmp_path, GOOD.replace(*change))
    with pytest.raises(RecordingError) as caught:
        load_map(path)
    assert str(caught.value).startswith(f"{path}, key ")
    assert message in str(caught.value)
    assert len(str(caught.value)) < 300
    assert "\n" not in str(caught.value)


BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{new}: &{new} [{', '.join(['*' + old] * 9)}]\n" for old, new in zip("abcdefgh", "bcdefghi")
)


@pytest.mark.parametrize(
    "text", ["", "- a\n- b\n", "a: [", "!!python/object/apply:os.system [ls]", BOMB, "time: [[[[1]]]]"]
)
def test_hostile_files_are_refused_in_one_line(tmp_path: Path, text: str) -> None:
    """Empty, broken, executable and exploding YAML is refused at once and runs nothing."""
    with pytest.raises(RecordingError) as caught:
        load_map(write(tmp_path, text))
    assert len(str(caught.value)) < 300


def test_missing_and_huge_files(tmp_path: Path) -> None:
    """A map that is not there or far too large is refused by name."""
    with pytest.raises(RecordingError, match=r"none.yaml: cannot be read"):
        load_map(tmp_path / "none.yaml")
    with pytest.raises(RecordingError, match=r"is larger than 100000 bytes"):
        load_map(write(tmp_path, GOOD + "#" * 100_000))


def test_a_tank_may_be_a_file_beside_the_map(tmp_path: Path) -> None:
    """The description a serial source uses serves a log as well."""
    (tmp_path / "tank.yaml").write_text("{reference_hz: 50.0e6, capacitor_f: 220.0e-12}")
    found = load_map(write(tmp_path, GOOD.replace("uH", "count") + "tank: tank.yaml\n"))
    assert not isinstance(found.tank, (str, type(None)))
    assert found.tank.reference_hz == 50e6
    with pytest.raises(SourceError, match=r"none.yaml"):
        load_map(write(tmp_path, GOOD.replace("uH", "count") + "tank: none.yaml\n"))
