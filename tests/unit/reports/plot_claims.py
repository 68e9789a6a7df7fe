"""What is known of every caption of the reports: its numbers, computed anew from the data behind its plot."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from decimal import Decimal

import numpy as np

from soft_tactile_node.reports.page import Page
from soft_tactile_node.samples import Array

Curves = dict[str, dict[str, Array]]
"""Columns behind each curve of a plot, by its name in the legend."""

Claim = tuple[str, float]
"""A number as it is told, and as the plots have it."""

PLAIN = r"[-+]?\d[\d.]*(?:e[-+]?\d+)?"
NUMBER = rf"({PLAIN})"
TOUCHED_N = 0.05


def saved(plot) -> Curves:  # type: ignore[no-untyped-def]
    """Return the numbers that a plot saves, as `numbers` of reports/page.js gathers them."""
    names = {
        id(renderer): item.label.value for legend in plot.legend for item in legend.items for renderer in item.renderers
    }
    return {
        names.get(id(curve), f"curve {number}"): {
            name: np.asarray(column) for name, column in curve.data_source.data.items()
        }
        for number, curve in enumerate(plot.renderers, start=1)
    }


def agrees(told: str, value: float) -> bool:
    """Whether a number, rounded as it is told, is the value."""
    step = 10.0 ** int(Decimal(told).as_tuple().exponent)
    return abs(float(told) - value) <= 0.501 * step


class Shown:
    """The plots and words of a page."""

    def __init__(self, page: Page) -> None:
        self.sections = {section.heading: section for section in page._sections}
        self.entries = [entry for section in page._sections for entry in section.entries]
        self.summary = " ".join(page._sections[0].points)

    def curves(self, label: str, axis: int = 1) -> Curves:
        """Return the numbers of the first plot whose axis has a label: 0 = x, 1 = y."""
        return next(
            saved(entry.plot)
            for entry in self.entries
            if label in str((entry.plot.xaxis, entry.plot.yaxis)[axis][0].axis_label)
        )

    def cell(self, heading: str, row: str, column: int = 1) -> str:
        """Return a cell of a table by the name of its row."""
        told = next(cells[column] for cells in self.sections[heading].rows if cells[0] == row)
        return told.replace("\N{NO-BREAK SPACE}", " ")


def rms(values: Array) -> float:
    """Return the root mean square of what is known; NaN, which agrees with nothing, where nothing is."""
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else float("nan")


def held(curves: Curves) -> Array:
    """Return which rows of the calibration report's press recording were held out."""
    return np.asarray(np.floor(curves["estimate"]["x"] / 10.0) % 3 == 2)


# -- captions: a pattern of the whole caption, and what its numbers are

Compute = Callable[[re.Match[str], Curves, Shown], Iterator[Claim]]


