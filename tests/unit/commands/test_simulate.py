"""`soft-tactile simulate`: files, columns, repeatability, errors in one line."""

from __future__ import annotations

import pytest

from soft_tactile_node.recordings import load_recording, load_truth
from soft_tactile_node.simulation import simulate


def first_line(path):
    """Return the header row of a file."""
    return path.read_text().splitlines()[0]


@pytest.mark.parametrize(
    ("scenario", "pad", "header"),
    [
        (
            "press", "iron_disc",
            "time_s,pressure_pa,coil_1_h,coil_2_h,coil_3_h,coil_4_h,temperature_c,indent_m,force_x_n,force_y_n,force_z_n",
        ),
        ("free-bend", "liquid_metal", "time_s,pressure_pa,coil_1_h,temperature_c,bend_rad"),
        ("pick-jar", "liquid_metal", "time_s,pressure_pa,coil_1_h,temperature_c"),
    ],
)  # fmt: skip
def test_files_have_exactly_the_promised_columns(shell, tmp_path, scenario, pad, header):
    """Recording and truth carry the documented columns; only press has forces, only free-bend a bend."""
    out, truth = tmp_path / "rec.csv", tmp_path / "truth.csv"
    done = shell("simulate", scenario, "--out", out, "--truth", truth, "--pad", pad, "--duration", "6", "--rate", "100")
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith(f"{out}: {scenario}, 600 rows")
    assert set(first_line(out).split(",")) == set(header.split(","))
    assert first_line(truth) == "time_s,force_x_n,force_y_n,force_z_n,bend_rad,in_contact,slip"
    assert len(load_recording(out)) == len(load_truth(truth)) == 600


def test_same_seed_same_file(shell, tmp_path):
    """The same words give the same bytes, another seed other bytes."""
    files = [tmp_path / name for name in ("a.csv", "b.csv", "c.csv")]
    for path, seed in zip(files, (4, 4, 5), strict=True):
        assert shell("simulate", "ramps", "--out", path, "--seed", seed, "--duration", "4", "--rate", "100").code == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].read_bytes() != files[2].read_bytes()


def test_specimen_defaults_to_the_seed(shell, tmp_path):
    """Without --specimen the seed picks the finger; with it the file is that of the Python call."""
    plain, named = tmp_path / "plain.csv", tmp_path / "named.csv"
    common = ("--seed", "4", "--duration", "4", "--rate", "100")
    assert shell("simulate", "ramps", "--out", plain, *common).code == 0
    assert shell("simulate", "ramps", "--out", named, *common, "--specimen", "4").code == 0
    assert plain.read_bytes() == named.read_bytes()
    assert shell("simulate", "ramps", "--out", named, *common, "--specimen", "9").code == 0
    expected, _ = simulate("ramps", seed=4, specimen_seed=9, duration_s=4.0, rate_hz=100.0)
    assert (load_recording(named).inductance_h == expected.inductance_h).all()


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (("pick-apple", "--out", "x.csv"), 2, "'pick-apple' is not one of"),
        (("ramps",), 2, "Missing option '--out'"),
        (("ramps", "--out", "x.csv", "--pad", "ferrite"), 2, "'ferrite' is not one of"),
        (("ramps", "--out", "x.csv", "--seed", "-1"), 2, "-1 is not in the range"),
        (("ramps", "--out", "x.csv", "--duration", "1"), 1, "duration_s must be >= 3 and <= 36000; got 1"),
        (("ramps", "--out", "x.csv", "--rate", "nan"), 1, "rate_hz must be"),
        (("ramps", "--out", "no/such/folder/x.csv", "--duration", "3"), 1, "no/such/folder/x.csv: cannot be written"),
    ],
)
def test_errors_are_one_line(shell, tmp_path, monkeypatch, words, code, text):
    """What is wrong is said in one line, with exit code 2 for usage and 1 for the rest; nothing is left behind."""
    monkeypatch.chdir(tmp_path)
    done = shell("simulate", *words)
    assert done.code == code
    assert text in done.err
    assert "Traceback" not in done.err
    if code == 1:
        assert done.err.count("\n") == 1
    assert not list(tmp_path.iterdir())
