"""The report of a replay: whether the estimate can be used, what was touched, what each channel was made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.recordings import Truth
from soft_tactile_node.reports.calibration_plots import plot_split
from soft_tactile_node.reports.calibration_report import FOOTER
from soft_tactile_node.reports.estimate_parts import draw_force, score_rows
from soft_tactile_node.reports.flag_text import CARE, FLAG_ADVICE
from soft_tactile_node.reports.numbers import FigureRow, format_value
from soft_tactile_node.reports.page import Page, PlotEntry
from soft_tactile_node.reports.plots import draw_line, make_plot
from soft_tactile_node.reports.split_signals import Replayed
from soft_tactile_node.samples import EventKind, Flag
from soft_tactile_node.scoring.verdict import Judgement, format_verdict

AXES = ("Shear along the finger", "Shear across the finger", "Normal force")
"""What the force along x, y and z of the pad is."""

SHOWN_EVENTS = 500
"""Most events in the list; all are in the event file."""

KILO = 1000.0


def write_replay_report(
    path: str | Path, calibration: Calibration, run: Replayed, judged: Judgement | None = None
) -> None:
    """Write the report of a replay as one HTML file.

    Parameters
    ----------
    path : str or pathlib.Path
        HTML file to write.
    calibration, run, judged
        As for `build_replay_page`.

    Raises
    ------
    RecordingError
        If the file cannot be written.
    """
    build_replay_page(calibration, run, judged).write(path)


def build_replay_page(calibration: Calibration, run: Replayed, judged: Judgement | None = None) -> Page:
    """Return the report of a replay as a page.

    Parameters
    ----------
    calibration : Calibration
        The calibration that was used.
    run : Replayed
        The recording and what the estimator says of it.
    judged : Judgement or None
        What truly happened, where it is known.

    Returns
    -------
    Page
        Summary, figures, flags, plots, events.
    """
    run, truth = _from_start(run, None if judged is None else judged.truth)
    page = Page(
        "Replay of a recording",
        subtitle=f"{run.recording.source or 'recording'}, calibration {calibration_id(calibration)}",
        footer=FOOTER,
    )
    page.add_summary(*summarise(run, judged))
    page.add_figures("Figures", _figures(run, judged))
    page.add_table(
        "Flags",
        ["Flag", "Scans", "Share (%)", "First at (s)", "What it means"],
        _flag_rows(run),
        text="In how many scans each flag was set.",
    )
    page.add_plots(
        "Force and touch",
        _plots_over_time(run, truth),
        text="In the frame of the pad; what is not observed is not drawn.",
    )
    page.add_plots(
        "Channels",
        [plot_split(run.split, channel) for channel in range(run.recording.channels)],
        text="Relative change of each channel's inductance since the tare, split into bending, contact and drift. The "
        "three parts add up to the change.",
    )
    page.add_table(
        "Events", ["Time (s)", "What", "Contact", "Began (s)", "Normal force (N)", "Probability"], _event_rows(run),
        text=f"{len(run.events)} events" + _cut_off(run),
    )  # fmt: skip
    return page


def summarise(run: Replayed, judged: Judgement | None) -> list[str]:
    """Return what a replay comes to, the verdict first.

    Parameters
    ----------
    run : Replayed
        Times from the first scan on.
    judged : Judgement or None
        What truly happened, where it is known.

    Returns
    -------
    list of str
        Sentences.
    """
    estimate, events = run.estimate, run.events
    sentences = [_care(run)]
    if judged is not None:
        *broken, verdict = format_verdict(judged.verdict).splitlines()
        sentences = [f"{verdict}.", *[f"{line[:1].upper()}{line[1:]}." for line in broken]]
    touches = _count(run, EventKind.CONTACT)
    told = f"{touches} touches and {_count(run, EventKind.SLIP)} slips were reported in {run.split.time_s[-1]:.1f} s"
    if touches and np.isfinite(estimate.force_n[:, 2]).any():
        row = int(np.nanargmax(estimate.force_n[:, 2]))
        told += f"; the hardest reached {estimate.force_n[row, 2]:.2f} N at {estimate.time_s[row]:.1f} s"
    sentences.append(f"{told}.")
    sentences.append(f"After the tare the normal force is known in {100.0 * _known_share(run):.1f} % of the scans.")
    sentences += [
        f"{share:.2g} % of the scans: {words}." for _, share, (serious, words) in _flagged(run) if serious >= CARE
    ]
    sentences += [
        f"Fault at {event.time_s:.2f} s: {event.detail or 'see the flags'}."
        for event in events
        if event.kind is EventKind.FAULT
    ][:10]
    return sentences


def _from_start(run: Replayed, truth: Truth | None) -> tuple[Replayed, Truth | None]:
    """Return a replay and its truth with times from the first scan on, as its plots have them."""
    start_s = float(run.recording.time_s[0])
    shifted = replace(
        run,
        estimate=replace(run.estimate, time_s=run.split.time_s),
        events=tuple(replace(e, time_s=e.time_s - start_s, onset_s=e.onset_s - start_s) for e in run.events),
    )
    return shifted, truth and replace(truth, time_s=truth.time_s - start_s)


def _care(run: Replayed) -> str:
    """Return the verdict where no truth is known: what the flags say."""
    careful = [flag for flag, (serious, _) in FLAG_ADVICE.items() if serious >= CARE]
    share = float(np.mean((run.estimate.flags & sum(map(int, careful))) != 0))
    rest = "No truth was given, so whether the force is right is not judged."
    if not np.isfinite(run.estimate.force_n).any():
        return f"No force was estimated. {rest}"
    if share:
        return f"Read with care: flags ask for it in {100.0 * share:.2g} % of the scans. {rest}"
    return f"No flag asks for care. {rest}"


def _known_share(run: Replayed) -> float:
    """Return the share of scans after the tare whose normal force is known (1)."""
    after = (run.estimate.flags & int(Flag.TARE)) == 0
    return float(np.mean(np.isfinite(run.estimate.force_n[after, 2]))) if after.any() else 0.0


def _count(run: Replayed, kind: EventKind) -> int:
    return sum(event.kind is kind for event in run.events)


def _flagged(run: Replayed) -> list[tuple[Flag, float, tuple[int, str]]]:
    """Return each flag that was set, its share of the scans (%) and its words; the most serious first."""
    flags = run.estimate.flags
    found = [
        (flag, 100.0 * float(np.mean((flags & int(flag)) != 0)), advice)
        for flag, advice in FLAG_ADVICE.items()
        if (flags & int(flag)).any()
    ]
    return sorted(found, key=lambda one: -one[2][0])


def _flag_rows(run: Replayed) -> list[list[str]]:
    rows = []
    for flag, share, (_, words) in _flagged(run):
        at = np.flatnonzero(run.estimate.flags & int(flag))
        rows.append([flag.name or "", f"{len(at)}", f"{share:.3g}", f"{run.split.time_s[at[0]]:.2f}", words])
    return rows


def _figures(run: Replayed, judged: Judgement | None) -> list[FigureRow]:
    estimate, time_s = run.estimate, run.split.time_s
    force = estimate.force_n[np.isfinite(estimate.force_n[:, 2]), 2]
    pressure_pa = run.recording.pressure_pa[np.isfinite(run.recording.pressure_pa)]
    return [
        FigureRow("Length", float(time_s[-1]), "s", remark=f"{len(time_s)} scans"),
        FigureRow("Touches reported", _count(run, EventKind.CONTACT)),
        FigureRow("Slips reported", _count(run, EventKind.SLIP)),
        FigureRow("Largest normal force", float(np.max(force)) if force.size else None, "N"),
        FigureRow(
            "Largest pressure", float(np.max(pressure_pa)) / KILO if pressure_pa.size else None, "kPa", remark="gauge"
        ),
        FigureRow("Scans in which a touch is reported", 100.0 * float(np.mean(estimate.in_contact)), "%"),
        FigureRow("Scans after the tare with a known normal force", 100.0 * _known_share(run), "%"),
        *([] if judged is None else score_rows(judged.score.figures)),
    ]


def _plots_over_time(run: Replayed, truth: Truth | None) -> list[PlotEntry]:
    """Return observed force, touch and pressure; they move together."""
    touch = _plot_touch(run)
    shared = touch.plot.x_range
    observed = [axis for axis in (2, 0, 1) if np.isfinite(run.estimate.force_n[:, axis]).any()]
    return [*[_plot_force(run, truth, axis, shared) for axis in observed], touch, _plot_pressure(run, shared)]


def _plot_force(run: Replayed, truth: Truth | None, axis: int, shared: object) -> PlotEntry:
    force = run.estimate.force_n[:, axis]
    plot = make_plot("time (s)", f"force {'xyz'[axis]} (N)", height=340, x_range=shared)
    draw_force(plot, run.estimate, truth, run.events, axis)
    over = "" if truth is None else " over the truth; shaded where the object truly slides"
    low, high = format_value(float(np.nanmin(force))), format_value(float(np.nanmax(force)))
    return PlotEntry(
        plot,
        f"{AXES[axis]}, {'xyz'[axis]} of the pad: estimate with its 2 sigma band{over}. It lies between {low} N "
        f"and {high} N. Dots are reported contacts, releases and slips.",
    )


def _plot_touch(run: Replayed) -> PlotEntry:
    plot = make_plot("time (s)", "probability of a touch (1)", height=260)
    time_s, estimate = run.split.time_s, run.estimate
    draw_line(plot, time_s, estimate.in_contact.astype(np.float64), "touch reported", 1, width=2.4)
    draw_line(plot, time_s, estimate.contact_probability, "probability", 0)
    share = 100.0 * float(np.mean(estimate.in_contact))
    return PlotEntry(plot, f"Probability of a touch, and whether one was reported: in {share:.3g} % of the scans.")


def _plot_pressure(run: Replayed, shared: object) -> PlotEntry:
    plot = make_plot("time (s)", "pressure (kPa)", height=260, x_range=shared)
    known = np.isfinite(run.recording.pressure_pa)  # the pressure sensor is slower than the coils
    draw_line(plot, run.split.time_s[known], run.recording.pressure_pa[known] / KILO)
    return PlotEntry(plot, "Gauge pressure in the finger, as recorded.")


def _event_rows(run: Replayed) -> Sequence[Sequence[str]]:
    def cell(value: float, digits: int) -> str:
        return "" if np.isnan(value) else f"{value:.{digits}f}"

    return [
        [
            f"{event.time_s:.3f}",
            event.detail or event.kind.value,
            f"{event.contact_id or ''}",
            cell(event.onset_s, 3),
            cell(event.force_n[2], 2),
            cell(event.contact_probability, 2),
        ]
        for event in run.events[:SHOWN_EVENTS]
    ]


def _cut_off(run: Replayed) -> str:
    return f", of which the first {SHOWN_EVENTS} are listed." if len(run.events) > SHOWN_EVENTS else "."
