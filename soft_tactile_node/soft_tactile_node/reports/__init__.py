"""Self-contained report pages: words first, figures with units and uncertainty, then plots."""

from soft_tactile_node.reports.numbers import FigureRow, format_value
from soft_tactile_node.reports.page import Page, PlotEntry
from soft_tactile_node.reports.plots import (
    COLOURS,
    draw_band,
    draw_line,
    draw_points,
    draw_reference,
    make_plot,
    thin_signal,
)

__all__ = [
    "COLOURS",
    "FigureRow",
    "Page",
    "PlotEntry",
    "draw_band",
    "draw_line",
    "draw_points",
    "draw_reference",
    "format_value",
    "make_plot",
    "thin_signal",
]
