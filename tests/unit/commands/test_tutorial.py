"""The bench tutorial, typed in as it stands."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from soft_tactile_node.commands.main import run

ROOT = Path(__file__).resolve().parents[3]
LINES = re.findall(r"^    (soft-tactile .+)$", (ROOT / "shared/docs/bench_tutorial.md").read_text(), re.MULTILINE)
LIMITED = {"check", "calibrate", "score"}
"""Commands that may leave with 3, and then name a limit."""


@pytest.mark.slow
def test_the_tutorial_works_as_it_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each command of the bench tutorial does its work in an empty folder, one after the other."""
    (tmp_path / "shared").symlink_to(ROOT / "shared")
    monkeypatch.chdir(tmp_path)
    used = set()
    for line in LINES:
        words = shlex.split(line)[1:]
        code = run(words)
        told = capsys.readouterr()
        assert code in ({0, 3} if words[0] in LIMITED else {0}), f"{line}: {told.out}{told.err}"
        used.add(words[0])
    assert used == {"design", "simulate", "calibrate", "check", "replay", "score", "record"}
    assert {"study.html", "finger.html", "finger.yaml", "replay.html", "estimate.csv", "events.csv", "live.csv"} <= {
        path.name for path in tmp_path.iterdir()
    }
    assert (tmp_path / "events.csv").read_text().count(",contact,") == 5
