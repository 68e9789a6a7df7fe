"""Studies are read with one clear line for whatever is wrong with them."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from soft_tactile_node.design import load_study, parse_study
from soft_tactile_node.design.iron_disc_model import IronDiscPad
from soft_tactile_node.errors import StudyError
from unit.design.studies import IRON_DISC, LIQUID_METAL, SHIPPED, changed


@pytest.mark.parametrize(
    ("study", "line"),
    [
        (changed(IRON_DISC, pad__cushion__gap_m=-1e-3), "pad.cushion.gap_m must be > 0; got -0.001"),
        (changed(IRON_DISC, pad__disc__radius_m=float("nan")), "pad.disc.radius_m must be a finite number; got nan"),
        (changed(IRON_DISC, pad__disc__radius_m=float("inf")), "pad.disc.radius_m must be a finite number; got inf"),
        (changed(IRON_DISC, pad__coil__turns=0), "pad.coil.turns must be >= 1; got 0"),
        (changed(IRON_DISC, pad__coil__turns=2.5), "pad.coil.turns must be a whole number; got 2.5"),
        (
            changed(IRON_DISC, pad__coil__outer_radius_m=5e-4),
            "pad.coil.outer_radius_m must be > inner_radius_m = 0.0008; got 0.0005",
        ),
        (
            changed(IRON_DISC, pad__disc__powder="unobtainium"),
            "pad.disc.powder must be one of ferrite, iron (or described under materials); got 'unobtainium'",
        ),
        (changed(IRON_DISC, pad__spacing_m=1e-3), "pad.spacing_m must be >= the coil's diameter 0.006; got 0.001"),
        (
            changed(IRON_DISC, pad__coil__trace_width_m=1e-2),
            "pad.coil.trace_width_m must be <= the pitch 0.000244; got 0.01",
        ),
        (
            changed(IRON_DISC, pad__frequency_hz=1e6),
            "pad.frequency_hz must be left out when coil.turns is given (the tank sets it); got 1e+06",
        ),
        (changed(IRON_DISC, pad__variant="magnet"), "pad.variant must be one of iron_disc, liquid_metal; got 'magnet'"),
        (changed(IRON_DISC, readout__gate_s="soon"), "readout.gate_s must be a number; got 'soon'"),
        (changed(IRON_DISC, schema_version=2), "schema_version must be 1; got 2"),
        (changed(IRON_DISC, sweep={}), "sweep must have either grid or list; got nothing"),
        (changed(IRON_DISC, sweep={"colour": 1}), "sweep.colour is not a known key; known there: grid, list"),
        (
            changed(IRON_DISC, pad__cushion__gap=1e-3),
            "pad.cushion.gap is not a known key; known there: gap_m, radius_m, silicone, skin_m",
        ),
        (
            changed(IRON_DISC, sweep={"grid": {"pad.cushion.gap_m": [1e-3, -2e-3]}}),
            "pad.cushion.gap_m must be > 0; got -0.002 (design 2 of the sweep: pad.cushion.gap_m = -0.002)",
        ),
        (
            changed(IRON_DISC, sweep={"grid": {"pad.cushion.gap_m": 3}}),
            "sweep.grid.pad.cushion.gap_m must be a list; got 3",
        ),
        (changed(IRON_DISC, pad=3), "pad must be a group of keys; got 3"),
        (
            changed(IRON_DISC, materials={"mine": {"kind": "silicone"}}),
            "materials.mine.modulus_pa is missing; give it a value",
        ),
        (
            changed(LIQUID_METAL, pad__metal="mercury"),
            "pad.metal must be one of aluminium, copper, gallium_indium, steel",
        ),
        (
            changed(LIQUID_METAL, pad__cells_apart_m=5e-3),
            "pad.cells_apart_m must be >= the cells' mean diameter 0.0125; got 0.005",
        ),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else "",
)
def test_what_is_wrong_is_said_in_one_line(study, line):
    """Each wrong value gives one line with the key, the rule and the value."""
    with pytest.raises(StudyError) as caught:
        parse_study(study)
    text = str(caught.value)
    assert text == line or text.startswith(f"{line} ")
    assert "\n" not in text


def test_turns_or_frequency_must_be_given():
    """Without turns the frequency must say how many there are."""
    study = changed(IRON_DISC)
    del study["pad"]["coil"]["turns"]
    with pytest.raises(StudyError, match=r"pad\.coil\.turns must be given, or frequency_hz in its place"):
        parse_study(study)


def test_sweep_may_set_what_the_base_leaves_out():
    """A key set by the sweep need not be written twice, and a wrong base value is found even if it is replaced."""
    study = changed(IRON_DISC, sweep={"list": [{"pad.cushion.gap_m": 1e-3}, {"pad.cushion.gap_m": 2e-3}]})
    del study["pad"]["cushion"]["gap_m"]
    _, cases = parse_study(study)
    gaps = [case.design.pad.cushion.gap_m for case in cases if isinstance(case.design.pad, IronDiscPad)]
    assert gaps == [1e-3, 2e-3]
    with pytest.raises(StudyError, match=r"pad\.cushion\.gap_m must be > 0; got -1"):
        parse_study(changed(study, pad__cushion__gap_m=-1.0))


def test_grid_is_every_combination():
    """A grid of two keys with two and three values holds six designs, the last key running fastest."""
    grid = {"pad.cushion.gap_m": [1e-3, 2e-3], "pad.disc.fraction": [0.1, 0.2, 0.3]}
    _, cases = parse_study(changed(IRON_DISC, sweep={"grid": grid}))
    assert [case.number for case in cases] == [1, 2, 3, 4, 5, 6]
    assert [tuple(case.changes.values()) for case in cases][:4] == [(1e-3, 0.1), (1e-3, 0.2), (1e-3, 0.3), (2e-3, 0.1)]


def test_huge_grid_is_refused():
    """A grid of a million designs is refused before anything is computed."""
    grid = {f"readout.{name}": [1.0] * 100 for name in ("gate_s", "reference_hz", "noise_counts")}
    with pytest.raises(StudyError, match="at most 20000 designs; got 1000000"):
        parse_study(changed(IRON_DISC, sweep={"grid": grid}))


def test_own_materials_are_found():
    """A study's own silicone is used by name."""
    mine = {"bench_silicone": {"kind": "silicone", "modulus_pa": 0.2e6}}
    _, cases = parse_study(changed(IRON_DISC, materials=mine, pad__cushion__silicone="bench_silicone"))
    assert len(cases) == 1


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"pad: [1,\n  2", "line 2: is no YAML file"),
        (b"\xff\xfe\x00binary", "is no YAML file"),
        (b"", "must hold the keys of a study"),
        (b"- 1\n- 2\n", "must hold the keys of a study"),
        (b"pad: !!python/object/apply:os.system ['true']\n", "is no YAML file"),
        (b"a: 1\n" * 300_000, "is larger than 1000000 bytes"),
    ],
)
def test_bad_files_are_named(tmp_path: Path, content: bytes, line: str):
    """A file that is no study gives one line with its name; nothing in it is executed."""
    path = tmp_path / "study.yaml"
    path.write_bytes(content)
    with pytest.raises(StudyError) as caught:
        load_study(path)
    assert str(caught.value).startswith(str(path))
    assert line in str(caught.value)


