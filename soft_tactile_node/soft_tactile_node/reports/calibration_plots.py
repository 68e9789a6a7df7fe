"""The plots of a calibration report."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from soft_tactile_node.calibration.preparation import hold_last, prepare
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.reports.held_out import HeldOut, HeldOutRecording
from soft_tactile_node.reports.numbers import format_figure
from soft_tactile_node.reports.page import PlotEntry
from soft_tactile_node.reports.plots import draw_band, draw_line, draw_points, draw_reference, make_plot
from soft_tactile_node.reports.split_signals import SplitSignals
from soft_tactile_node.samples import Array

PERCENT = 100.0
KILO = 1000.0
BINS, FEWEST_IN_BIN = 16, 30


def plot_recorded(recording: Recording, name: str) -> list[PlotEntry]:
    """Return channels and pressure of `recording`, called `name`, over time: two plots that move together."""
    part = prepare(recording)
    channels = make_plot("time (s)", "change (%)", height=340)
    for channel in range(recording.channels):
        draw_line(channels, part.time_s, PERCENT * part.change[:, channel], f"coil {channel + 1}", channel)
    pressure = make_plot("time (s)", "pressure (kPa)", height=240, x_range=channels.x_range)
    draw_line(pressure, part.time_s, part.pressure_pa / KILO)
    return [
        PlotEntry(channels, f"Channels of the {name} {recording.source}."),
        PlotEntry(pressure, f"Gauge pressure of the {name}."),
    ]


def plot_split(split: SplitSignals, channel: int) -> PlotEntry:
    """Return the change of one `channel` (from 0) of `split`, and its parts, over time."""
    plot = make_plot("time (s)", "change (%)", height=400)
    parts = (("change", split.change), ("bending", split.bending), ("contact", split.contact), ("drift", split.drift))
    for colour, (label, values) in enumerate(parts):
        draw_line(plot, split.time_s, PERCENT * values[:, channel], label, colour)
    return PlotEntry(plot, f"Coil {channel + 1}: change and its parts.")


def plot_force_over_time(item: HeldOutRecording, axis: int = 2) -> PlotEntry:
    """Return the force on `axis` (0 = x, 1 = y, 2 = z) of `item` beside its reference, the error as a sentence."""
    name = "xyz"[axis]
    plot = make_plot("time (s)", f"force {name} (N)", height=400)
    time_s = item.recording.time_s - item.recording.time_s[0]
    force, sigma = item.estimate.force_n[:, axis], np.sqrt(item.estimate.force_variance_n2[:, axis])
    draw_band(plot, time_s, force - 2 * sigma, force + 2 * sigma, "estimate ± 2 sigma", 0)
    draw_line(plot, time_s, force, "estimate", 0)
    draw_line(plot, time_s, item.baseline.force_n[:, axis], "static polynomial", 1, width=1.2)
    caption = f"Force {name} in {item.recording.source}: estimate, static polynomial and reference cell."
    if item.recording.force_n is not None:
        reference = item.recording.force_n[:, axis]
        draw_reference(plot, time_s, reference, "reference")
        error, largest = (force - reference)[item.held], float(np.nanmax(np.abs(reference)))
        if np.isfinite(error).any():
            rms = float(np.sqrt(np.nanmean(error**2)))
            caption += (
                f" On unseen blocks the estimate is off by {rms:.2g} N rms where the force reaches {largest:.2g} N."
            )
    return PlotEntry(plot, caption)


def plot_force_against_reference(held_out: HeldOut) -> PlotEntry:
    """Return estimated against reference normal force on the rows that are `held_out`."""
    plot = make_plot("reference force z (N)", "estimated force z (N)", height=400)
    reference, static = _collect(held_out, baseline=True)
    draw_points(plot, reference, static, "static polynomial", 1, size=3)
    reference, own = _collect(held_out, baseline=False)
    draw_points(plot, reference, own, "estimate", 0, size=3)
    ends = np.array([np.min(reference), np.max(reference)])
    draw_reference(plot, ends, ends)
    slope = float(np.polyfit(reference, own, 1)[0])
    return PlotEntry(
        plot,
        "Force against reference on held-out blocks; the dotted line is a perfect sensor. A newton more on the pad "
        f"reads as {slope:.2f} N more.",
    )


def plot_residuals(held_out: HeldOut) -> PlotEntry:
    """Return errors over reference force on `held_out` rows, as mean and spread in bins."""
    plot = make_plot("reference force z (N)", "error of force z (N)", height=380)
    told = []
    for colour, (label, baseline) in enumerate((("estimate", False), ("static polynomial", True))):
        reference, found = _collect(held_out, baseline=baseline)
        centre, mean, spread = _bin_errors(reference, found - reference)
        told.append(describe_residuals(label, centre, mean, spread))
        draw_band(plot, centre, mean - spread, mean + spread, f"{label}, ± 1 standard deviation", colour)
        draw_line(plot, centre, mean, f"{label}, mean", colour)
    draw_reference(plot, np.array([0.0, np.max(reference)]), np.zeros(2))
    words = "Residuals by force: mean error and its spread in bins of the reference force."
    return PlotEntry(plot, " ".join([words, *told]))


def describe_residuals(name: str, centre: Array, mean: Array, spread: Array) -> str:
    """Return in one sentence what the residuals at the largest forces are.

    Parameters
    ----------
    name : str
        Whose residuals.
    centre, mean, spread : numpy.ndarray, shape (k,)
        Force at the middle of each bin, mean error in it and its standard deviation (N).

    Returns
    -------
    str
        One sentence.
    """
    if not centre.size:
        return f"There are too few forces to say more of the {name}."
    way = "low" if mean[-1] < 0.0 else "high"
    right = abs(mean[-1]) < spread[-1] / 10.0
    offset = "right" if right else f"{abs(mean[-1]):.2g} N too {way}"
    return f"At {centre[-1]:.1f} N the {name} is {offset} on the mean and scatters by {spread[-1]:.2g} N."


def plot_honesty(held_out: HeldOut) -> PlotEntry:
    """Return the distribution of the errors of `held_out` in units of their stated standard deviation."""
    plot = make_plot("error of force z over its stated standard deviation (1)", "density (1)", height=380)
    ratios = []
    for item in held_out.press:
        if item.recording.force_n is not None:
            rows = item.held & (np.linalg.norm(item.recording.force_n, axis=1) >= 0.05)
            error = (item.estimate.force_n - item.recording.force_n)[rows, 2]
            ratios.append(error / np.sqrt(item.estimate.force_variance_n2[rows, 2]))
    ratio = np.concatenate(ratios)
    ratio = ratio[np.isfinite(ratio)]
    edges = np.linspace(-5.0, 5.0, 51)
    centre = (edges[1:] + edges[:-1]) / 2
    counts = np.histogram(np.clip(ratio, -5.0, 5.0), edges)[0] / max(len(ratio), 1) / np.diff(edges)
    plot.quad(
        left=edges[:-1], right=edges[1:], bottom=0.0, top=counts, fill_color="#56B4E9", line_color=None, fill_alpha=0.6
    )
    draw_line(plot, centre, np.exp(-(centre**2) / 2) / np.sqrt(2 * np.pi), "honest estimator", 5)
    return PlotEntry(
        plot,
        "Honesty of the variance on touched, held-out samples: bars are what happened (what lies beyond ± 5 is in the "
        f"outer bars), the line is what the stated variance promises. {describe_honesty(ratio)}",
    )


def describe_honesty(ratio: Array) -> str:
    """Return in one sentence what errors over their stated standard deviation say of it.

    Parameters
    ----------
    ratio : numpy.ndarray, shape (n,)
        Errors over their stated standard deviation (1).

    Returns
    -------
    str
        One sentence.
    """
    if not ratio.size:
        return "Nothing was touched."
    within = float(np.mean(np.abs(ratio) <= 2.0))
    word = "too small" if within < 0.93 else "too large" if within > 0.99 else "right"
    return (
        f"{100.0 * within:.0f} % of the samples lie within two stated standard deviations, 95 % should: the stated "
        f"variance is {word}."
    )


def plot_pressure_loop(free_bend: Sequence[Recording]) -> PlotEntry:
    """Return the strongest channel of `free_bend` against pressure: the loop is hysteresis and creep."""
    part = prepare(free_bend[0])
    channel = int(np.argmax(np.nanmax(np.abs(part.change), axis=0)))
    plot = make_plot("pressure (kPa)", "change (%)", height=400)
    step = max(1, len(part.time_s) // 4000)
    draw_line(plot, part.pressure_pa[::step] / KILO, PERCENT * part.change[::step, channel], width=1.0)
    return PlotEntry(
        plot,
        f"Coil {channel + 1} against pressure in {free_bend[0].source}. A static polynomial is one line through these "
        f"loops and leaves {100.0 * static_share(part.pressure_pa, part.change[:, channel]):.2g} % of the span (rms).",
    )


def static_share(pressure_pa: Array, change: Array) -> float:
    """Return what a cubic of the pressure leaves of a channel.

    Parameters
    ----------
    pressure_pa : numpy.ndarray, shape (n,)
        Gauge pressure (Pa).
    change : numpy.ndarray, shape (n,)
        Relative change (1); NaN = missing.

    Returns
    -------
    float
        Rms of the rest over the span of the change (1).
    """
    known = np.isfinite(change) & np.isfinite(pressure_pa)
    scaled = pressure_pa[known] / max(float(np.max(np.abs(pressure_pa[known]))), 1.0)
    left = change[known] - np.polyval(np.polyfit(scaled, change[known], 3), scaled)
    return float(np.sqrt(np.mean(left**2)) / max(float(np.ptp(change[known])), 1e-12))


def plot_press_loop(calibration: Calibration, press: Sequence[Recording]) -> PlotEntry:
    """Return summed channels of `press` over reference force while vented; `calibration` names the pad variant."""
    plot = make_plot("reference force z (N)", "summed change (%)", height=400)
    part = prepare(press[0])
    if part.force_n is not None:
        vented = np.abs(hold_last(part.pressure_pa)) < 1000.0
        summed = np.where(vented, PERCENT * np.sum(part.change, axis=1), np.nan)
        step = max(1, len(summed) // 6000)
        draw_line(plot, part.force_n[::step, 2], summed[::step], width=1.0)
    return PlotEntry(
        plot,
        f"Sum of the channels against the reference force in {press[0].source}, unpressurised rows only "
        f"({calibration.pad.replace('_', ' ')}). The loop between loading and unloading is the pad's own memory: its "
        f"hysteresis is {describe_hysteresis(calibration)}.",
    )


def describe_hysteresis(calibration: Calibration) -> str:
    """Return the hysteresis of the table of figures in words, for a `calibration` that may not know it."""
    figure = calibration.figures.get("hysteresis")
    return "not known" if figure is None else f"{format_figure(figure.value, figure.expanded)} {figure.unit}"


def _collect(held_out: HeldOut, *, baseline: bool) -> tuple[Array, Array]:
    """Return reference and estimated normal force on held-out rows where both are known."""
    reference, found = [], []
    for item in held_out.press:
        if item.recording.force_n is None:
            continue
        table: EstimateTable = item.baseline if baseline else item.estimate
        rows = item.held & np.isfinite(table.force_n[:, 2]) & np.isfinite(item.recording.force_n[:, 2])
        reference.append(item.recording.force_n[rows, 2])
        found.append(table.force_n[rows, 2])
    return np.concatenate(reference), np.concatenate(found)


def _bin_errors(reference: Array, error: Array) -> tuple[Array, Array, Array]:
    """Return centre, mean and standard deviation of the error in bins of the reference."""
    edges = np.linspace(0.0, max(float(np.max(reference)), 1e-6), BINS + 1)
    centre, mean, spread = [], [], []
    for low, high in pairwise(edges):
        inside = (reference >= low) & (reference < high)
        if np.count_nonzero(inside) >= FEWEST_IN_BIN:
            centre.append((low + high) / 2)
            mean.append(float(np.mean(error[inside])))
            spread.append(float(np.std(error[inside])))
    return np.array(centre), np.array(mean), np.array(spread)
