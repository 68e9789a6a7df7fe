"""What tables and captions of the reports say is what the numbers behind their plots come to.

A number that is told is compared to its last digit with one computed anew from the data that the button below the plot
saves. A caption that says a number of which nothing is known here fails, and so does a plot whose data may change
without anybody noticing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pytest

from soft_tactile_node.reports import plots
from unit.reports.made import PAGES
from unit.reports.plot_claims import CAPTIONS, Compute, Shown, agrees, nothing, press_loop, saved


@pytest.fixture(scope="module", params=list(PAGES))
def report(request: pytest.FixtureRequest) -> Iterator[tuple[str, Shown]]:
    """Give a report with its name; long signals are drawn whole."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plots, "LONGEST", 10**9)
        yield request.param, Shown(PAGES[request.param](patch))


def find(report: str, caption: str) -> tuple[re.Match[str], Compute]:
    """Return what is known of a caption."""
    for pattern, compute in CAPTIONS[report]:
        match = re.fullmatch(pattern, caption.replace("\N{NO-BREAK SPACE}", " "))
        if match:
            return match, compute
    raise AssertionError(f"nothing is known of the numbers in: {caption}")


def wrong(report: str, shown: Shown) -> list[str]:
    """Return what is told otherwise than the plots have it."""
    found = []
    for entry in shown.entries:
        match, compute = find(report, entry.caption)
        claims = list(compute(match, saved(entry.plot), shown))
        assert claims or compute is nothing, entry.caption
        found += [
            f"{told}, the plot has {value:.6g}: {entry.caption}" for told, value in claims if not agrees(told, value)
        ]
    return found


def test_what_is_told_is_what_is_drawn(report: tuple[str, Shown]) -> None:
    """Every number of a caption, and of a table that a plot shows, is that of the plot to its last digit."""
    assert wrong(*report) == []
    known = {pattern for pattern, _ in CAPTIONS[report[0]]}
    assert {find(report[0], entry.caption)[0].re.pattern for entry in report[1].entries} == known


def test_a_plot_that_tells_something_else_is_noticed(report: tuple[str, Shown]) -> None:
    """Wherever a caption or table says a number, other data in the plot are seen: the test above can fail."""
    name, shown = report
    for entry in shown.entries:
        compute = find(name, entry.caption)[1]
        sources = [curve.data_source for curve in entry.plot.renderers if compute is not nothing]
        # the width of the press loop is a figure of many presses: only its reach can be read off the plot
        columns = [(one, key) for one in sources for key in (["x"] if compute is press_loop else drawn(one))]
        assert not sources or any(noticed(name, shown, *column) for column in columns), entry


def drawn(source) -> list[str]:  # type: ignore[no-untyped-def]
    """Return the columns that say how large something is, not when or at which force."""
    numbers = [name for name, column in source.data.items() if np.asarray(column).dtype.kind == "f"]
    return [name for name in numbers if name != "x" or "y" not in numbers]


def noticed(report: str, shown: Shown, source, column: str) -> bool:  # type: ignore[no-untyped-def]
    """Whether other values in a column are noticed."""
    kept = dict(source.data)
    values = np.asarray(kept[column])
    source.data = kept | {column: 1.1 * values[::-1] + 0.05}
    try:
        return wrong(report, shown) != []
    except AssertionError:
        return True
    finally:
        source.data = kept