def test_a_file_that_unfolds_is_refused_at_once(tmp_path: Path):
    """A few lines of aliases that stand for millions of values are refused without being spelled out."""
    lines = ["a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1]"]
    lines += [f"a{k}: &a{k} [*a{k - 1}, *a{k - 1}, *a{k - 1}, *a{k - 1}, *a{k - 1}, *a{k - 1}]" for k in range(1, 12)]
    path = tmp_path / "study.yaml"
    path.write_text("\n".join([*lines, "pad: *a11"]), encoding="utf-8")
    with pytest.raises(StudyError, match=r"pad must be a group of keys; got a list|a0 is not a known key"):
        load_study(path)


def test_missing_file_is_named(tmp_path: Path):
    """A file that is not there gives one line with its name."""
    with pytest.raises(StudyError, match=r"nowhere\.yaml: cannot be read"):
        load_study(tmp_path / "nowhere.yaml")


@pytest.mark.parametrize(("name", "count"), [("liquid_metal", 16), ("iron_disc", 12)])
def test_shipped_studies_are_valid(name, count):
    """The shipped studies load, say what they are, and hold the designs they promise."""
    study, cases = load_study(SHIPPED / f"{name}.yaml")
    assert len(cases) == count
    assert "invented" in study.note.lower()
    text = yaml.safe_load((SHIPPED / f"{name}.yaml").read_text(encoding="utf-8"))
    assert text["schema_version"] == 1
