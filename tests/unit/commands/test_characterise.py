"""`soft-tactile characterise`: from files to table, report and exit code."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import spearmanr

from soft_tactile_node.calibration import load_calibration
from soft_tactile_node.characterisation.compare import main_effects
from soft_tactile_node.characterisation.specimens import Specimen
from soft_tactile_node.characterisation.table import KINDS, Characterised, characterise
from soft_tactile_node.design import evaluate, load_study
from soft_tactile_node.design.drop_in import simulated_pad
from soft_tactile_node.recordings import save_recording
from soft_tactile_node.simulation import simulate
from unit.commands.conftest import Bench, Shell
from unit.design.studies import as_drawn

STUDY = Path(__file__).resolve().parents[3] / "shared" / "studies" / "liquid_metal_bench.yaml"


def test_figures_are_those_of_calibrate(liquid_metal: Bench, shell: Shell, tmp_path: Path) -> None:
    """Recordings and the calibration made of them give the same figures, in table, report and JSON."""
    report, table = tmp_path / "r.html", tmp_path / "t.csv"
    words = [liquid_metal.folder, liquid_metal.calibration, "--out", report, "--csv", table]
    outcome = shell("characterise", *words, "--json")
    assert outcome.code in (0, 3), outcome.err
    told = json.loads(outcome.out)
    with table.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(told["figures"])
    known = load_calibration(liquid_metal.calibration).figures
    scale = {kind.name: kind.scale for kind in KINDS}
    assert {row["specimen"] for row in rows} == {liquid_metal.folder.name, "calibration"}
    for row in rows:
        figure = known[row["figure"]]
        assert_allclose(float(row["value"]), scale[row["figure"]] * figure.value, rtol=1e-5, atol=1e-9)
    assert "specimens side by side" in report.read_text()


def test_a_specimen_that_cannot_be_read_is_named(liquid_metal: Bench, shell: Shell, tmp_path: Path) -> None:
    """One bad specimen is named with its reason and does not hide the others; nothing but bad ones is an error."""
    (tmp_path / "bad_press.csv").write_text("time_s\n")
    (tmp_path / "bad_free.csv").write_text("time_s\n")
    bad = (tmp_path / "bad_press.csv", tmp_path / "bad_free.csv")
    outcome = shell("characterise", liquid_metal.calibration, *bad)
    assert outcome.code == 3
    assert outcome.err.startswith("soft-tactile: specimen bad: ")
    assert "Not characterised: bad." in outcome.out
    assert shell("characterise", *bad).code == 1


@pytest.mark.slow
def test_a_comparison_finds_what_the_simulator_was_given(tmp_path: Path) -> None:
    """Four simulated pads come in the order of the study that designed them, with its effects on the signal."""
    _, cases = load_study(STUDY)
    items: list[Characterised] = []
    designed: list[float] = []
    for case in cases[::4]:  # film and frequency stay, so that one table of fields serves all
        drawn = as_drawn(case.design)
        design = simulated_pad(drawn)
        for kind, name, length in (("free-bend", "free_bend", 60.0), ("press", "press", 80.0)):
            made, _ = simulate(kind, pad=design, seed=case.number, specimen_seed=3, rate_hz=100.0, duration_s=length)
            save_recording(made, tmp_path / f"{case.number}_{name}.csv")
        free, press = (tmp_path / f"{case.number}_{name}.csv" for name in ("free_bend", "press"))
        factors = {key: float(value) for key, value in case.changes.items()}
        items.append(characterise(Specimen(f"{case.number}", "x", (free,), (press,), factors=factors)))
        designed.append(evaluate(drawn).snr_db)
    snr = next(kind for kind in KINDS if kind.name == "snr")
    measured = [cell.value for item in items if (cell := item.cell(snr))]
    assert spearmanr(measured, designed).statistic == 1.0
    effects = {effect.factor: effect.size for effect in main_effects(items, snr)}
    values = np.array(designed).reshape(2, 2)  # press-cell diameter by wall
    assert_allclose(effects["pad.press_cell.diameter_m"], np.diff(values.mean(axis=1))[0], atol=1.5)
    assert_allclose(effects["pad.coil_cell.wall_m"], np.diff(values.mean(axis=0))[0], atol=1.5)
