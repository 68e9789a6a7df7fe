"""The table that `pytest tests/reference` prints: check, source, expected, got, tolerance."""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike

SHARED = Path(__file__).resolve().parents[2] / "shared" / "reference"
ROWS = pytest.StashKey[list[tuple[str, str, str, str, str]]]()


def _short(value: Any) -> str:
    array = np.asarray(value, dtype=float)
    return f"{float(array):.8g}" if array.ndim == 0 else f"{array.size} values"


@dataclass
class ReferenceTable:
    """Compares a value with its reference and keeps the row for the printed table."""

    rows: list[tuple[str, str, str, str, str]] = field(default_factory=list)

    def close(
        self,
        check: str,
        got: ArrayLike,
        expected: ArrayLike,
        source: str,
        *,
        rtol: float = 0.0,
        atol: float = 0.0,
    ) -> None:
        """Assert |got - expected| <= atol + rtol |expected| everywhere, after writing the row."""
        tolerance = f"{rtol:g} rel" if atol == 0.0 else (f"{atol:g} abs" if rtol == 0.0 else f"{rtol:g} rel + {atol:g}")
        shown = _short(got)
        value, wanted = np.asarray(got, dtype=float), np.asarray(expected, dtype=float)
        if value.ndim and value.shape == wanted.shape:
            error = np.abs(value - wanted)
            size = np.ones_like(wanted) if atol > 0.0 else np.where(wanted == 0.0, 1.0, np.abs(wanted))
            worst = np.max(error / size)
            shown = f"worst {worst:.1e} {'abs' if atol > 0.0 else 'rel'}"
        self.rows.append((check, source, _short(expected), shown, tolerance))
        np.testing.assert_allclose(value, wanted, rtol=rtol, atol=atol, err_msg=f"{check} [{source}]")

    def between(self, check: str, got: float, low: float, high: float, source: str) -> None:
        """Assert low <= got <= high, after writing the row."""
        self.rows.append((check, source, f"{low:.6g} to {high:.6g}", f"{got:.8g}", "range"))
        assert low <= got <= high, f"{check} [{source}]: {got} not in {low} to {high}"


@pytest.fixture
def table(request: pytest.FixtureRequest) -> Any:
    """Yield a table whose rows are printed at the end of the run."""
    made = ReferenceTable()
    yield made
    request.config.stash.setdefault(ROWS, []).extend(made.rows)


@pytest.fixture(scope="session")
def read_table() -> Any:
    """Return a reader of shared/reference: rows as dictionaries, numbers as floats, comment lines skipped."""

    def read(name: str) -> list[dict[str, Any]]:
        with (SHARED / name).open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
        return [{key: _number(value) for key, value in row.items()} for row in rows]

    return read


def _number(text: str) -> Any:
    try:
        return float(text)
    except ValueError:
        return text


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Print the table."""
    rows = config.stash.get(ROWS, [])
    if not rows:
        return
    terminalreporter.section("reference values")
    header = ("check", "source", "expected", "got", "tolerance")
    widths = [min(64, max(len(row[i]) for row in [header, *rows])) for i in range(5)]
    for row in [header, *rows]:
        terminalreporter.write_line("  ".join(cell[:64].ljust(width) for cell, width in zip(row, widths)).rstrip())
