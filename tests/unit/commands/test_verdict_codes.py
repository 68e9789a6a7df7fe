"""Exit codes of `calibrate` and `check CAL.yaml`: 0 healthy, 3 usable with limits, 1 refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from soft_tactile_node.recordings import load_recording, save_recording
from unit.commands.conftest import Bench, Shell

STUDY = Path(__file__).resolve().parents[3] / "shared" / "studies" / "liquid_metal_bench.yaml"


@pytest.mark.parametrize(("share", "code"), [(0.95, 0), (0.87, 3)])
def test_check_leaves_with_the_verdict(iron_disc: Bench, shell: Shell, tmp_path: Path, share: float, code: int) -> None:
    """A limit is named on a line of its own, and the command leaves with 3."""
    data = yaml.safe_load(iron_disc.calibration.read_text())
    for axis in "xyz":
        data["figures"][f"within_two_sigma_{axis}"]["value"] = share
    (tmp_path / "cal.yaml").write_text(yaml.safe_dump(data))
    outcome = shell("check", tmp_path / "cal.yaml")
    assert (outcome.code, outcome.err) == (code, "")
    assert ("usable with limits" in outcome.out.splitlines()[0]) == (code == 3)
    assert ("Limit: 87% of the pressed samples" in outcome.out) == (code == 3)


def test_calibrate_in_grams_leaves_the_old_file(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """A refused calibration writes nothing and leaves with 1."""
    press = load_recording(iron_disc.press)
    assert press.force_n is not None
    save_recording(replace(press, force_n=press.force_n * 101.97), tmp_path / "grams.csv")
    (tmp_path / "cal.yaml").write_text("old")
    words = ("calibrate", "--free-bend", iron_disc.free_bend, "--press", tmp_path / "grams.csv")
    outcome = shell(*words, "--out", tmp_path / "cal.yaml")
    assert (outcome.code, outcome.out, len(outcome.err.splitlines())) == (1, "", 1)
    assert "grams-force" in outcome.err
    assert (tmp_path / "cal.yaml").read_text() == "old"


def test_calibrate_in_microhenry_is_limited(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """A calibration with a limit is written, and the command leaves with 3."""
    for name in ("free_bend", "press"):
        recording = load_recording(getattr(iron_disc, name))
        save_recording(replace(recording, inductance_h=recording.inductance_h * 1e6), tmp_path / f"{name}.csv")
    words = ("calibrate", "--free-bend", tmp_path / "free_bend.csv", "--press", tmp_path / "press.csv")
    outcome = shell(*words, "--out", tmp_path / "cal.yaml")
    assert (outcome.code, outcome.err) == (3, "")
    assert "Limit: coil 1 rests at 1." in outcome.out
    assert shell("check", tmp_path / "cal.yaml").code == 3


@pytest.mark.slow
def test_a_short_free_bend_of_a_weak_pad_is_named_as_that(shell: Shell, tmp_path: Path) -> None:
    """Half a minute of free bending is too short for a thick film: refused for it, the presses are not to blame."""
    pad = ("--study", STUDY, "--design", 7, "--specimen", 1, "--rate", 100)
    free, press = tmp_path / "free.csv", tmp_path / "press.csv"
    assert shell("simulate", "press", *pad, "--seed", 2, "--duration", 80, "--out", press).code == 0
    words = ("calibrate", "--free-bend", free, "--press", press, "--out", tmp_path / "cal.yaml")
    told = {}
    for length_s in (31, 60):
        assert shell("simulate", "free-bend", *pad, "--seed", 1, "--duration", length_s, "--out", free).code == 0
        told[length_s] = shell(*words)
    assert told[31].code == 1
    assert "% of the bending in the presses is not explained by the free bend; record that for longer" in told[31].err
    assert "press again" not in told[31].err
    assert told[60].code in (0, 3)
