"""`check` and `calibrate`: verdict in words and as JSON, bad calibrations and descriptions refused."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import yaml

from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.calibration.storage import calibration_id, load_calibration
from soft_tactile_node.calibration.uncertainty import coverage_factor
from unit.commands.conftest import Bench, Shell


def change_calibration(bench: Bench, folder: Path, **figures: float) -> Path:
    """Write the bench's calibration with other figures of merit."""
    data = yaml.safe_load(bench.calibration.read_text())
    for name, value in figures.items():
        data["figures"][name]["value"] = value
    path = folder / "changed.yaml"
    path.write_text(yaml.safe_dump(data))
    return path


def test_check_says_what_the_calibration_is(bench: Bench, shell: Shell) -> None:
    """The first line is the verdict; ranges, gaps and every figure with its unit follow."""
    outcome = shell("check", bench.calibration)
    record = load_calibration(bench.calibration)
    assert (outcome.code in (0, 3), outcome.err) == (True, "")
    first = outcome.out.splitlines()[0]
    verdict = {0: "healthy", 3: "usable with limits"}[outcome.code]
    assert f"Calibration {calibration_id(record)}: {verdict}. Pad {bench.pad}" in first
    assert "0 days old" in first
    assert f"normal force up to {record.ranges.force_normal_n:.3g} N" in outcome.out
    for gap in record.not_identified:
        assert f"Not identified: {gap}." in outcome.out
    for name, figure in record.figures.items():
        assert any(line.startswith(name.replace("_", " ")) and figure.unit in line for line in outcome.out.splitlines())


def test_check_speaks_json(bench: Bench, shell: Shell) -> None:
    """The same as one JSON object."""
    outcome = shell("check", bench.calibration, "--json")
    told = json.loads(outcome.out)
    record = load_calibration(bench.calibration)
    assert told["healthy"] is (outcome.code == 0)
    assert told["problems"] == []
    assert told["age_days"] == 0
    assert told["figures"]["snr"]["value"] == record.figures["snr"].value
    assert told["ranges"]["pressure_pa"] == list(record.ranges.pressure_pa)
    assert [source["kind"] for source in told["sources"]] == ["free_bend", "press"]


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        (
            {"force_error": 0.6, "press_bending": 19.0},
            "held-out force error is 0.6 N, more than 5% of the {} N range: press",
        ),
        (
            {"force_error": 0.6, "press_bending": 33.0},
            "held-out force error is 0.6 N, more than 5% of the {} N range: 33 %",
        ),
        ({"snr": 20.0}, "signal to noise is 20 dB, below 30 dB"),
    ],
)
def test_a_poor_calibration_is_not_healthy(
    liquid_metal: Bench, shell: Shell, tmp_path: Path, figures: dict[str, float], words: str
) -> None:
    """A large held-out error or little signal over noise is a problem, named in words, with exit code 1."""
    path = change_calibration(liquid_metal, tmp_path, **figures)
    outcome = shell("check", path)
    assert outcome.code == 1
    assert "NOT healthy" in outcome.out
    assert f"Problem: {words.format(f'{load_calibration(path).ranges.force_normal_n:.3g}')}" in outcome.out
    assert json.loads(shell("check", path, "--json").out)["healthy"] is False


@pytest.mark.parametrize(("days", "words"), [(181, "181 days old"), (-2, "in the future"), (180, ""), (0, "")])
def test_age_is_remarked(liquid_metal: Bench, days: int, words: str) -> None:
    """An old calibration, or one from the future, is remarked upon."""
    record = load_calibration(liquid_metal.calibration)
    health = describe_calibration(record, record.made_on + timedelta(days=days))
    remarks = [text for text in health.remarks if "days old" in text or "future" in text]
    assert health.age_days == days
    assert bool(remarks) == bool(words)
    assert all(words in text for text in remarks)


def test_undated_calibrations_say_so(liquid_metal: Bench) -> None:
    """A calibration without a date has no age, instead of half a century."""
    record = load_calibration(liquid_metal.calibration).model_copy(update={"made_on": date(1970, 1, 1)})
    health = describe_calibration(record, date(2030, 1, 1))
    assert health.age_days is None
    assert any("no date" in text for text in health.remarks)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "must hold a mapping"),
        ("a: [", "line 2: is no YAML file"),
        ("schema_version: 99\n", "key schema_version: must be 2; got 99; update soft_tactile_node"),
        (
            "schema_version: 1\n",
            "must be 2; got 1; make it again from the same recordings with `soft-tactile calibrate`",
        ),
        ("!!python/object/apply:os.getcwd []\n", "is no YAML file"),
    ],
)
def test_a_broken_calibration_is_refused(shell: Shell, tmp_path: Path, content: str, message: str) -> None:
    """A file that is no calibration is refused in one line, and nothing in it is executed."""
    (tmp_path / "cal.yaml").write_text(content)
    outcome = shell("check", tmp_path / "cal.yaml")
    assert (outcome.code, outcome.out, len(outcome.err.splitlines())) == (1, "", 1)
    assert message in outcome.err


