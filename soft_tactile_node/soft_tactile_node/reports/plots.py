"""Plots of one look: axis labels with units, colours that colour-blind readers tell apart, long signals thinned."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from bokeh.models import ColumnDataSource, HoverTool
from bokeh.plotting import figure

from soft_tactile_node.checks import check_shape
from soft_tactile_node.samples import Array

COLOURS = ("#0072B2", "#E69F00", "#009E73", "#CC79A7", "#56B4E9", "#D55E00")
"""Colours by the order in which they are used, from M. Okabe and K. Ito, Color Universal Design (2008)."""

DASHES = ("solid", "dashed", "dotdash", "dotted", "dashdot", "solid")
"""Line styles that go with the colours, so that colour is never the only difference."""

INK = "#1b1f23"
"""Colour of the text of a light page; what is tagged "ink" follows the page."""

LONGEST = 1500
"""Most intervals a drawn signal is cut into."""


def make_plot(
    x_label: str, y_label: str, *, height: int = 360, x_range: object = None, y_range: object = None, tools: str = ""
) -> figure:
    """Return an empty plot.

    Parameters
    ----------
    x_label, y_label : str
        Axis labels with units, such as "time (s)".
    height : int
        Height in screen pixels; the width is that of the page.
    x_range : bokeh range, or None
        Range of another plot to move along with it.
    y_range : bokeh range, or None
        Range of the upright axis, such as names in place of numbers.
    tools : str
        Tools of the plot; empty = pan, box zoom, wheel zoom, reset, save.

    Returns
    -------
    bokeh.plotting.figure
        The plot; add signals with `draw_line`, `draw_band` and `draw_points`.
    """
    ranges = {"x_range": x_range, "y_range": y_range}
    options: dict[str, Any] = {name: value for name, value in ranges.items() if value is not None}
    plot = figure(
        height=height,
        sizing_mode="stretch_width",
        x_axis_label=x_label,
        y_axis_label=y_label,
        tools=tools or "pan,box_zoom,wheel_zoom,reset,save",
        toolbar_location="above",
        min_border_left=72,  # plots below each other line up
        **options,
    )
    plot.toolbar.logo = None
    if "border_line_color" in plot.properties():  # newer versions frame the whole plot
        plot.update(border_line_color=None)
    plot.axis.axis_label_text_font_style = "normal"
    plot.axis.axis_label_text_font_size = "13px"
    plot.axis.major_label_text_font_size = "12px"
    plot.axis.minor_tick_line_color = None
    plot.grid.grid_line_width = 0.7
    plot.grid.grid_line_color = "#d0d7de"
    return plot


def draw_line(plot: figure, x: Array, y: Array, label: str = "", colour: int = 0, *, width: float = 1.6) -> None:
    """Draw a signal as a line, thinned without losing its extremes.

    Parameters
    ----------
    plot : bokeh.plotting.figure
        Where to draw.
    x, y : numpy.ndarray, shape (n,)
        Values in the units of the axes; NaN leaves a gap.
    label : str
        Name in the legend; empty = none.
    colour : int
        Which of COLOURS, and of DASHES.
    width : float
        Width in screen pixels (1).
    """
    check_shape(y, (len(x),), name="y")
    x_thin, y_thin = thin_signal(x, y)
    line = plot.line(
        x_thin,
        y_thin,
        line_color=COLOURS[colour % len(COLOURS)],
        line_dash=DASHES[colour % len(DASHES)],
        line_width=width,
        **_legend(label),
    )
    if label:
        place_legend(plot)
        plot.add_tools(
            HoverTool(renderers=[line], tooltips=[("", label), ("x", "$x{0.000}"), ("y", "$y")], visible=False)
        )


def draw_band(plot: figure, x: Array, low: Array, high: Array, label: str = "", colour: int = 0) -> None:
    """Draw the area between two signals.

    Parameters
    ----------
    plot : bokeh.plotting.figure
        Where to draw.
    x, low, high : numpy.ndarray, shape (n,)
        Values in the units of the axes.
    label : str
        Name in the legend; empty = none.
    colour : int
        Which of COLOURS.
    """
    check_shape(low, (len(x),), name="low")
    check_shape(high, (len(x),), name="high")
    step = max(1, len(x) // LONGEST)
    plot.varea(
        x[::step],
        low[::step],
        high[::step],
        fill_color=COLOURS[colour % len(COLOURS)],
        fill_alpha=0.25,
        **_legend(label),
    )
    if label:
        place_legend(plot)


def draw_points(plot: figure, x: Array, y: Array, label: str = "", colour: int = 0, *, size: float = 4.0) -> None:
    """Draw points, a regular choice of at most a few thousand.

    Parameters
    ----------
    plot : bokeh.plotting.figure
        Where to draw.
    x, y : numpy.ndarray, shape (n,)
        Values in the units of the axes.
    label : str
        Name in the legend; empty = none.
    colour : int
        Which of COLOURS.
    size : float
        Diameter in screen pixels (1).
    """
    check_shape(y, (len(x),), name="y")
    step = max(1, len(x) // (2 * LONGEST))
    shade = COLOURS[colour % len(COLOURS)]
    plot.scatter(x[::step], y[::step], size=size, fill_color=shade, line_color=None, fill_alpha=0.6, **_legend(label))
    if label:
        place_legend(plot)


def draw_reference(plot: figure, x: Array, y: Array, label: str = "") -> None:
    """Draw a thin line in the colour of the text: a reference, a bound, an identity, a zero.

    Parameters
    ----------
    plot : bokeh.plotting.figure
        Where to draw.
    x, y : numpy.ndarray, shape (n,)
        Values in the units of the axes.
    label : str
        Name in the legend; empty = none, and the line is dotted.
    """
    check_shape(y, (len(x),), name="y")
    x_thin, y_thin = thin_signal(x, y)
    dash = "solid" if label else "dotted"
    line = plot.line(x_thin, y_thin, line_color=INK, line_width=1.0, line_dash=dash, **_legend(label))
    line.glyph.tags = ["ink"]
    if label:
        place_legend(plot)


def draw_bars(plot: figure, x: Array, y: Sequence[str] | Array, half: Array, *, upright: bool = False) -> None:
    """Draw points with bars that reach as far either way as their uncertainty.

    Parameters
    ----------
    plot : bokeh.plotting.figure
        Where to draw.
    x : numpy.ndarray, shape (n,)
        Values, in the unit of the axis.
    y : sequence of str, or numpy.ndarray, shape (n,)
        Rows of the points by name, or their values in the unit of the axis.
    half : numpy.ndarray, shape (n,)
        Half the length of each bar, in the unit of the axis along it.
    upright : bool
        True = bars along y, which must be numbers then; False = along x.
    """
    ends = (np.asarray(y) - half, np.asarray(y) + half) if upright else (x - half, x + half)
    source = ColumnDataSource({"x": x, "y": list(y), "half": half, "low": ends[0], "high": ends[1]})
    bar = (
        {"x0": "x", "x1": "x", "y0": "low", "y1": "high"}
        if upright
        else {"x0": "low", "x1": "high", "y0": "y", "y1": "y"}
    )
    plot.segment(**bar, source=source, line_color=COLOURS[0], line_width=2.0)
    plot.scatter("x", "y", source=source, size=9, fill_color=COLOURS[0], line_color=None)


def place_legend(plot: figure) -> None:
    """Put the legend of `plot`, with a labelled signal, above it in one row; a click on an entry hides its signal."""
    legend = plot.legend[0]
    if legend not in plot.above:
        plot.center = [item for item in plot.center if item is not legend]
        plot.add_layout(legend, "above")
    legend.orientation = "horizontal"
    legend.click_policy = "hide"
    legend.label_text_font_size = "12px"
    legend.border_line_color = None
    legend.update(margin=0, padding=2)


def thin_signal(x: Array, y: Array) -> tuple[Array, Array]:
    """Return a signal with few enough points to draw, keeping the smallest and largest value of each interval.

    Parameters
    ----------
    x, y : numpy.ndarray, shape (n,)
        Values, any units.

    Returns
    -------
    x, y : numpy.ndarray, shape (k,)
        The points to draw, same units, k <= 2 LONGEST + 1; an interval with any NaN keeps one NaN.
    """
    step = -(-len(x) // LONGEST)
    if step <= 2:
        return x, y
    whole = len(x) // step * step
    blocks = y[:whole].reshape(-1, step)
    starts = np.arange(0, whole, step)
    broken = np.isnan(blocks)
    low = starts + np.argmin(np.where(broken, np.inf, blocks), axis=1)
    high = starts + np.argmax(np.where(broken, -np.inf, blocks), axis=1)
    gap = starts + np.argmax(broken, axis=1)
    second = np.where(np.any(broken, axis=1), gap, high)
    kept = np.unique(np.concatenate([low, second, np.arange(whole, len(x))[-1:]]))
    return x[kept], y[kept]


def _legend(label: str) -> dict[str, Any]:
    return {"legend_label": label} if label else {}
