"""What reports of an estimate share: force over time with its band, truth and events; figures beside the truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from bokeh.models import BoxAnnotation, Label, Span
from bokeh.plotting import figure
from numpy.typing import NDArray

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.reports.numbers import FigureRow
from soft_tactile_node.reports.plots import INK, draw_band, draw_line, draw_points
from soft_tactile_node.samples import Array, ContactEvent, EventKind
from soft_tactile_node.scoring.runs import find_runs

EVENT_MARKS = (
    ((EventKind.CONTACT, EventKind.RELEASE), "contact, release", 2),
    ((EventKind.SLIP,), "slip", 5),
)
"""Events that are drawn as dots, their name in the legend and their colour."""

SCORED = (
    ("force_z_contact_rmse_n", "Normal force, RMSE while touching", "N", ""),
    ("force_x_contact_rmse_n", "Shear along the finger, RMSE while touching", "N", ""),
    ("latency_median_s", "Contact latency, median", "s", "from 0.05 N of true force to the report"),
    ("latency_p95_s", "Contact latency, 95 % of contacts below", "s", ""),
    ("release_median_s", "Release latency, median", "s", ""),
    ("within_2_sigma_contact", "Share within 2 sigma while touching", "", "0.95 would be ideal"),
    ("free_rms_n", "Normal force without contact, rms", "N", ""),
)
"""Figures of a score that a report shows: key, name, unit, remark."""

PAUSE_S = 0.05
"""Shorter pauses in what is shaded are not shown (s)."""


def score_rows(figures: Mapping[str, float | int | None]) -> list[FigureRow]:
    """Return the figures of a score that a report shows.

    Parameters
    ----------
    figures : mapping of str to float, int or None
        As from `score`, in the units of their names (N, s, 1); None = not computed.

    Returns
    -------
    list of FigureRow
        Rows of a table.
    """
    return [FigureRow(name, figures[key], unit, remark=remark) for key, name, unit, remark in SCORED]


def draw_force(
    plot: figure, estimate: EstimateTable, truth: Truth | None, events: Sequence[ContactEvent], axis: int = 2
) -> None:
    """Draw one axis of the force with its band, the truth behind it and what was reported.

    Parameters
    ----------
    plot : bokeh.plotting.figure
        Where to draw; its axes are in seconds and newtons.
    estimate : EstimateTable
        The estimate.
    truth : Truth or None
        What truly happened, same clock; where the pad slides is shaded.
    events : sequence of ContactEvent
        What was reported, same clock; faults are dashed lines.
    axis : int
        0 = x, 1 = y, 2 = z.
    """
    force, deviation = estimate.force_n[:, axis], np.sqrt(estimate.force_variance_n2[:, axis])
    known = np.isfinite(force)
    low, high = (force - 2 * deviation)[known], (force + 2 * deviation)[known]
    draw_band(plot, estimate.time_s[known], low, high, "estimate ± 2 sigma", 0)
    if truth is not None:
        draw_line(plot, truth.time_s, truth.force_n[:, axis], "truth", 1, width=2.4)
        _shade(plot, truth.time_s, truth.slip)
    draw_line(plot, estimate.time_s, force, "estimate", 0)
    for kinds, label, colour in EVENT_MARKS:
        times = np.array([event.time_s for event in events if event.kind in kinds])
        if len(times):
            draw_points(plot, times, np.zeros(len(times)), label, colour, size=9.0)
    for event in events:
        if event.kind is EventKind.FAULT:
            plot.add_layout(
                Span(location=event.time_s, dimension="height", line_dash="dashed", line_color=INK, tags=["ink"])
            )
            plot.add_layout(Label(x=event.time_s, y=0.0, text=event.detail or "fault", text_font_size="12px"))


def _shade(plot: figure, time_s: Array, mask: NDArray[np.bool_]) -> None:
    """Shade the times at which a mask holds."""
    stretches: list[list[float]] = []
    for first, after in zip(*find_runs(mask), strict=True):
        begin_s, end_s = float(time_s[first]), float(time_s[min(after, len(time_s) - 1)])
        if stretches and begin_s - stretches[-1][1] < PAUSE_S:
            stretches[-1][1] = end_s
        else:
            stretches.append([begin_s, end_s])
    for begin_s, end_s in stretches:
        plot.add_layout(
            BoxAnnotation(left=begin_s, right=end_s, fill_color="#CC79A7", fill_alpha=0.25, line_color=None)
        )
