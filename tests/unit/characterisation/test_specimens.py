"""Which specimens paths stand for, and one clear line where they stand for none."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from soft_tactile_node.characterisation.specimens import find_specimens
from soft_tactile_node.errors import SpecimenError


def touch(folder: Path, *names: str) -> Path:
    """Make empty files and return the folder."""
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return folder


def test_a_folder_is_a_specimen_or_holds_them(tmp_path: Path) -> None:
    """Recordings are told apart by name, others are left alone; folders in a folder are specimens each."""
    touch(
        tmp_path, "a/free_bend.csv", "a/press_1.csv", "a/press_2.csv", "a/pick.csv", "b/Free-Bend.mcap", "b/press.mcap"
    )
    a, b = find_specimens([tmp_path])
    assert (a.label, [path.name for path in a.press]) == ("a", ["press_1.csv", "press_2.csv"])
    assert (b.label, [path.name for path in b.free_bend]) == ("b", ["Free-Bend.mcap"])


def test_pairs_of_recordings(tmp_path: Path) -> None:
    """Recordings given one by one are paired by what their names have in common."""
    touch(tmp_path, "x_free_bend.csv", "x_press.csv", "press_y.csv", "free_y.csv")
    found = find_specimens(sorted(tmp_path.iterdir()))
    assert {one.label: (one.free_bend[0].name, one.press[0].name) for one in found} == {
        "x": ("x_free_bend.csv", "x_press.csv"),
        "y": ("free_y.csv", "press_y.csv"),
    }


def test_a_date_in_the_name_makes_one_finger_of_several_folders(tmp_path: Path) -> None:
    """left_2026-05-01 and left_2026-08-01 are the finger left on two days."""
    touch(tmp_path, *(f"left_{day}/{kind}.csv" for day in ("2026-05-01", "2026-08-01") for kind in ("press", "free")))
    assert [(one.finger, one.made_on) for one in find_specimens([tmp_path])] == [
        ("left", date(2026, 5, 1)),
        ("left", date(2026, 8, 1)),
    ]


def test_a_table_of_specimens(tmp_path: Path) -> None:
    """Rows name a folder, recordings or a calibration beside the table, with date, finger and factors."""
    touch(tmp_path, "01/free_bend.csv", "01/press.csv")
    table = tmp_path / "specimens.yaml"
    table.write_text(
        "specimens:\n- {label: 1, folder: 01, factors: {wall_mm: 0.4, silicone: soft}}\n"
        "- {label: two, free_bend: f.csv, press: [p.csv, q.csv], date: 2026-05-01, finger: left}\n"
        "- {label: three, calibration: c.yaml}\n"
    )
    one, two, three = find_specimens([table])
    assert (one.label, one.factors, one.press) == (
        "1",
        {"wall_mm": 0.4, "silicone": "soft"},
        (tmp_path / "01/press.csv",),
    )
    assert (two.finger, two.made_on, len(two.press)) == ("left", date(2026, 5, 1), 2)
    assert three.calibration == tmp_path / "c.yaml"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("specimens:\n- {label: a, foldr: x}\n", r"key specimens\.0\.foldr"),
        ("specimens:\n- {label: a}\n", "specimen a: must have either folder, or free_bend and press, or calibration"),
        ("specimens:\n- {label: a, free_bend: x.csv}\n", "specimen a: must have either folder"),
        ("specimens:\n- {label: a, folder: nowhere}\n", "nowhere is no folder"),
        (
            "specimens:\n- {label: a, calibration: x}\n- {label: a, calibration: y}\n",
            "specimen a: is given more than once",
        ),
        ("specimens: [", r"line \d: is no YAML file"),
        ("specimens:\n- {label: a, calibration: x, date: 2026-13-01}\n", r"key specimens\.0\.date"),
        ("nothing: here\n", "a table of specimens holds `specimens`"),
    ],
)
def test_bad_tables(tmp_path: Path, text: str, line: str) -> None:
    """A wrong table is refused in one line that names file and key."""
    path = tmp_path / "specimens.yaml"
    path.write_text(text)
    with pytest.raises(SpecimenError, match=line) as caught:
        find_specimens([path])
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("names", "line"),
    [
        (["a.csv"], "a.csv: its name must say whether"),
        (["a_press.csv"], "a_press.csv: has no free_bend recording of that name"),
        (["note.txt"], "note.txt: must be a folder with recordings"),
    ],
)
def test_bad_files(tmp_path: Path, names: list[str], line: str) -> None:
    """A file that is no specimen is refused by name, and so is an empty folder."""
    touch(tmp_path, *names)
    with pytest.raises(SpecimenError, match=line):
        find_specimens([tmp_path / name for name in names])
    (tmp_path / "empty").mkdir()
    with pytest.raises(SpecimenError, match="holds no recording"):
        find_specimens([tmp_path / "empty"])
