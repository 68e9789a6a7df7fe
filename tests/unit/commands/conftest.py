"""A small bench for the command line: simulated recordings, calibrations of both pads, a way to run commands."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from soft_tactile_node.commands.main import run


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    code: int
    out: str
    err: str


class Shell:
    """Runs the command line in this process."""

    def __init__(self, capsys: pytest.CaptureFixture[str]) -> None:
        self._capsys = capsys

    def __call__(self, *words: object) -> Outcome:
        """Run one command."""
        self._capsys.readouterr()
        code = run([str(word) for word in words])
        captured = self._capsys.readouterr()
        return Outcome(code, captured.out, captured.err)


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str]) -> Shell:
    """Run commands and see exit code, output and errors."""
    return Shell(capsys)


@dataclass(frozen=True)
class Bench:
    """Files of one simulated finger."""

    pad: str
    folder: Path

    def __getattr__(self, name: str) -> Path:
        """Return a file by its short name: free_bend, press, calibration, pick, truth, ramps, calm."""
        ending = "yaml" if name == "calibration" else "csv"
        path = self.folder / f"{name}.{ending}"
        if name.startswith("_") or not path.exists():
            raise AttributeError(name)
        return path


def make_bench(pad: str, folder: Path) -> Bench:
    """Simulate a finger's recordings at 200 Hz and calibrate it, all through the command line."""
    common = ("--pad", pad, "--specimen", "3", "--rate", "200")
    jobs = {
        "free_bend": ("simulate", "free-bend", "--seed", "3", "--duration", "60"),
        "press": ("simulate", "press", "--seed", "4", "--duration", "80"),
        "pick": ("simulate", "pick-roll", "--seed", "5", "--duration", "24", "--truth", str(folder / "truth.csv")),
        "ramps": ("simulate", "ramps", "--seed", "6", "--duration", "20", "--truth", str(folder / "calm.csv")),
    }
    for name, words in jobs.items():
        assert run([*words, *common, "--out", str(folder / f"{name}.csv")]) == 0
    words = ["calibrate", "--free-bend", str(folder / "free_bend.csv"), "--press", str(folder / "press.csv")]
    # so short a protocol may leave a limit
    assert run([*words, "--out", str(folder / "calibration.yaml")]) in (0, 3)
    return Bench(pad, folder)


@pytest.fixture(scope="session")
def iron_disc(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Record and calibrate a finger with four channels."""
    return make_bench("iron_disc", tmp_path_factory.mktemp("iron_disc"))


@pytest.fixture(scope="session")
def liquid_metal(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Record and calibrate a finger with one channel."""
    return make_bench("liquid_metal", tmp_path_factory.mktemp("liquid_metal"))


@pytest.fixture(params=["iron_disc", "liquid_metal"])
def bench(request: pytest.FixtureRequest) -> Bench:
    """Run a test with both fingers."""
    found: Bench = request.getfixturevalue(request.param)
    return found
