"""The report of a comparison of specimens: verdict, table, effects of the design, ageing, plots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from soft_tactile_node.characterisation.ageing import Ageing
from soft_tactile_node.characterisation.compare import main_effects
from soft_tactile_node.characterisation.table import Characterised, Kind, shown_kinds
from soft_tactile_node.reports.characterise_plots import plot_ageing, plot_effects, plot_kind
from soft_tactile_node.reports.characterise_text import (
    effect_sentences,
    spread_sentences,
    trend_sentences,
    verdict,
)
from soft_tactile_node.reports.numbers import format_figure, format_value
from soft_tactile_node.reports.page import Page

FOOTER = (
    "± is the expanded uncertainty at a level of confidence of 95 %, from the scatter within the recordings, without "
    "that of the force reference. Of many comparisons about one in twenty differs by chance. Not a safety-rated device."
)
AGEING_PLOTS = ("sensitivity", "hysteresis", "creep", "force_error")


def write_characterise_report(
    path: str | Path, items: Sequence[Characterised], ageing: Sequence[Ageing], failed: Mapping[str, str]
) -> None:
    """Write the report as one HTML file.

    Parameters
    ----------
    path : str or pathlib.Path
        HTML file to write.
    items : sequence of Characterised
        The specimens, at least one.
    ageing : sequence of Ageing
        Fingers over time.
    failed : mapping of str to str
        Specimens that could not be characterised, with the reason.

    Raises
    ------
    RecordingError
        If the file cannot be written.
    """
    build_characterise_page(items, ageing, failed).write(path)


def build_characterise_page(
    items: Sequence[Characterised], ageing: Sequence[Ageing], failed: Mapping[str, str]
) -> Page:
    """Return the report as a page.

    Parameters
    ----------
    items, ageing, failed
        See `write_characterise_report`.

    Returns
    -------
    Page
        Verdict, what differs, table, effects, ageing, plots, definitions.
    """
    kinds = shown_kinds(items)
    several = len(items) > 1
    count = f"{len(items)} specimens side by side" if several else items[0].label
    page = Page("Sensor characteristics", subtitle=count, footer=FOOTER)
    page.add_summary(*verdict(items, ageing, failed))
    effects = [found for kind in kinds if (found := main_effects(items, kind))]
    if effects:
        page.add_text("What the design does", "Main effects by least squares.", points=effect_sentences(effects))
    if several:
        page.add_text("What differs between specimens", points=spread_sentences(items, kinds))
    for group in dict.fromkeys(kind.group for kind in kinds):
        page.add_table(group, *_figures(items, [kind for kind in kinds if kind.group == group]))
    page.add_table("Valid range", *_ranges(items), text="What the recordings cover; beyond it nothing is known.")
    for one in ageing:
        _add_ageing(page, one)
    seen = [found for found in effects if any(effect.seen for effect in found)]
    if seen:
        page.add_plots("Effects of the design", [plot_effects(found) for found in seen])
    page.add_plots("Figures", [plot_kind(items, kind) for kind in kinds])
    definitions = [[kind.title, kind.unit, _definition(items, kind)] for kind in kinds]
    page.add_table("Definitions", ["Figure", "Unit", "Definition"], definitions)
    return page


def _definition(items: Sequence[Characterised], kind: Kind) -> str:
    return next(item.record.figures[kind.name].definition for item in items if kind.name in item.record.figures)


def _figures(items: Sequence[Characterised], kinds: Sequence[Kind]) -> tuple[list[str], list[list[str]]]:
    rows = []
    for item in items:
        cells = [item.cell(kind) for kind in kinds]
        shown = ["not known" if cell is None else format_figure(cell.value, cell.expanded) for cell in cells]
        rows.append([item.label, *shown])
    return ["Specimen", *[f"{kind.title} ({kind.unit})" for kind in kinds]], rows


def _ranges(items: Sequence[Characterised]) -> tuple[list[str], list[list[str]]]:
    columns = ["Specimen", "Pressure (kPa, gauge)", "Normal force (N)", "Shear (N)", "Temperature (°C)", "Recorded on"]
    rows = []
    for item in items:
        ranges = item.record.ranges
        heat = ranges.temperature_c
        low, high = (max(part, 0.0) / 1e3 for part in ranges.pressure_pa)
        shear = f"0 to {ranges.force_shear_n:.2g}" if item.record.force_map.axes == 3 else "not told"
        rows.append(
            [
                item.label,
                f"{low:.0f} to {high:.0f}",
                f"0 to {ranges.force_normal_n:.2g}",
                shear,
                f"{heat[0]:.0f} to {heat[1]:.0f}" if heat else "not measured",
                f"{item.made_on} ({item.dated_by})" if item.made_on else "not known",
            ]
        )
    return columns, rows


def _add_ageing(page: Page, ageing: Ageing) -> None:
    """Add the drifts of a finger and its figures over time."""
    rows = []
    for item, drifts in zip(ageing.items[1:], ageing.drifts, strict=True):
        for drift in drifts:
            size = format_value(drift.size, drift.uncertainty.expanded)
            rows.append([f"{item.made_on}", drift.cause, size, drift.evidence, "yes" if drift.seen else "no"])
    page.add_table(
        f"{ageing.finger} over time",
        ["Date", "Cause", "Drift (% of span)", "Told from", "Matters"],
        rows,
        text=f"Change of the response to the largest force against {ageing.items[0].made_on}. "
        + " ".join(trend_sentences([ageing])),
    )
    kinds = [kind for kind in shown_kinds(ageing.items) if kind.name in AGEING_PLOTS]
    page.add_plots(f"Figures of {ageing.finger} over time", [plot_ageing(ageing, kind) for kind in kinds])