def test_calibrate_takes_what_only_the_user_knows(liquid_metal: Bench, shell: Shell, tmp_path: Path) -> None:
    """Pad, serial number and lengths of the finger come from --pad-info and end up in the calibration."""
    info = tmp_path / "pad.yaml"
    info.write_text("pad: iron_disc\nserial: bun-07\ngeometry: {root_to_pad_m: 0.08, neutral_to_surface_m: 0.012}\n")
    words = ["calibrate", "--free-bend", liquid_metal.free_bend, "--press", liquid_metal.press, "--pad-info", info]
    outcome = shell(*words, "--out", tmp_path / "cal.yaml")
    assert (outcome.code in (0, 3), outcome.err) == (True, "")
    record = load_calibration(tmp_path / "cal.yaml")
    assert (record.pad, record.serial) == ("iron_disc", "bun-07")
    assert record.geometry is not None
    assert record.geometry.root_to_pad_m == 0.08
    assert (datetime.now(timezone.utc).date() - record.made_on).days in (-1, 0, 1)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("pad: wooden\n", "key pad: "),
        ("colour: red\n", "key colour: "),
        ("geometry: {root_to_pad_m: -1, neutral_to_surface_m: 0.01}\n", "key geometry.root_to_pad_m: "),
        ("geometry: {root_to_pad_m: .nan, neutral_to_surface_m: 0.01}\n", "key geometry.root_to_pad_m: "),
        ("- 1\n", "key (whole file): "),
        ("pad: [\n", "is no YAML file"),
        ("x" * 200_000, "is larger than"),
    ],
)
def test_a_bad_description_is_refused(
    liquid_metal: Bench, shell: Shell, tmp_path: Path, content: str, message: str
) -> None:
    """A description of a pad with a wrong key or value is refused with the key, before any work starts."""
    (tmp_path / "pad.yaml").write_text(content)
    words = [
        "calibrate",
        "--free-bend",
        liquid_metal.free_bend,
        "--press",
        liquid_metal.press,
        "--pad-info",
        tmp_path / "pad.yaml",
    ]
    outcome = shell(*words, "--out", tmp_path / "cal.yaml")
    assert (outcome.code, outcome.out, len(outcome.err.splitlines())) == (1, "", 1)
    assert message in outcome.err
    assert not (tmp_path / "cal.yaml").exists()


def test_calibrate_refuses_bad_data_with_the_reason(liquid_metal: Bench, shell: Shell, tmp_path: Path) -> None:
    """Recordings that cannot give a calibration are refused, and an older calibration stays."""
    output = tmp_path / "cal.yaml"
    output.write_text("old")
    words = ["calibrate", "--free-bend", liquid_metal.free_bend, "--press", liquid_metal.pick, "--out", output]
    outcome = shell(*words)
    assert (outcome.code, outcome.out, len(outcome.err.splitlines())) == (1, "", 1)
    assert "pick.csv" in outcome.err
    assert output.read_text() == "old"


def test_figures_carry_their_uncertainty(liquid_metal: Bench) -> None:
    """Each figure of a fresh calibration has its standard and expanded uncertainty; they fit its degrees of freedom."""
    figures = load_calibration(liquid_metal.calibration).figures
    known = {name: figure for name, figure in figures.items() if figure.uncertainty is not None}
    plain = {"bend_angle_error", "press_bending", "press_pressure", "tare_shift", "unloading", "within_two_sigma_z"}
    assert set(figures) - set(known) <= plain
    assert {"sensitivity", "resolution", "snr", "force_error", "hysteresis", "non_linearity", "drift"} <= set(known)
    for figure in known.values():
        degrees = np.inf if figure.degrees_of_freedom is None else figure.degrees_of_freedom
        # three digits are kept of either
        wanted = coverage_factor(degrees) * (figure.uncertainty or np.nan)
        assert figure.expanded == pytest.approx(wanted, rel=0.011)