def nothing(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell of a caption that says no number."""
    yield from ()


def force_over_time(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the held-out error and the largest force, and the errors of both estimates in the table and the summary."""
    reference, rows = curves["reference"]["y"], held(curves)
    errors = [(curves[name]["y"] - reference)[rows] for name in ("estimate", "static polynomial")]
    yield match[2], rms(errors[0])
    yield match[3], float(np.nanmax(np.abs(reference)))
    touched = np.linalg.norm([shown.curves(f"force {axis} (N)")["reference"]["y"][rows] for axis in "xyz"], axis=0)
    for column, error in enumerate(errors, start=1):
        for name, kept in (("presses", error), ("touched samples", error[touched >= TOUCHED_N])):
            row = f"force {match[1]}, {name}, rms error"
            yield shown.cell("Beside a static polynomial", row, column), rms(kept)
    if match[1] == "z":
        told = re.search(rf"is off by {NUMBER} N rms; .* is off by {NUMBER} N\.", shown.summary)
        assert told
        yield from zip(told.groups(), map(rms, errors), strict=True)


def against_reference(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the slope of estimate over reference."""
    yield match[1], float(np.polyfit(curves["estimate"]["x"], curves["estimate"]["y"], 1)[0])


def residuals(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell mean and spread in the last bin."""
    for name, first in (("estimate", 1), ("static polynomial", 5)):
        mean, band = curves[f"{name}, mean"], curves[f"{name}, ± 1 standard deviation"]
        yield match[first], float(mean["x"][-1])
        if match[first + 1]:
            yield match[first + 1], float(mean["y"][-1]) * (-1.0 if match[first + 2] == "low" else 1.0)
        yield match[first + 3], float(band["y2"][-1] - band["y1"][-1]) / 2.0


def honesty(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the area of the bars between -2 and 2."""
    bars = curves["curve 1"]
    inside = np.abs(bars["left"] + bars["right"]) < 4.0
    yield match[1], 100.0 * float(np.sum((bars["top"] * (bars["right"] - bars["left"]))[inside]))


def split(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell that the parts add up to the change."""
    rest = curves["change"]["y"] - sum(curves[name]["y"] for name in ("bending", "contact", "drift"))
    yield "0.0000", float(np.nanmax(np.abs(rest)))


def pressure_loop(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell what a cubic leaves of the loop."""
    loop = curves["curve 1"]
    left = loop["y"] - np.polynomial.Polynomial.fit(loop["x"], loop["y"], 3)(loop["x"])
    yield match[1], 100.0 * rms(left) / float(np.ptp(loop["y"]))


def press_loop(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the hysteresis of the table; the loop reaches as far as the force over time."""
    assert match[1] == shown.cell("Figures of merit", "hysteresis") + " % of span"
    reached = float(np.nanmax(shown.curves("force z (N)")["reference"]["y"]))
    yield f"{reached:.4f}", float(np.nanmax(curves["curve 1"]["x"]))


def dots(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell value and uncertainty of each specimen, in the table and, of the best and the last, in words."""
    data = curves["curve 2"]
    title = next(str(e.plot.xaxis[0].axis_label) for e in shown.entries if e.caption == match[0])
    section = next(one for one in shown.sections.values() if title in one.columns)
    column = section.columns.index(title)
    told = {row[0]: row[column] for row in section.rows}
    told |= dict(re.findall(rf"(\w+) (?:is best|last) with ((?:below )?{PLAIN}(?: ± {PLAIN})?)", match[0]))
    for label, value, half in zip(data["y"], data["x"], data["half"], strict=True):
        yield from told_with_uncertainty(told[label], float(value), float(half))


def told_with_uncertainty(told: str, value: float, half: float) -> Iterator[Claim]:
    """Tell a value with its uncertainty, or the bound that it sets."""
    if told.startswith("below "):
        yield told.removeprefix("below "), half
        return
    first, _, second = told.partition(" ± ")
    yield first, value
    if second:
        yield second, half


def effects(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the size of each effect that was seen, in the order of its size."""
    data = curves["curve 2"]
    order = np.argsort(-np.abs(data["x"]))
    for k, (way, told) in zip(order, re.findall(r"(raises|lowers) it by (\S+ ± \S+)", match[0]), strict=False):
        yield from told_with_uncertainty(told, (1.0 if way == "raises" else -1.0) * data["x"][k], data["half"][k])


def over_time(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell each dot in the table of its figure."""
    title = next(str(e.plot.yaxis[0].axis_label) for e in shown.entries if e.caption == match[0])
    section = next(one for one in shown.sections.values() if title in one.columns)
    column, data = section.columns.index(title), curves["curve 2"]
    for row, value, half in zip(section.rows, data["y"], data["half"], strict=True):
        yield from told_with_uncertainty(row[column], float(value), float(half))


def response(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell which design has changed most, and by how much; the summary says it of the best."""
    ends = {name: curve["y"][-1] for name, curve in curves.items() if name.startswith("design")}
    assert f"design {match[2]}" == max(ends, key=lambda name: abs(ends[name]))
    yield match[1], float(curves[f"design {match[2]}"]["x"][-1])
    yield match[3], float(ends[f"design {match[2]}"])
    best = re.search(rf"(?:rises|falls) by {NUMBER} % at", shown.summary)
    assert best
    yield best[1], abs(float(next(iter(ends.values()))))


def slope(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell that no slope of a design that responds to its full load falls below the dotted line."""
    full = saved(shown.entries[0].plot)
    for row in shown.sections["Designs, best first"].rows:
        if agrees(row[-1], float(full[f"design {row[0]}"]["x"][-1])):
            yield "100", float(curves[f"design {row[0]}"]["y"].max())
            assert curves[f"design {row[0]}"]["y"].min() > curves["curve 4"]["y"][0]


def shear(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell which design shows most shear."""
    curve = curves[f"design {match[2]}"]
    yield match[1], float(curve["x"][-1])
    yield match[3], float(curve["y"][-1])
    yield match[3], max((one["y"][-1] for name, one in curves.items() if name.startswith("design")), key=abs)


def between(names: Array, values: Array, match: re.Match[str]) -> Iterator[Claim]:
    """Tell the smallest and the largest of a figure, and whose they are."""
    order = np.argsort(values)
    assert (match[2], match[4]) == (str(names[order[0]]), str(names[order[-1]]))
    yield match[1], float(values[order[0]])
    yield match[3], float(values[order[-1]])


def snr(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the ends of the ranking, and each bar in the table."""
    names, tops = (np.concatenate([curve[name] for curve in curves.values()]) for name in ("x", "top"))
    yield from between(names, tops, match)
    heading = shown.sections["Designs, best first"]
    for name, top in zip(names, tops, strict=True):
        yield shown.cell("Designs, best first", name, heading.columns.index("SNR (dB)")).rstrip("*"), float(top)


def tradeoff(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the ends of what bending looks like, and each dot in both tables."""
    names, bends, loud = (np.concatenate([one[name] for one in curves.values()]) for name in ("design", "bend", "snr"))
    yield from between(names, bends, match)
    for heading, column, values in (
        ("What else moves the signal", "At worst as cast (N)", bends),
        ("Designs, best first", "SNR (dB)", loud),
    ):
        for name, value in zip(names, values, strict=True):
            told = shown.cell(heading, str(name), shown.sections[heading].columns.index(column))
            yield told.rstrip("*"), float(value)


def stand_off(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell each dot in the table."""
    heading = "What else moves the signal"
    for plate, data in curves.items():
        column = shown.sections[heading].columns.index(f"{plate} at (mm)")
        for name, value in zip(data["x"], data["y"], strict=True):
            yield shown.cell(heading, str(name), column), float(value)


def replayed_force(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell how far an axis of the force goes, and its largest value, its error and its events in the tables."""
    estimate = curves["estimate"]
    yield match[2], float(np.nanmin(estimate["y"]))
    yield match[3], float(np.nanmax(estimate["y"]))
    if match[1] != "z":
        return
    row = int(np.nanargmax(estimate["y"]))
    yield shown.cell("Figures", "Largest normal force"), float(estimate["y"][row])
    hardest = re.search(rf"the hardest reached {NUMBER} N at {NUMBER} s", shown.summary)
    assert hardest
    yield hardest[1], float(estimate["y"][row])
    yield hardest[2], float(estimate["x"][row])
    truth = np.column_stack([shown.curves(f"force {axis} (N)")["truth"]["y"] for axis in "xyz"])
    touched = (np.linalg.norm(truth, axis=1) >= TOUCHED_N) & (estimate["x"] >= 1.0)
    off = estimate["y"] - truth[:, 2]
    yield shown.cell("Figures", "Normal force, RMSE while touching"), rms(off[touched])
    yield shown.cell("Figures", "Normal force without contact, rms"), rms(off[~touched])
    marked = curves["contact, release"]["x"]
    rows = [one for one in shown.sections["Events"].rows if one[1] in ("contact", "release")]
    assert len(rows) == len(marked)
    for one, time_s in zip(rows, marked, strict=True):
        yield one[0], float(time_s)
        yield one[4], float(estimate["y"][int(np.argmin(np.abs(estimate["x"] - time_s)))])


def replayed_touch(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell for how long and how often touches were reported, and how likely they were."""
    reported, likely = curves["touch reported"], curves["probability"]
    share = 100.0 * float(np.mean(reported["y"]))
    yield match[1], share
    yield shown.cell("Figures", "Scans in which a touch is reported"), share
    begun = np.flatnonzero(np.diff(reported["y"]) == 1.0) + 1
    yield shown.cell("Figures", "Touches reported"), float(len(begun))
    rows = [row for row in shown.sections["Events"].rows if row[1] == "contact"]
    assert len(rows) == len(begun)
    for row, k in zip(rows, begun, strict=True):
        yield row[0], float(reported["x"][k])
        yield row[5], float(likely["y"][k])


def replayed_pressure(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell the largest pressure in the table."""
    yield shown.cell("Figures", "Largest pressure"), float(np.max(curves["curve 1"]["y"]))


def demo_force(match: re.Match[str], curves: Curves, shown: Shown) -> Iterator[Claim]:
    """Tell when a finger reported its contacts, and the error over all plots of force."""
    marks = curves["contact, release"]["x"]
    span = curves["estimate"]["x"][[0, -1]]
    for began, who, _, what, verdict, after_ms in shown.sections["Contacts and slips"].rows:
        if who == match[1].replace(" ", "_") and what == "contact" and span[0] <= float(began) <= span[1]:
            assert verdict == "found"
            reported_s = float(began) + 1e-3 * float(after_ms)
            yield f"{reported_s:.2f}", float(marks[np.argmin(np.abs(marks - reported_s))])
    pooled = [saved(entry.plot) for entry in shown.entries if "normal force" in str(entry.plot.yaxis[0].axis_label)]
    truth, off = (np.concatenate(parts) for parts in zip(*map(truth_and_error, pooled), strict=True))
    yield shown.cell("Figures", "Normal force, RMSE while touching"), rms(off[truth >= TOUCHED_N])
    yield shown.cell("Figures", "Normal force without contact, rms"), rms(off[truth < TOUCHED_N])


def truth_and_error(curves: Curves) -> tuple[Array, Array]:
    """Return truth and error of a plot of the demo, its first second left out."""
    late = curves["estimate"]["x"] >= 1.0
    return curves["truth"]["y"][late], (curves["estimate"]["y"] - curves["truth"]["y"])[late]


CAPTIONS: dict[str, tuple[tuple[str, Compute], ...]] = {
    "calibrate": (
        (r"Channels of the [\w-]+ recording \S+\.", nothing),
        (r"Gauge pressure of the [\w-]+ recording\.", nothing),
        (r"Coil \d: change and its parts\.", split),
        (
            rf"Force (\w) in \S+: .* the estimate is off by {NUMBER} N rms where the force reaches {NUMBER} N\.",
            force_over_time,
        ),
        (rf"Force against reference .* A newton more on the pad reads as {NUMBER} N more\.", against_reference),
        (
            "Residuals by force: .*"
            + "".join(
                rf" At {NUMBER} N the {name} is (?:right|{NUMBER} N too (low|high)) on the mean and scatters by "
                rf"{NUMBER} N\."
                for name in ("estimate", "static polynomial")
            ),
            residuals,
        ),
        (rf"Honesty of the variance .* ± 5 .* promises\. {NUMBER} % of the samples .* 95 % should: .*", honesty),
        (rf"Coil \d against pressure in \S+\. .* leaves {NUMBER} % of the span \(rms\)\.", pressure_loop),
        (r"Sum of the channels against .* hysteresis is (.*)\.", press_loop),
    ),
    "characterise": (
        (r".* of left, with the expanded uncertainty \(95 %\)\.", over_time),
        (r".* Bars are the expanded uncertainty \(95 %\)\.", dots),
        (r".* Bars that cross zero show no effect\.", effects),
    ),
    "design": (
        (rf"Change of the normal signal .* At {NUMBER} N design (\d) has changed most, by {NUMBER} %\.\D*", response),
        (r"Where a design stops responding: \D*", slope),
        (rf"Difference signal .* At {NUMBER} N design (\d) shows most, {NUMBER} nH\.", shear),
        (rf"Signal-to-noise .* it lies between {NUMBER} dB \(design (\d)\) and {NUMBER} dB \(design (\d)\)\.", snr),
        (rf"A good pad .* it lies between {NUMBER} N \(design (\d)\) and {NUMBER} N \(design (\d)\)\.", tradeoff),
        (r"How far away metal must stay to read less than 0\.05 N; \D*", stand_off),
    ),
    "replay": (
        (rf".*, (\w) of the pad: .* 2 sigma .* It lies between {NUMBER} N and {NUMBER} N\. \D*", replayed_force),
        (rf"Probability of a touch, and whether one was reported: in {NUMBER} % of the scans\.", replayed_touch),
        (r"Gauge pressure in the finger, as recorded\.", replayed_pressure),
        (r"Coil \d: change and its parts\.", split),
    ),
    "demo": (
        (r"Normal force on the pad of the (\w+ finger): estimate with its 2 sigma \D*", demo_force),
        (r"Pressure the controller asks for; \D*", nothing),
        (r"Height of the gripper \D*", nothing),
    ),
}
"""Every caption of every report, whole, and what its numbers are computed from."""
