"""Processes that tests start can be interrupted, however the tests were started."""

from __future__ import annotations

import os
import subprocess
import sys

from architecture.project import ROOT

STARTS_A_CHILD = """
import signal, subprocess, sys
import conftest
signal.raise_signal(signal.SIGINT)
child = "import signal; signal.raise_signal(signal.SIGINT)"
print(subprocess.run([sys.executable, "-c", child], stderr=subprocess.DEVNULL).returncode)
"""


def test_children_of_tests_in_the_background_can_be_interrupted() -> None:
    """A shell has its background ignore SIGINT: the tests go on doing so, and what they start is ended by it."""
    run = subprocess.run(
        ["sh", "-c", 'trap "" INT; exec "$@"', "sh", sys.executable, "-c", STARTS_A_CHILD],
        env={**os.environ, "PYTHONPATH": str(ROOT / "tests")}, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (run.returncode, run.stdout.strip()) == (0, "-2"), run.stderr
