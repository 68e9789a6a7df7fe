"""`soft-tactile calibrate --plan`."""

from __future__ import annotations

import json
from pathlib import Path

from unit.commands.conftest import Shell


def test_plan_speaks_in_units_of_the_limits(shell: Shell) -> None:
    """Limits given as options appear in the steps; cautions come before anything else."""
    outcome = shell("calibrate", "--plan", "--max-pressure", 45000, "--max-force", 4, "--max-shear", 1.2)
    assert (outcome.code, outcome.err) == (0, "")
    assert "% of the highest" not in outcome.out
    for words in ("Hold 45 kPa for 60 s", "press to 4, 1.2, 2.4 N", "shear by 1.2 N", "by 10 K", "20 presses to 4 N"):
        assert words in " ".join(outcome.out.split())
    for words in ("hold 2 N with a shear of 0.48 N to +x for 60 s", "(if possible; without it how the place"):
        assert words in " ".join(outcome.out.split())
    lines = outcome.out.splitlines()
    assert lines.index("Safety, before anything moves") < lines.index("Before the first recording")
    assert max(map(len, lines[:-1])) <= 110


def test_plan_without_limits_speaks_in_shares(shell: Shell) -> None:
    """No limit is made up: sizes are shares of the user's own."""
    outcome = shell("calibrate", "--plan")
    assert outcome.code == 0
    assert "Hold 100 % of the highest pressure for 60 s" in outcome.out
    assert "kPa" not in outcome.out


def test_limits_of_the_pad_description(shell: Shell, tmp_path: Path) -> None:
    """Limits and variant come from --pad-info; an option overrides it; --json carries a path for a rig."""
    info = tmp_path / "pad.yaml"
    info.write_text("pad: liquid_metal\nlimits: {pressure_pa: 30000, force_normal_n: 3}\n")
    outcome = shell("calibrate", "--plan", "--pad-info", info, "--max-force", 2, "--json")
    assert (outcome.code, outcome.err) == (0, "")
    plan = json.loads(outcome.out)
    assert plan["limits"] == {"pressure_pa": 30000.0, "force_normal_n": 2.0, "force_shear_n": None}
    path = plan["recordings"][-1]["path"]
    assert max(point["pressure_pa"] for point in path) == 30000.0
    assert max(point["force_z_n"] for point in path) == 2.0
    assert {point["force_x_n"] for point in path} == {None}
    assert [recording["kind"] for recording in plan["recordings"]] == ["free_bend", "free_bend", "press"]
    optional = [step for step in plan["recordings"][-1]["steps"] if step["optional"]]
    assert len(optional) == 3
    assert all(step["without_it"] for step in optional)
    assert {point["place_x_m"] for point in path} == {None, 0.0, 0.003, -0.003}
    assert {(point["place_x_m"] is None) == (point["place_y_m"] is None) for point in path} == {True}


def test_bad_limits_are_refused(shell: Shell, tmp_path: Path) -> None:
    """A limit that is no positive number is refused by its key or option."""
    info = tmp_path / "pad.yaml"
    info.write_text("limits: {pressure_pa: -3}\n")
    outcome = shell("calibrate", "--plan", "--pad-info", info)
    assert outcome.code == 1
    assert "key limits.pressure_pa" in outcome.err
    assert len(outcome.err.splitlines()) == 1
    outcome = shell("calibrate", "--plan", "--max-pressure", 60)
    assert (outcome.code, outcome.out) == (1, "")
    assert outcome.err.splitlines()[-1].endswith("got 60 Pa: for 60 kPa give 60000")
    assert len(outcome.err.splitlines()) == 1
    assert shell("calibrate", "--plan", "--max-force", 0).code == 2
    assert shell("calibrate", "--plan", "--max-force", "nan").code in (1, 2)


def test_options_of_the_plan_and_of_the_fit_do_not_mix(shell: Shell, tmp_path: Path) -> None:
    """Without --plan the recordings are asked for by name, and limits are refused."""
    outcome = shell("calibrate")
    assert outcome.code == 2
    assert "--free-bend, --press and --out" in outcome.err
    words = ["--free-bend", "a.csv", "--press", "b.csv", "--out", tmp_path / "c.yaml", "--max-force", 3]
    outcome = shell("calibrate", *words)
    assert outcome.code == 2
    assert "go with --plan" in outcome.err
