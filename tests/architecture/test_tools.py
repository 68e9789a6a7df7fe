"""The static checks are part of the tests, so that one command runs them all."""

from __future__ import annotations

import subprocess
import sys

import pytest

from architecture.project import ROOT


def _run(*command: str) -> str:
    """Run a tool in the project's root; return what it complains about, empty if nothing."""
    run = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert "No module named" not in run.stderr, f"{command[0]} is not installed: make test installs it"
    return "" if run.returncode == 0 else run.stdout + run.stderr


def test_ruff() -> None:
    """Every file passes the linter; exceptions stand in pyproject.toml with their reasons."""
    complaints = _run("ruff", "check", "--quiet", "--output-format=concise", ".")
    assert complaints == ""


@pytest.mark.slow
def test_mypy() -> None:
    """All but the ROS 2 nodes passes the strict type check."""
    complaints = _run("mypy", "--no-error-summary", "--cache-dir=.mypy_cache")
    assert complaints == ""


def test_spelling() -> None:
    """Texts and code are free of common misspellings."""
    complaints = _run("codespell_lib")
    assert complaints == ""
