"""Plots of a comparison of specimens: a dot with its uncertainty for each, main effects, figures over time."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from bokeh.models import FactorRange, Span

from soft_tactile_node.characterisation.ageing import Ageing
from soft_tactile_node.characterisation.compare import Effect
from soft_tactile_node.characterisation.table import Characterised, Kind
from soft_tactile_node.reports.characterise_text import effect_sentence, shown, spread_sentences
from soft_tactile_node.reports.page import PlotEntry
from soft_tactile_node.reports.plots import INK, draw_bars, make_plot

ROW_PX, FRAME_PX = 26, 120
"""Height of a row of dots, and of the frame around them, in screen pixels (1)."""


def plot_kind(items: Sequence[Characterised], kind: Kind) -> PlotEntry:
    """Return the figure `kind` of all `items`, as dots with expanded uncertainty and what they show."""
    known = [(item.label, cell) for item in items if (cell := item.cell(kind)) is not None]
    labels = [label for label, _ in known]
    plot = make_plot(
        f"{kind.title} ({kind.unit})", "", height=FRAME_PX + ROW_PX * len(known), y_range=FactorRange(*labels[::-1])
    )
    draw_bars(plot, np.array([cell.value for _, cell in known]), labels, _bars([cell.expanded for _, cell in known]))
    told = " ".join(spread_sentences(items, [kind])) if len(items) > 1 else f"{kind.title}: {shown(items[0], kind)}."
    return PlotEntry(plot, f"{told} Bars are the expanded uncertainty (95 %).")


def plot_effects(effects: Sequence[Effect]) -> PlotEntry:
    """Return `effects` (one or more) on one figure, as dots with expanded uncertainty and what they show."""
    kind = effects[0].kind
    labels = [f"{effect.factor}: {effect.low} to {effect.high}" for effect in effects]
    plot = make_plot(
        f"change of {kind.title.lower()} ({kind.unit})",
        "",
        height=FRAME_PX + ROW_PX * len(labels),
        y_range=FactorRange(*labels[::-1]),
    )
    plot.add_layout(Span(location=0.0, dimension="height", line_dash="dotted", line_color=INK, tags=["ink"]))
    sizes = np.array([effect.size for effect in effects])
    draw_bars(plot, sizes, labels, _bars([effect.uncertainty.expanded for effect in effects]))
    return PlotEntry(plot, f"{effect_sentence(effects)} Bars that cross zero show no effect.")


def plot_ageing(ageing: Ageing, kind: Kind) -> PlotEntry:
    """Return the figure `kind` of a finger over time, from `ageing`."""
    first = ageing.items[0].made_on
    known = [(item, cell) for item in ageing.items if (cell := item.cell(kind)) is not None]
    days = np.array([(item.made_on - first).days for item, _ in known if item.made_on and first], dtype=np.float64)
    plot = make_plot(f"days since {first}", f"{kind.title} ({kind.unit})", height=300)
    values = np.array([cell.value for _, cell in known])
    draw_bars(plot, days, values, _bars([cell.expanded for _, cell in known]), upright=True)
    return PlotEntry(plot, f"{kind.title} of {ageing.finger}, with the expanded uncertainty (95 %).")


def _bars(expanded: Sequence[float | None]) -> np.ndarray:
    return np.array([0.0 if part is None or math.isnan(part) else part for part in expanded])
