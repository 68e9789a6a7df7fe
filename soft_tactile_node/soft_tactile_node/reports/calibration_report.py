"""The report of a calibration: is it good, how good, and what it looks like on the user's own recordings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from soft_tactile_node.calibration.judgement import Health, describe_calibration
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.errors import CalibrationError, NotAtRestError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.reports.calibration_plots import (
    plot_force_against_reference,
    plot_force_over_time,
    plot_honesty,
    plot_press_loop,
    plot_pressure_loop,
    plot_recorded,
    plot_residuals,
    plot_split,
)
from soft_tactile_node.reports.held_out import Errors, HeldOut, compare_held_out, measure_errors
from soft_tactile_node.reports.numbers import FigureRow, format_value
from soft_tactile_node.reports.page import Page
from soft_tactile_node.reports.split_signals import replay_and_split

FOOTER = (
    "Not a safety-rated device: do not use it as the only protection of a person. Keep the relief valve and pressure "
    "limits in place; gallium alloys attack aluminium and stain."
)
AXES = ("x", "y", "z")
SPLIT_CHANNELS = 4
SPLIT_S = 120.0
"""How many channels are shown split, and for how long (s)."""

NAMES = {"snr": "signal to noise", "non_linearity": "non-linearity", "cross_talk": "cross-talk"}


def write_calibration_report(
    path: str | Path, calibration: Calibration, free_bend: Sequence[Recording], press: Sequence[Recording]
) -> None:
    """Write the report of a calibration as one HTML file.

    Parameters
    ----------
    path : str or pathlib.Path
        HTML file to write.
    calibration : Calibration
        The calibration.
    free_bend, press : sequence of Recording
        The recordings it was made from.

    Raises
    ------
    RecordingError
        If the file cannot be written.
    """
    build_calibration_page(calibration, free_bend, press).write(path)


def build_calibration_page(
    calibration: Calibration, free_bend: Sequence[Recording], press: Sequence[Recording]
) -> Page:
    """Return the report of a calibration as a page.

    Parameters
    ----------
    calibration : Calibration
        The calibration.
    free_bend, press : sequence of Recording
        The recordings it was made from.

    Returns
    -------
    Page
        Summary, figures, comparison on held-out blocks, plots.
    """
    health = describe_calibration(calibration, calibration.made_on)
    serial = f", serial {calibration.serial}" if calibration.serial else ""
    page = Page(
        "Calibration report",
        subtitle=f"{calibration_id(calibration)}, {calibration.pad.replace('_', ' ')}{serial}, {calibration.made_on}",
        footer=FOOTER,
    )
    held_out, reason = _try_to_hold_out(calibration, free_bend, press)
    errors = (
        None
        if held_out is None
        else (measure_errors(held_out, baseline=False), measure_errors(held_out, baseline=True))
    )
    page.add_summary(*_summarise(health, errors))
    _add_figures(page, calibration)
    if held_out is None or errors is None:
        page.add_text("Beside a static polynomial", f"No block could be held out for a comparison: {reason}.")
    else:
        _add_comparison(page, *errors)
        _add_force_plots(page, held_out)
    _add_signal_plots(page, calibration, free_bend, press)
    _add_origin(page, calibration)
    return page


def _try_to_hold_out(
    calibration: Calibration, free_bend: Sequence[Recording], press: Sequence[Recording]
) -> tuple[HeldOut | None, str]:
    try:
        return compare_held_out(free_bend, press, None if calibration.pad == "unknown" else calibration.pad), ""
    except (CalibrationError, NotAtRestError) as error:
        return None, str(error)


def _summarise(health: Health, errors: tuple[Errors, Errors] | None) -> list[str]:
    record = health.record
    ranges = record.ranges
    sentences = []
    if health.healthy:
        sentences.append("The calibration is healthy: no problem was found.")
    else:
        sentences.append(f"The calibration is {health.verdict}.")
        sentences += [f"Problem: {text}." for text in health.problems]
        sentences += [f"Limit: {text}." for text in health.limits]
    if errors is not None:
        own, static = errors
        sentences.append(
            f"On blocks that the fit has not seen the normal force is off by {own.press_n[2]:.3f} N rms; a static "
            f"polynomial with a linear map is off by {static.press_n[2]:.3f} N."
        )
        if not own.press_n[2] < static.press_n[2]:
            sentences.append(
                "Caution: that is no better than the static polynomial. The recordings do not let the model learn the "
                "finger's memory: add sweeps with reversals, presses with unloading branches, and rests."
            )
        sentences.append(
            f"While the finger only bends, {format_value(own.free_n)} N rms of false normal force remain, "
            f"{format_value(static.free_n)} N for the static polynomial."
        )
        sentences.append(
            f"{100.0 * own.within_2_sigma:.0f} % of the touched samples lie within two stated standard deviations; an "
            "honest estimator has 93 to 98 %."
        )
    shear = f", shear up to {ranges.force_shear_n:.2g} N" if record.force_map.axes == 3 else ", no shear"
    temperature = ranges.temperature_c
    heat = ", temperature not measured"
    if temperature:
        low_c, high_c = (f"{value:.0f}" for value in temperature)
        heat = f", at {low_c} °C only" if low_c == high_c else f", {low_c} to {high_c} °C"
    low_kpa, high_kpa = max(ranges.pressure_pa[0], 0.0) / 1000, ranges.pressure_pa[1] / 1000
    sentences.append(
        f"Valid for {low_kpa:.0f} to {high_kpa:.0f} kPa gauge, normal "
        f"force up to {ranges.force_normal_n:.2g} N{shear}{heat}. Beyond that the estimate is flagged, not clipped."
    )
    sentences += [f"Not identified: {gap}." for gap in record.not_identified]
    sentences += [f"Note: this calibration {text}." for text in health.remarks if not text.startswith("temperature")]
    return sentences


def _add_figures(page: Page, calibration: Calibration) -> None:
    rows = [
        FigureRow(
            NAMES.get(name, name.replace("_", " ")), figure.value, figure.unit, figure.expanded, figure.definition
        )
        for name, figure in calibration.figures.items()
    ]
    page.add_figures(
        "Figures of merit",
        rows,
        text="From held-out residuals of the recordings; ± is the expanded uncertainty at a level of confidence of "
        "95 %, from the scatter between blocks of the recordings, without that of the force reference.",
    )


def _percent(errors: Errors) -> str:
    return format_value(100.0 * errors.within_2_sigma)


def _add_comparison(page: Page, own: Errors, static: Errors) -> None:
    def cells(name: str, one: float, other: float, unit: str) -> list[str]:
        ratio = other / one if one > 0 else float("nan")
        return [name, format_value(one), format_value(other), unit, f"{ratio:.1f}" if np.isfinite(ratio) else ""]

    rows = []
    for k, axis in enumerate(AXES):
        if np.isfinite(own.press_n[k]):
            rows.append(cells(f"force {axis}, presses, rms error", own.press_n[k], static.press_n[k], "N"))
            rows.append(cells(f"force {axis}, touched samples, rms error", own.touched_n[k], static.touched_n[k], "N"))
    rows.append(cells("normal force claimed while only bending, rms", own.free_n, static.free_n, "N"))
    shares = ["within two stated standard deviations", _percent(own), _percent(static), "%", ""]
    page.add_table(
        "Beside a static polynomial",
        ["Figure", "This estimator", "Static polynomial, linear map", "Unit", "Times better"],
        [*rows, shares],
        text="Both were fitted again without every third block of 10 s and are compared on those blocks. The estimator "
        "uses nothing from after the moment it speaks about.",
    )


def _add_force_plots(page: Page, held_out: HeldOut) -> None:
    axes = (2, 0, 1) if held_out.calibration.force_map.axes == 3 else (2,)
    entries = [
        *[plot_force_over_time(held_out.press[0], axis) for axis in axes],
        plot_force_against_reference(held_out),
        plot_residuals(held_out),
        plot_honesty(held_out),
    ]
    page.add_plots("Force on held-out blocks", entries)


def _add_signal_plots(
    page: Page, calibration: Calibration, free_bend: Sequence[Recording], press: Sequence[Recording]
) -> None:
    page.add_plots(
        "Recorded signals",
        [*plot_recorded(free_bend[0], "free-bend recording"), *plot_recorded(press[0], "press recording")],
        text="Relative change of each channel's inductance since the tare, and the pressure behind it.",
    )
    shown = press[0].time_s - press[0].time_s[0] < SPLIT_S
    split = replay_and_split(Estimator(calibration), press[0].select_rows(slice(int(np.count_nonzero(shown))))).split
    strongest = np.argsort(-np.nanmax(np.abs(split.change), axis=0), kind="stable")[:SPLIT_CHANNELS]
    page.add_plots(
        "Split signals",
        [plot_split(split, int(channel)) for channel in sorted(strongest)],
        text="What each channel shows, split into bending, contact and drift, in the first two minutes of the first "
        "press recording. The three parts add up to the change.",
    )
    page.add_plots("Hysteresis", [plot_pressure_loop(free_bend), plot_press_loop(calibration, press)])


def _add_origin(page: Page, calibration: Calibration) -> None:
    rows = [[source.name, source.kind.replace("_", "-"), source.sha256] for source in calibration.sources]
    page.add_table("Recordings", ["File", "Kind", "SHA-256"], rows, text="The calibration was made from these files.")
