"""The command line as a whole: it finds its commands, and every error is one line with the right exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from soft_tactile_node.commands import main as command_line
from soft_tactile_node.errors import RecordingError
from unit.commands.conftest import Shell

ADVICE = "this is a defect: run `soft-tactile --traceback …` again and report what it prints"
ENTRY = [sys.executable, "-c", "from soft_tactile_node.commands.main import main; main()"]


LIGHT = """
import sys
from soft_tactile_node.commands.main import group, run
for command in [[], *([name] for name in group.list_commands(None))]:
    run([*command, "--help"])
loaded = {name.split(".")[0] for name in sys.modules}
heavy = {"joblib", "numba", "numpy", "pandas", "pint", "plotly", "bokeh", "pydantic", "rclpy", "scipy", "tqdm", "yaml"}
print(*sorted(loaded & heavy), file=sys.stderr)
"""


def fail_with(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the subcommand `check` raise."""

    def broken(**_: object) -> None:
        raise error

    command = click.Command("check", callback=broken)
    monkeypatch.setattr(command_line.Subcommands, "get_command", lambda *_: command)


def test_help_lists_each_command_with_a_line(shell: Shell) -> None:
    """Help names the commands a bench engineer needs, each with what it does, and no helper module."""
    outcome = shell("--help")
    assert outcome.code == 0
    listed = {line.split()[0]: line for line in outcome.out.split("Commands:")[1].splitlines() if line.strip()}
    assert {"calibrate", "check", "replay", "score", "simulate"} <= set(listed)
    assert not {"main", "-options", "options"} & set(listed)
    assert all(len(line.split()) > 2 for line in listed.values())


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["fly"], "No such command 'fly'"),
        (["replay"], "Missing argument"),
        (["replay", "a.csv", "--out", "b.csv"], "Missing option '--calibration'"),
        (["replay", "a.csv", "b.csv", "--calibration", "c", "--out", "e.csv"], "--out must be given once for each"),
        (["replay", "a.csv", "--calibration", "c", "--out", "e.csv", "--tare-s", "0"], "'--tare-s'"),
        (["score"], "give an estimate and its truth"),
        (["score", "e.csv"], "give one estimate and its truth"),
        (["score", "e.csv", "t.csv", "--events", "a.csv", "b.csv"], "--events must be given once for each pair: 1"),
        (["calibrate", "--press", "p.csv", "--out", "c.yaml"], "give --free-bend, --press and --out"),
        (["check", "a.yaml", "b.yaml"], "unexpected extra argument"),
    ],
)
def test_wrong_usage_is_exit_code_2(shell: Shell, words: list[str], message: str) -> None:
    """A command that is called wrongly says how, and leaves with 2."""
    outcome = shell(*words)
    assert outcome.code == 2
    assert message in outcome.err
    assert outcome.out == ""


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (RecordingError("log.csv, row 3: is\nbad; mend it"), "soft-tactile: log.csv, row 3: is bad; mend it\n"),
        (OSError(28, "No space left on device", "cal.yaml"), "soft-tactile: cal.yaml: No space left on device\n"),
        (
            ZeroDivisionError("division by zero"),
            f"soft-tactile: unexpected ZeroDivisionError: division by zero; {ADVICE}\n",
        ),
        (ValueError("long " * 500), f"soft-tactile: unexpected ValueError: {'long ' * 40}...; {ADVICE}\n"),
    ],
)
def test_an_error_is_one_line(shell: Shell, monkeypatch: pytest.MonkeyPatch, error: Exception, line: str) -> None:
    """Bad data, a full disk, even a defect of the program: one line on stderr, nothing on stdout, exit code 1."""
    fail_with(error, monkeypatch)
    outcome = shell("check")
    assert (outcome.code, outcome.out, outcome.err) == (1, "", line)


def test_help_loads_no_library_but_that_of_the_command_line() -> None:
    """Help, of the whole and of each command, comes at once: none of the libraries that compute is loaded for it."""
    run = subprocess.run([sys.executable, "-c", LIGHT], capture_output=True, text=True, timeout=120, check=True)
    assert run.stdout.count("Usage: ") == 1 + len(command_line.group.list_commands(click.Context(command_line.group)))
    assert run.stderr.split() == []


@pytest.mark.parametrize(
    ("words", "unused"),
    [
        (["check", "missing.yaml"], {"numba", "scipy"}),
        (["score", "missing.csv", "missing.csv"], {"numba", "bokeh"}),
        (["replay", "missing.csv", "--calibration", "missing.yaml", "--out", "out.csv"], {"joblib", "bokeh"}),
        (["calibrate", "--plan"], {"numba", "scipy", "bokeh"}),
        (
            ["calibrate", "--free-bend", "missing.csv", "--press", "missing.csv", "--out", "out.yaml"],
            {"scipy.signal", "scipy.stats", "bokeh", "rosbags", "mcap"},
        ),
        (["characterise", "missing.csv"], {"scipy.signal", "scipy.stats", "rosbags", "mcap"}),
    ],
)
def test_a_command_loads_what_it_uses(words: list[str], unused: set[str]) -> None:
    """A command that computes nothing with a heavy library does not wait for it."""
    program = (
        "import sys\nfrom soft_tactile_node.commands.main import run\nrun(sys.argv[1:])\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    run = subprocess.run(
        [sys.executable, "-c", program, *words], capture_output=True, text=True, timeout=120, check=True
    )
    assert unused & set(run.stderr.split()) == set()


def test_traceback_is_shown_on_request(monkeypatch: pytest.MonkeyPatch) -> None:
    """With --traceback an error comes through whole, for a bug report."""
    fail_with(ZeroDivisionError("division by zero"), monkeypatch)
    with pytest.raises(ZeroDivisionError):
        command_line.run(["--traceback", "check"])


def test_interruption_is_quiet(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C ends a command with one word and the usual exit code of an interrupted program."""
    fail_with(KeyboardInterrupt(), monkeypatch)
    outcome = shell("check")
    assert (outcome.code, outcome.err.strip()) == (130, "soft-tactile: interrupted")


def test_exit_code_reaches_the_shell(tmp_path: Path) -> None:
    """The real program, in a process of its own: one line on stderr, no traceback, exit code 1."""
    (tmp_path / "cal.yaml").write_text("schema_version: [")
    run = subprocess.run(
        [*ENTRY, "check", str(tmp_path / "cal.yaml")], capture_output=True, text=True, timeout=120, check=False
    )
    assert run.returncode == 1
    assert run.stdout == ""
    assert len(run.stderr.splitlines()) == 1
    assert "cal.yaml, line" in run.stderr


def test_a_reader_that_leaves_early_is_no_error(tmp_path: Path) -> None:
    """When the reader of a pipe has gone (head, less), the command ends without a complaint."""
    read_end, write_end = os.pipe()
    os.close(read_end)
    run = subprocess.run(
        [*ENTRY, "--help"], stdout=write_end, stderr=subprocess.PIPE, text=True, timeout=120, check=False
    )
    os.close(write_end)
    assert run.returncode == 1
    assert run.stderr == ""
