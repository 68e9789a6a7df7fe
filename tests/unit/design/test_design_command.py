"""The command `soft-tactile design`: table, JSON, report, errors, clusters."""

from __future__ import annotations

import json
import math
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from soft_tactile_node.commands.main import run
from soft_tactile_node.design import parse_study, run_study
from soft_tactile_node.design import run as study_run
from unit.design.studies import IRON_DISC, LIQUID_METAL, changed


def write_study(folder: Path, study) -> Path:
    """Write a study file; return its path."""
    path = folder / "study.yaml"
    path.write_text(yaml.safe_dump(study), encoding="utf-8")
    return path


def two_discs():
    """A study of two discs."""
    return changed(IRON_DISC, load__points=6, sweep={"grid": {"pad.cushion.gap_m": [1.5e-3, 3.0e-3]}})


def test_json_and_report(tmp_path, capsys):
    """One run prints machine-readable figures and writes a page that needs no network, summary first."""
    report = tmp_path / "report.html"
    assert (
        run(["design", str(write_study(tmp_path, two_discs())), "--jobs", "1", "--json", "--report", str(report)]) == 0
    )
    data = json.loads(capsys.readouterr().out)
    best = data["designs"][0]
    assert [one["design"] for one in data["designs"]] == sorted(
        (1, 2), key=lambda number: -next(d["snr_db"] for d in data["designs"] if d["design"] == number)
    )
    assert best["noise"]["frequency"] == pytest.approx(math.sqrt(1 / 6 + 1) / 100_000)
    assert len(best["normal_h"]) == len(best["force_n"]) == 6
    assert set(best["stand_off_m"]) == {"steel lid", "aluminium tray"}
    page = report.read_text(encoding="utf-8")
    words = page.index('<h2 id="summary-heading">')
    assert words < page.index("Designs, best first</h2>") < page.index("Plots</h2>")
    widest = max(row.count("<th ") for row in re.findall(r"<thead>.*?</thead>", page))
    assert widest <= 9, "wider tables are cut off on A4 paper"
    assert f"design {best['design']}" in page[words : words + 3000]
    (least, low), (most, high) = sorted((one["snr_db"], one["design"]) for one in data["designs"])
    told = page.replace("\N{NO-BREAK SPACE}", " ")
    assert f"it lies between {least:.3g} dB (design {low}) and {most:.3g} dB (design {high})" in told
    loads = re.findall(r"<(?:script|link|img)[^>]+(?:src|href)=[\"'](?!data:|#)([^\"']+)", page)
    assert loads == []


def test_liquid_metal_json_has_no_shear(tmp_path, capsys):
    """What is not sensed is null, not a number."""
    path = write_study(tmp_path, changed(LIQUID_METAL, load__points=5))
    assert run(["design", str(path), "--jobs", "1", "--json"]) == 0
    best = json.loads(capsys.readouterr().out)["designs"][0]
    assert best["snr_shear_db"] is None
    assert best["crosstalk_percent"] == [[None] * 3] * 3


def test_table_names_noise_and_remarks(tmp_path, capsys):
    """The printed table starts with the noise and what it is made of, and marks designs that stop early."""
    study = changed(LIQUID_METAL, load__points=6, pad__press_cell__height_m=0.1e-3)
    assert run(["design", str(write_study(tmp_path, study)), "--jobs", "1"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("noise of one reading of the best design: ")
    assert "quantisation 4.08" in out
    assert "* does not respond over its full scale" in out
    assert "squeezed empty" in out


@pytest.mark.parametrize(
    ("key", "value", "line"),
    [
        ("pad__cushion__gap_m", -1e-3, "pad.cushion.gap_m must be > 0; got -0.001"),
        (
            "pad__coil__conductor",
            "butter",
            "pad.coil.conductor must be one of aluminium, copper, gallium_indium, steel",
        ),
        ("pad__disc__thickness_m", float("nan"), "pad.disc.thickness_m must be a finite number; got nan"),
        ("pad__coil__turns", 0, "pad.coil.turns must be >= 1; got 0"),
        ("pad__coil__outer_radius_m", 1e-4, "pad.coil.outer_radius_m must be > inner_radius_m = 0.0008; got 0.0001"),
    ],
)
def test_invalid_study_is_one_line(tmp_path, capsys, key, value, line):
    """An invalid study ends with exit code 1 and one line that names file and key, no traceback, no report."""
    path, report = write_study(tmp_path, changed(IRON_DISC, **{key: value})), tmp_path / "report.html"
    assert run(["design", str(path), "--report", str(report)]) == 1
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("\n") == 1
    assert printed.err.startswith(f"soft-tactile: {path}: {line}")
    assert not report.exists()


def test_report_of_one_design(tmp_path):
    """A study without a sweep has a report too."""
    report = tmp_path / "report.html"
    path = write_study(tmp_path, changed(IRON_DISC, load__points=5))
    assert run(["design", str(path), "--jobs", "1", "--report", str(report)]) == 0
    assert "Best of 1" in report.read_text(encoding="utf-8")


def test_processes_give_the_same_as_one(tmp_path):
    """Spread over two processes, the figures are bit for bit those of one."""
    _, cases = parse_study(two_discs())
    alone, spread = run_study(cases, jobs=1), run_study(cases, jobs=2)
    assert [one.case.number for one in spread] == [1, 2]
    for one, other in zip(alone, spread):
        assert one.figures.snr_db == other.figures.snr_db


@pytest.mark.slow
def test_local_cluster_gives_the_same(tmp_path):
    """On a Dask cluster of this machine the figures are bit for bit those of this process, and the cluster ends."""
    pytest.importorskip("distributed")
    path = write_study(tmp_path, two_discs())
    # in a process of its own: the cluster's workers and threads are none of the test run's business
    start = "import sys; from soft_tactile_node.commands.main import main; main(sys.argv[1:])"
    words = [sys.executable, "-c", start, "design", str(path), "--json", "--cluster", "local"]
    ended = subprocess.run(words, capture_output=True, text=True, timeout=240, check=False)
    assert ended.returncode == 0, ended.stderr
    found = {one["design"]: one["snr_db"] for one in json.loads(ended.stdout)["designs"]}
    _, cases = parse_study(two_discs())
    assert found == {one.case.number: one.figures.snr_db for one in run_study(cases, jobs=1)}


def test_unreachable_cluster_is_one_line(tmp_path, capsys, monkeypatch):
    """A cluster that is not there gives one line."""
    pytest.importorskip("distributed")
    monkeypatch.setattr(study_run, "CONNECT_TIMEOUT_S", 0.5)
    path = write_study(tmp_path, two_discs())
    assert run(["design", str(path), "--cluster", "tcp://127.0.0.1:9"]) == 1
    assert "cannot be reached" in capsys.readouterr().err
