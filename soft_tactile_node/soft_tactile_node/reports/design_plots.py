"""The plots of a design study."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from bokeh.models import ColumnDataSource, HoverTool

from soft_tactile_node.design.run import Result
from soft_tactile_node.design.schema import Study
from soft_tactile_node.registry import PADS
from soft_tactile_node.reports.page import PlotEntry
from soft_tactile_node.reports.plots import COLOURS, draw_line, draw_reference, make_plot, place_legend

SHOWN = 6
"""Most response curves in one plot: as many as there are colours."""


def plot_designs(study: Study, ranked: Sequence[Result]) -> list[PlotEntry]:
    """Return the plots of a study.

    Parameters
    ----------
    study : Study
        The study.
    ranked : sequence of Result
        Its results, best first.

    Returns
    -------
    list of PlotEntry
        Response, shear response where it is sensed, local slope, SNR against range, and metal stand-off.
    """
    entries = [_plot_response(ranked), _plot_slope(ranked)]
    if ranked[0].figures.shear_force_n.size:
        entries.append(_plot_shear(ranked))
    if len(ranked) > 1:
        entries += [_plot_snr(ranked), _plot_tradeoff(ranked)]
        entries += [_plot_stand_off(study, ranked)] if ranked[0].figures.stand_off_m else []
    return entries


def _percent(result: Result) -> np.ndarray:
    figures = result.figures
    return np.asarray(100.0 * figures.normal_h / (figures.coils * figures.inductance_h))


def _plot_response(ranked: Sequence[Result]) -> PlotEntry:
    plot = make_plot("normal force (N)", "change (%)", height=400)
    for place, result in enumerate(ranked[:SHOWN]):
        draw_line(plot, result.figures.force_n, _percent(result), f"design {result.case.number}", place)
    draw_reference(plot, ranked[0].figures.force_n[[0, -1]], np.zeros(2))
    note = PADS[ranked[0].figures.variant].load_study().curve_note
    most = max(ranked[:SHOWN], key=lambda result: abs(_percent(result)[-1]))
    return PlotEntry(
        plot,
        f"Change of the normal signal against normal force, best designs first. At {most.figures.force_n[-1]:.3g} N "
        f"design {most.case.number} has changed most, by {_percent(most)[-1]:.3g} %. {note}".rstrip(),
    )


def _plot_slope(ranked: Sequence[Result]) -> PlotEntry:
    plot = make_plot("normal force (N)", "slope (% of its best)", height=340)
    for place, result in enumerate(ranked[:SHOWN]):
        slope = np.diff(result.figures.normal_h) / np.diff(result.figures.force_n)
        slope = slope * np.sign(slope[0])
        middle = 0.5 * (result.figures.force_n[1:] + result.figures.force_n[:-1])
        draw_line(plot, middle, 100.0 * slope / np.max(slope), f"design {result.case.number}", place)
    force = ranked[0].figures.force_n
    draw_reference(plot, force[[0, -1]], np.full(2, 5.0))
    return PlotEntry(
        plot,
        "Where a design stops responding: its slope over the best of its slope; below the dotted line it has stopped.",
    )


def _plot_shear(ranked: Sequence[Result]) -> PlotEntry:
    plot = make_plot("shear force (N)", "difference of the channels (nH)", height=340)
    for place, result in enumerate(ranked[:SHOWN]):
        draw_line(
            plot, result.figures.shear_force_n, 1e9 * result.figures.shear_h, f"design {result.case.number}", place
        )
    most = max(ranked[:SHOWN], key=lambda result: abs(result.figures.shear_h[-1]))
    return PlotEntry(
        plot,
        "Difference signal against shear along x, at half the full normal load. At "
        f"{most.figures.shear_force_n[-1]:.3g} N design {most.case.number} shows most, "
        f"{1e9 * most.figures.shear_h[-1]:.3g} nH.",
    )


def _plot_snr(ranked: Sequence[Result]) -> PlotEntry:
    names = [str(result.case.number) for result in ranked]
    plot = make_plot("design", "SNR at full scale (dB)", height=340, x_range=names)
    for label, usable, colour in (("responds over full scale", True, 0), ("does not", False, 1)):
        chosen = [(n, r.figures.snr_db) for n, r in zip(names, ranked, strict=True) if r.figures.usable is usable]
        if chosen:
            x, y = zip(*chosen, strict=True)
            bars = plot.vbar(
                x=list(x),
                top=list(y),
                width=0.7,
                fill_color=COLOURS[colour],
                line_color=None,
                hatch_pattern="blank" if usable else "right_diagonal_line",
                hatch_color="#1b1f23",
                hatch_alpha=0.5,
                legend_label=label,
            )
            plot.add_tools(
                HoverTool(renderers=[bars], tooltips=[("design", "@x"), ("SNR", "@top{0.0} dB")], visible=False)
            )
    place_legend(plot)
    return PlotEntry(
        plot,
        "Signal-to-noise ratio at full scale, in the order of the ranking; hatched designs stop before full scale: "
        + _ends(ranked, "snr_db", "dB"),
    )


def _plot_tradeoff(ranked: Sequence[Result]) -> PlotEntry:
    plot = make_plot("bending looks like, at worst as cast (N)", "SNR at full scale (dB)", height=360)
    for label, usable, colour in (("responds over full scale", True, 0), ("does not", False, 1)):
        chosen = [r for r in ranked if r.figures.usable is usable and math.isfinite(r.figures.bend_worst_n)]
        if chosen:
            data = {
                "bend": [r.figures.bend_worst_n for r in chosen],
                "snr": [r.figures.snr_db for r in chosen],
                "design": [r.case.number for r in chosen],
            }
            points = plot.scatter(
                x="bend",
                y="snr",
                source=ColumnDataSource(data),
                size=9,
                marker="circle" if usable else "diamond",
                fill_color=COLOURS[colour],
                line_color=None,
                legend_label=label,
            )
            tips = [("design", "@design"), ("bend", "@bend{0.00} N"), ("SNR", "@snr{0.0} dB")]
            plot.add_tools(HoverTool(renderers=[points], tooltips=tips, visible=False))
    place_legend(plot)
    return PlotEntry(
        plot,
        "A good pad stands at the upper left: loud when touched, quiet when the finger bends. What bending looks like: "
        + _ends(ranked, "bend_worst_n", "N"),
    )


def _ends(ranked: Sequence[Result], name: str, unit: str) -> str:
    """Return which designs have the smallest and the largest of a figure, and what it is."""
    known = [result for result in ranked if math.isfinite(getattr(result.figures, name))]
    if not known:
        return "it is not known of any design."
    known.sort(key=lambda result: getattr(result.figures, name))
    (low, least), (high, most) = ((r.case.number, getattr(r.figures, name)) for r in (known[0], known[-1]))
    return f"it lies between {least:.3g} {unit} (design {low}) and {most:.3g} {unit} (design {high})."


def _plot_stand_off(study: Study, ranked: Sequence[Result]) -> PlotEntry:
    names = [str(result.case.number) for result in ranked]
    plot = make_plot("design", "stand-off (mm)", height=340, x_range=names)
    for place, plate in enumerate(ranked[0].figures.stand_off_m):
        plot.scatter(
            x=names,
            y=[1e3 * result.figures.stand_off_m[plate] for result in ranked],
            size=(11, 6, 9, 7)[place % 4],
            marker=("circle", "diamond", "square", "triangle")[place % 4],
            fill_color=COLOURS[place % len(COLOURS)],
            line_color=None,
            legend_label=plate,
        )
    place_legend(plot)
    force = study.load.detection_n
    return PlotEntry(
        plot,
        f"How far away metal must stay to read less than {force:g} N; it may come nearer to a more sensitive pad.",
    )
