"""`soft-tactile import`: from two lab logs to a recording that calibrates."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from soft_tactile_node.importing.schema import FileLayout
from soft_tactile_node.physics.resonator import resonance_frequency
from soft_tactile_node.recordings import load_recording
from soft_tactile_node.sources.tank import Tank
from unit.commands.conftest import Bench, Shell

MAP = """
file: {delimiter: ";", decimal: ","}
time: {column: t, unit: ms}
pressure: {column: p, unit: kPa, reference: absolute}
coils: [{column: c1, unit: count}, {column: c2, unit: count}, {column: c3, unit: count}, {column: c4, unit: count}]
tank: {reference_hz: 4.0e9, capacitor_f: 220.0e-12, divider: 64}
temperature: {column: T, unit: K}
reference:
  time: {column: stamp, unit: s}
  force: {x: {column: Fx, unit: N}, y: {column: Fy, unit: N}, z: {column: Fz, unit: gf, scale: -1}}
"""


def write_logs(bench: Bench, folder: Path, offset_s: float) -> tuple[Path, Path, Path]:
    """Write a press recording the way a lab has it: two logs, raw counts, kPa absolute, gf, decimal commas."""
    recording = load_recording(bench.press)
    assert recording.force_n is not None
    counts = 64 * 4.0e9 / resonance_frequency(recording.inductance_h, 220e-12)
    table = np.column_stack(
        [recording.time_s * 1000, recording.pressure_pa / 1000 + 98.7, counts, recording.temperature_c + 273.15]
    )
    rows = [";".join(f"{value:.9g}".replace(".", ",") for value in row) for row in table]
    rows = [row.replace("nan", "") for row in rows]
    log, force, rules = folder / "log.csv", folder / "force.csv", folder / "map.yaml"
    log.write_text("\n".join(["t;p;c1;c2;c3;c4;T", *rows]) + "\n")
    stamps = recording.time_s - offset_s
    force_rows = zip(stamps, *recording.force_n[:, :2].T, recording.force_n[:, 2] / -9.80665e-3)
    lines = [",".join(f"{value:.6f}" for value in row) for row in force_rows]
    force.write_text("\n".join(["stamp,Fx,Fy,Fz", *lines]) + "\n")
    rules.write_text(MAP)
    return log, force, rules


def test_two_logs_become_a_recording_that_calibrates(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """Counts, kPa and gf on two clocks come out as the recording they were made from, and a calibration fits it."""
    log, force, rules = write_logs(iron_disc, tmp_path, offset_s=7.25)
    output = tmp_path / "press.csv"
    outcome = shell("import", log, "--reference", force, "--map", rules, "--out", output)
    assert (outcome.code, outcome.err) == (0, "")
    assert "clock of the reference: +7.2" in outcome.out
    assert "4 channels" in outcome.out
    original, found = load_recording(iron_disc.press), load_recording(output)
    np.testing.assert_allclose(found.inductance_h, original.inductance_h, rtol=1e-6)
    np.testing.assert_allclose(found.pressure_pa, original.pressure_pa, atol=250.0)
    assert original.force_n is not None
    assert found.force_n is not None
    both = np.isfinite(found.force_n)
    assert both.mean() > 0.99
    assert np.sqrt(np.mean((found.force_n - original.force_n)[both] ** 2)) < 0.03
    words = ["calibrate", "--free-bend", iron_disc.free_bend, "--press", output, "--out", tmp_path / "cal.yaml"]
    outcome = shell(*words)
    assert (outcome.code, outcome.err) == (0, "")


def test_the_offset_is_reported_for_machines(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """--json gives offset, uncertainty and agreement as numbers."""
    log, force, rules = write_logs(iron_disc, tmp_path, offset_s=-2.5)
    outcome = shell("import", log, "--reference", force, "--map", rules, "--out", tmp_path / "o.csv", "--json")
    found = json.loads(outcome.out)
    assert found["clock"]["offset_s"] == pytest.approx(-2.5, abs=0.008)
    assert 0.001 < found["clock"]["uncertainty_s"] < 0.01
    assert 0.5 < found["clock"]["agreement"] <= 1.0
    assert found["remarks"] == []


def test_bad_input_is_one_line(iron_disc: Bench, shell: Shell, tmp_path: Path) -> None:
    """A wrong map or a log that is not there: one line, exit code 1, no output written."""
    log, force, rules = write_logs(iron_disc, tmp_path, offset_s=0.0)
    output = tmp_path / "o.csv"
    rules.write_text(MAP.replace("unit: kPa", "unit: miles"))
    outcome = shell("import", log, "--reference", force, "--map", rules, "--out", output)
    assert (outcome.code, len(outcome.err.splitlines())) == (1, 1)
    assert "key pressure.unit" in outcome.err
    rules.write_text(MAP)
    outcome = shell("import", tmp_path / "none.csv", "--reference", force, "--map", rules, "--out", output)
    assert (outcome.code, len(outcome.err.splitlines())) == (1, 1)
    assert "none.csv: cannot be read" in outcome.err
    assert not output.exists()


def test_help_shows_a_map_that_loads(shell: Shell, tmp_path: Path) -> None:
    """The map printed by --help is a good one."""
    from soft_tactile_node.importing import load_map

    text = shell("import", "--help").out
    lines = text[text.index("A map:") :].splitlines()[1:]
    example = "\n".join(line for line in lines[: next(k for k, line in enumerate(lines) if not line.strip())])
    path = tmp_path / "map.yaml"
    path.write_text(example)
    assert len(load_map(path).coils) == 2


def test_help_explains_every_key_of_file_and_tank(shell: Shell) -> None:
    """What may stand under `file` and `tank` of a map is in the help, each key by its name."""
    told = shell("import", "--help").out
    assert [key for key in [*FileLayout.model_fields, *Tank.model_fields] if key not in told] == []
