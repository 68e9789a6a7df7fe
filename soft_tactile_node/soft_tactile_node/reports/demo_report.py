"""The page the demo leaves behind: what happened, what was found, how it looked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.reports.estimate_parts import draw_force, score_rows
from soft_tactile_node.reports.numbers import FigureRow
from soft_tactile_node.reports.page import Page, PlotEntry
from soft_tactile_node.reports.plots import draw_line, make_plot
from soft_tactile_node.samples import Array, Flag
from soft_tactile_node.scoring import score
from soft_tactile_node.scoring.findings import Finding, FingerRecord
from soft_tactile_node.scoring.runs import find_runs

Table = TypeVar("Table", EstimateTable, Truth)

ITEM_NAMES = {"bun": "choux bun", "roll": "rye roll", "jar": "jam jar"}
"""What the items are called in words."""

LEAST_PIECE_S = 3.0
"""Shorter stretches between two tares are not scored (s)."""


@dataclass(frozen=True)
class DemoRun:
    """Everything the page is made from; times in seconds from the start of the demo.

    Attributes
    ----------
    seed : int
        Specimens, items and noise.
    rate_hz : float
        Scans in a second (Hz).
    records : mapping of str to FingerRecord
        By finger.
    findings : sequence of Finding
        Every contact and slip with its verdict.
    spans : sequence of (float, str)
        From when on which item lay on the tray (s, name).
    outcomes : mapping of str to str
        How each pick ended, in the controller's words.
    story : sequence of (float, str, str)
        Time (s), who, what.
    pressure : mapping of str to numpy.ndarray, shape (n, 2)
        Time (s) and commanded pressure (gauge Pa) by finger.
    lift : numpy.ndarray, shape (n, 2)
        Time (s) and commanded height above the tray (m).
    height : numpy.ndarray, shape (n, 2)
        Time (s) and true height of the item above the tray (m); NaN = no item.
    latency_s : numpy.ndarray, shape (n,)
        From acquisition to the onlooker, all fingers (s).
    phases_s : mapping of str to float
        How long each part of the demo took (s).
    fault : str
        The fault that was practised, in words; empty = none.
    """

    seed: int
    rate_hz: float
    records: Mapping[str, FingerRecord]
    findings: Sequence[Finding]
    spans: Sequence[tuple[float, str]]
    outcomes: Mapping[str, str]
    story: Sequence[tuple[float, str, str]]
    pressure: Mapping[str, Array]
    lift: Array
    height: Array
    latency_s: Array
    phases_s: Mapping[str, float] = field(default_factory=dict)
    fault: str = ""


def write_demo_report(run: DemoRun, path: str | Path) -> None:
    """Write the page of `run` to the HTML file `path`; RecordingError if it cannot be written."""
    build_demo_page(run).write(path)


def build_demo_page(run: DemoRun) -> Page:
    """Return the report of `run` as a page: summary, figures, contacts and slips, plots of each item, story."""
    page = Page(
        "A two-finger soft gripper on the bakery packing bench",
        subtitle=f"Demo on the simulated gripper, seed {run.seed}, {run.rate_hz:.0f} scans a second; all invented",
        footer="Made by `soft-tactile demo`. Gripper, fingers, items and all their numbers are invented. "
        "Not a safety-rated device: do not use it as the only protection of a person.",
    )
    page.add_summary(*summarise(run))
    page.add_figures(
        "Figures",
        _figures(run),
        text="Both fingers pooled, all but the tares, beside the simulator's truth.",
    )
    rows = [
        [f"{f.time_s:.2f}", f.finger, ITEM_NAMES.get(f.item, f.item), f.kind, f.verdict, _delay(f)]
        for f in run.findings
    ]
    page.add_table(
        "Contacts and slips", ["Began (s)", "Finger", "Item", "What", "Verdict", "Reported after (ms)"], rows,
        text="Every true contact and slip of the simulator, and every report without one. A negative time is a touch "
        "reported before its force had reached 0.05 N, from where on it counts.",
    )  # fmt: skip
    for number, (begin_s, item) in enumerate(run.spans):
        end_s = run.spans[number + 1][0] if number + 1 < len(run.spans) else np.inf
        name = ITEM_NAMES.get(item, item).capitalize()
        page.add_plots(name, _item_plots(run, begin_s, end_s), text=f"Outcome: {run.outcomes.get(item, 'not picked')}.")
    page.add_table(
        "What happened", ["Time (s)", "Who", "What"], [[f"{t:.2f}", who, what] for t, who, what in run.story]
    )
    return page


def summarise(run: DemoRun) -> list[str]:
    """Return the result of `run` in sentences, most important first."""
    sentences = []
    for kind in ("contact", "slip"):
        mine = [finding for finding in run.findings if finding.kind == kind]
        counts = {verdict: sum(f.verdict == verdict for f in mine) for verdict in ("found", "missed", "invented")}
        true = counts["found"] + counts["missed"]
        sentences.append(f"{counts['found']} of {true} {kind}s found, {counts['invented']} invented.")
    sentences += [f"Not as it should be: {f.in_words()}." for f in run.findings if f.verdict != "found"]
    sentences += [
        f"{ITEM_NAMES.get(item, item).capitalize()}: {run.outcomes.get(item, 'not picked')}." for _, item in run.spans
    ]
    if run.fault:
        sentences.append(f"Fault practised: {run.fault}.")
    if run.phases_s:
        sentences.append("Took " + ", ".join(f"{value:.0f} s {name}" for name, value in run.phases_s.items()) + ".")
    return sentences


def _delay(finding: Finding) -> str:
    return "-" if np.isnan(finding.delay_s) else f"{finding.delay_s * 1e3:.0f}"


def _figures(run: DemoRun) -> list[FigureRow]:
    pairs = [
        pair
        for record in run.records.values()
        for pair in _between_tares(record.estimate, record.truth)
        if len(pair[0])
    ]
    rows = score_rows(score(pairs).figures)
    if len(run.latency_s):
        age_ms = run.latency_s * 1e3
        rows.append(
            FigureRow(
                "Age of an estimate at another process, median", float(np.median(age_ms)), "ms", remark="over DDS"
            )
        )
        rows.append(FigureRow("Age of an estimate, 99 % below", float(np.quantile(age_ms, 0.99)), "ms"))
    return rows


def _between_tares(estimate: EstimateTable, truth: Truth) -> list[tuple[EstimateTable, Truth]]:
    """Cut an estimate where a tare was taken, when no force is promised; each piece with its truth."""
    taring = (estimate.flags & int(Flag.TARE)) != 0
    pieces = []
    for first, after in zip(*find_runs(~taring), strict=True):
        begin_s, end_s = estimate.time_s[first], estimate.time_s[after - 1]
        if end_s - begin_s > LEAST_PIECE_S:
            pieces.append((_rows(estimate, slice(first, after)), _rows(truth, _cut(truth, begin_s, end_s))))
    return pieces


def _item_plots(run: DemoRun, begin_s: float, end_s: float) -> list[PlotEntry]:
    entries: list[PlotEntry] = []
    shared = None
    for finger, record in run.records.items():
        name = finger.replace("_", " ")
        plot = make_plot("time (s)", f"normal force (N), {name}", height=300, x_range=shared)
        shared = shared or plot.x_range
        estimate = _rows(record.estimate, _cut(record.estimate, begin_s, end_s))
        truth = _rows(record.truth, _cut(record.truth, begin_s, end_s))
        draw_force(plot, estimate, truth, [event for event in record.events if begin_s <= event.time_s < end_s])
        entries.append(
            PlotEntry(
                plot,
                f"Normal force on the pad of the {name}: estimate with its 2 sigma band over the truth. "
                "Shaded: the object truly slides. Dots: reported contacts and releases, and reported slips.",
            )
        )
    plot = make_plot("time (s)", "pressure (kPa)", height=260, x_range=shared)
    for number, (finger, rows) in enumerate(run.pressure.items()):
        mine = _within(rows, begin_s, end_s)
        draw_line(plot, mine[:, 0], mine[:, 1] * 1e-3, finger.replace("_", " "), number)
    entries.append(PlotEntry(plot, "Pressure the controller asks for; a slip makes it ask for more."))
    plot = make_plot("time (s)", "height (mm)", height=260, x_range=shared)
    lift, height = _within(run.lift, begin_s, end_s), _within(run.height, begin_s, end_s)
    draw_line(plot, lift[:, 0], lift[:, 1] * 1e3, "gripper", 0)
    draw_line(plot, height[:, 0], height[:, 1] * 1e3, "item", 1)
    entries.append(
        PlotEntry(plot, "Height of the gripper as commanded, and of the item as it truly was, above the tray.")
    )
    return entries


def _rows(table: Table, rows: slice) -> Table:
    """Return some rows of a table whose fields are all one value a row."""
    return replace(table, **{each.name: getattr(table, each.name)[rows] for each in fields(table)})


def _within(rows: Array, begin_s: float, end_s: float) -> Array:
    return rows[(rows[:, 0] >= begin_s) & (rows[:, 0] < end_s)]


def _cut(table: EstimateTable | Truth, begin_s: float, end_s: float) -> slice:
    first, last = np.searchsorted(table.time_s, (begin_s, end_s))
    return slice(int(first), int(last))
