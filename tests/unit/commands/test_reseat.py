"""`soft-tactile reseat`."""

from __future__ import annotations

from pathlib import Path

from soft_tactile_node.calibration.storage import load_calibration
from unit.commands.conftest import Bench, Shell


def test_reseat_writes_a_calibration_that_serves(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """The same finger pressed again gives a calibration that replays, with the new file among its sources."""
    new = tmp_path / "new.yaml"
    outcome = shell("reseat", iron_disc.calibration, "--press", iron_disc.press, "--out", new)
    assert (outcome.code in (0, 3), outcome.err) == (True, "")
    assert outcome.out.startswith(f"{new} written\nCalibration ")
    assert load_calibration(new).sources[-1].name.endswith("press.csv")
    assert shell("replay", iron_disc.pick, "--calibration", new, "--out", tmp_path / "est.csv").code == 0


def test_reseat_refuses_and_leaves_the_old_file(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """Without a reference force nothing is written."""
    output = tmp_path / "new.yaml"
    output.write_text("old")
    outcome = shell("reseat", iron_disc.calibration, "--press", iron_disc.pick, "--out", output)
    assert (outcome.code, outcome.out, len(outcome.err.splitlines())) == (1, "", 1)
    assert output.read_text() == "old"
