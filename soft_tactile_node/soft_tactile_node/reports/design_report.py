"""The report of a pad design study: summary in words, ranked table, noise budget, remarks, plots."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from soft_tactile_node.design.pad_study import OwnFigure
from soft_tactile_node.design.run import Result
from soft_tactile_node.design.schema import Design, Study
from soft_tactile_node.design.words import millimetres
from soft_tactile_node.registry import PADS
from soft_tactile_node.reports.design_plots import plot_designs
from soft_tactile_node.reports.numbers import FigureRow, format_value
from soft_tactile_node.reports.page import Page
from soft_tactile_node.samples import Array

FOOTER = (
    "Computed from the pad's description alone; silicone, filler and alloy vary by tens of per cent from batch to "
    "batch, so cast two and measure. Gallium alloys attack aluminium and stain; keep them away from food. "
    "Not a safety-rated device."
)

NO_BREAK = "\N{NO-BREAK SPACE}"

RANKED_BY = {
    "snr_db": "signal-to-noise ratio at full scale",
    "monotonic_range_n": "monotonic range",
    "sensitivity_h_n": "sensitivity at no load",
    "bend_worst_n": "bending cross-sensitivity at worst within the tolerances, smallest first",
    "bend_apparent_n": "bending cross-sensitivity, smallest first",
}


def write_design_report(study: Study, ranked: Sequence[Result], path: object) -> None:
    """Write the report of a study.

    Parameters
    ----------
    study : Study
        The study.
    ranked : sequence of Result
        Its results, best first.
    path : str or pathlib.Path
        HTML file to write.
    """
    build_page(study, ranked).write(path)  # type: ignore[arg-type]


def build_page(study: Study, ranked: Sequence[Result]) -> Page:
    """Return the report page of `study` from its results `ranked`, best first."""
    best = ranked[0]
    page = Page(study.title, subtitle=study.note, footer=FOOTER)
    page.add_summary(*summary_sentences(ranked))
    page.add_table(
        "Designs, best first",
        *_ranked_table(ranked),
        text=f"Ranked by {RANKED_BY[study.rank_by]}; designs that do not respond over the full scale, or whose tank "
        "hardly swings, are marked * and come after all others.",
    )
    page.add_table(
        "Their coils",
        *_coil_table(ranked),
        text="Second formula: how far the inductance of the coil alone, computed as one even winding, lies from that "
        "of its turns, which is used.",
    )
    page.add_table(
        "What else moves the signal",
        *_disturbance_table(ranked),
        text="What looks like a force is given as the normal force it looks like before separation; metal as the "
        f"distance from the surface at which it reads as {study.load.detection_n:g} N.",
    )
    page.add_plots("Plots", plot_designs(study, ranked))
    page.add_figures(
        "Noise budget of the best design",
        _noise_rows(best),
        text="Noise is computed from the reference clock, the gate time, the capacitor, the quality factor and the "
        "counts of random error; none of it is chosen.",
    )
    page.add_figures("Figures of the best design", _figure_rows(best))
    if best.figures.shear_force_n.size:
        page.add_table("Cross-talk of the best design", *_crosstalk_table(best))
    page.add_table(
        "Where each design stops responding",
        ["Design", "Remarks"],
        [[_name(one), " ".join(one.figures.remarks) or "None."] for one in ranked],
    )
    return page


def summary_sentences(ranked: Sequence[Result]) -> list[str]:
    """Return the summary of a study, most important first, from its results `ranked`, best first."""
    best, figures = ranked[0], ranked[0].figures
    usable = sum(one.figures.usable for one in ranked)
    told = f": {_changes(best)}" if best.case.changes else ""
    direction = "rises" if figures.normal_h[-1] > 0.0 else "falls"
    peak = 100.0 * abs(float(figures.normal_h[-1])) / (figures.inductance_h * figures.coils)
    full = f"{figures.force_n[-1]:.3g} N"
    first = (
        f"Best of {len(ranked)}: design {best.case.number}{told}. Its inductance {direction} by {peak:.3g} % at "
        f"{full}; that is {figures.snr_db:.1f} dB over the noise of one reading."
    )
    noise = (
        f"One reading of the best design has {_si(figures.noise.inductance_h, 'H')} rms of noise: a relative "
        f"{figures.noise.frequency * 1e6:.3g} ppm of frequency, counted at {figures.frequency_hz * 1e-6:.3g} MHz."
    )
    sentences = [
        first,
        f"{usable} of {len(ranked)} designs respond over the whole {full} with a tank that swings.",
        noise,
    ]
    sentences += main_effects(ranked)
    bending = (
        f"Bending by the stated angle looks like {format_value(figures.bend_worst_n)} N at worst on the best pad as "
        f"cast ({format_value(figures.bend_apparent_n)} N as drawn)"
    )
    metal = [f"the {name} reads as a touch {_distance(value)}" for name, value in figures.stand_off_m.items()]
    sentences.append("; ".join([bending, *([" and ".join(metal)] if metal else [])]) + ".")
    sentences += figures.remarks[:2]
    return sentences


def main_effects(ranked: Sequence[Result]) -> list[str]:
    """Return one sentence for each swept key: what its two ends do to the mean signal-to-noise ratio.

    Parameters
    ----------
    ranked : sequence of Result
        Results in any order.

    Returns
    -------
    list of str
        Sentences, strongest effect first; none where a key takes one value only.
    """
    effects = []
    for key in ranked[0].case.changes:
        values: dict[str, list[float]] = {}
        for one in ranked:
            if key in one.case.changes and math.isfinite(one.figures.snr_db):
                values.setdefault(_value(one.case.changes[key], key), []).append(one.figures.snr_db)
        means = {value: sum(found) / len(found) for value, found in values.items()}
        if len(means) > 1:
            high, low = max(means, key=lambda v: means[v]), min(means, key=lambda v: means[v])
            gain = means[high] - means[low]
            told = f"{high} is on average {gain:.1f} dB better than {low}"
            effects.append((gain, f"{_short(key)}: {told if gain >= 0.05 else 'makes no difference on average'}."))
    return [text for _, text in sorted(effects, reverse=True)]


def _ranked_table(ranked: Sequence[Result]) -> tuple[list[str], list[list[str]]]:
    keys = list(ranked[0].case.changes)
    shear = any(math.isfinite(one.figures.snr_shear_db) for one in ranked)
    columns = ["Design", *[_short(key) for key in keys], "SNR (dB)", *(["Shear SNR (dB)"] if shear else [])]
    rows = []
    for one in ranked:
        f = one.figures
        row = [str(one.case.number), *[_value(one.case.changes.get(key, ""), key) for key in keys]]
        row += [f"{f.snr_db:.1f}{'' if f.usable else '*'}", *([f"{f.snr_shear_db:.1f}"] if shear else [])]
        rows.append([*row, f"{f.sensitivity_percent_n:.3g}", f"{f.monotonic_range_n:.2g}"])
    return [*columns, "Sensitivity (%/N)", "Monotonic to (N)"], rows


def _coil_table(ranked: Sequence[Result]) -> tuple[list[str], list[list[str]]]:
    columns = ["Design", "Turns", "Frequency (MHz)", "Inductance (µH)", "Second formula (%)", "Loss (ohm)", "Q"]
    rows = []
    for one in ranked:
        f = one.figures
        row = [str(one.case.number), str(f.turns), f"{f.frequency_hz * 1e-6:.3g}", f"{f.inductance_h * 1e6:.4g}"]
        rows.append([*row, f"{f.second_formula_percent:+.1f}", f"{f.resistance_ohm:.3g}", f"{f.noise.quality:.2g}"])
    return columns, rows


def _disturbance_table(ranked: Sequence[Result]) -> tuple[list[str], list[list[str]]]:
    plates = list(ranked[0].figures.stand_off_m)
    shear = bool(ranked[0].figures.shear_force_n.size)
    own = {name: figure for name, figure in _own_figures(ranked[0]).items() if figure.looks_like_force}
    columns = ["Design", "Bend looks like (N)", "At worst as cast (N)", "Hysteresis (%)", "Misplaced gain (%)"]
    columns += ["Worst cross-talk (%)", "Worst, misplaced (%)"] if shear else []
    columns += [f"{figure.title} ({figure.unit})" for figure in own.values()]
    columns += [f"{name} at (mm)" for name in plates]
    rows = []
    for one in ranked:
        f = one.figures
        row = [
            str(one.case.number),
            f"{f.bend_apparent_n:.2g}",
            f"{f.bend_worst_n:.2g}",
            f"{f.hysteresis_percent:.2g}",
            f"{f.misplaced_gain_percent:.2g}",
        ]
        if shear:
            row += [_whole(_worst(f.crosstalk_percent)), _whole(_worst(f.crosstalk_misplaced_percent))]
        row += [f"{f.extra[name] * figure.scale:.2g}" for name, figure in own.items()]
        rows.append(row + [f"{1e3 * f.stand_off_m[name]:.3g}" for name in plates])
    return columns, rows


def _whole(value: float) -> str:
    """Return a percentage with no more digits than it deserves."""
    return f"{value:.0f}" if abs(value) >= 10.0 else f"{value:.2g}"


def _worst(table: Array) -> float:
    """Return the largest entry of a cross-talk table off its diagonal (%)."""
    return float(np.max(np.abs(table - np.diag(np.diag(table)))))


def _noise_rows(best: Result) -> list[FigureRow]:
    readout, noise, figures = best.case.design.readout, best.figures.noise, best.figures
    return [
        FigureRow("Reference clock", readout.reference_hz * 1e-6, "MHz"),
        FigureRow("Gate time", readout.gate_s * 1e3, "ms"),
        FigureRow("Tank capacitor", readout.capacitance_f * 1e12, "pF"),
        FigureRow("Random error", readout.noise_counts, "counts rms"),
        FigureRow("Quality factor at rest", noise.quality, "", None, "coil, silicone and metal together"),
        FigureRow("Step of the counter", noise.step * 1e6, "ppm", None, "1 / (clock x gate)"),
        FigureRow("Quantisation", noise.quantisation * 1e6, "ppm", None, "step / sqrt(6): two time stamps"),
        FigureRow("Random part", noise.random * 1e6, "ppm"),
        FigureRow("Noise of frequency", noise.frequency * 1e6, "ppm", None, "both, in squares"),
        FigureRow(
            "Noise of one reading", noise.inductance_h * 1e9, "nH", None, "2 L sd(f)/f, more where the tank is lossy"
        ),
        FigureRow("Noise of the normal signal", figures.normal_noise_h * 1e9, "nH", None, "coil, or sum of the coils"),
        FigureRow("Change at full scale", float(figures.normal_h[-1]) * 1e6, "µH", None, "as read"),
        FigureRow("SNR at full scale", figures.snr_db, "dB", None, "20 log10(change / rms noise)"),
    ]


def _allowed(design: Design) -> str:
    """Return the tolerances within which the worst is sought."""
    allowed = design.tolerances
    sizes = (allowed.gap_m, allowed.thickness_m, design.load.misplacement_m)
    return "gap ± {}, thickness ± {}, {} off its place".format(*map(millimetres, sizes))


def _figure_rows(best: Result) -> list[FigureRow]:
    figures, load, finger = best.figures, best.case.design.load, best.case.design.finger
    rows = [
        FigureRow("Sensitivity at no load", figures.sensitivity_h_n * 1e9, "nH/N"),
        FigureRow("Relative sensitivity", figures.sensitivity_percent_n, "%/N", None, "of the inductance at rest"),
        FigureRow("Monotonic range", figures.monotonic_range_n, "N", None, "slope above a twentieth of its best"),
        FigureRow("Hysteresis", figures.hysteresis_percent, "%", None, f"of span, cycle of {load.cycle_s:g} s"),
        FigureRow(
            "Bending looks like", figures.bend_apparent_n, "N", None, f"bend of {finger.bend_rad:g} rad, no load"
        ),
        FigureRow("Bending looks like, at worst", figures.bend_worst_n, "N", None, _allowed(best.case.design)),
        FigureRow(
            "Gain when misplaced",
            figures.misplaced_gain_percent,
            "%",
            None,
            f"{millimetres(load.misplacement_m)} off its place",
        ),
    ]
    for name, value in figures.stand_off_m.items():
        remark = f"distance from the surface at which it reads as {load.detection_n:g} N"
        rows.append(FigureRow(f"Stand-off, {name}", value * 1e3, "mm", None, remark))
    for name, own in _own_figures(best).items():
        rows.append(FigureRow(own.title, figures.extra[name] * own.scale, own.unit))
    return rows


def _own_figures(result: Result) -> dict[str, OwnFigure]:
    """Return the figures that only the variant of a design has."""
    found: dict[str, OwnFigure] = PADS[result.figures.variant].load_study().own
    return found


def _crosstalk_table(best: Result) -> tuple[list[str], list[list[str]]]:
    load = best.case.design.load
    columns = [
        "Combination",
        f"{load.normal_n:g} N normal",
        f"{load.shear_n:g} N along x",
        f"{load.shear_n:g} N along y",
        "State",
    ]
    rows = []
    for state, table in (
        ("in place", best.figures.crosstalk_percent),
        (f"{millimetres(load.misplacement_m)} off along x", best.figures.crosstalk_misplaced_percent),
    ):
        for name, row in zip(("sum", "difference x", "difference y"), table, strict=True):
            rows.append([name, *[f"{value:.3g} %" for value in row], state])
    return columns, rows


def _name(result: Result) -> str:
    told = _changes(result)
    return f"{result.case.number}" + (f" ({told})" if told else "")


def _changes(result: Result) -> str:
    return ", ".join(f"{_short(key)} {_value(value, key)}" for key, value in result.case.changes.items())


def _short(key: str) -> str:
    """Return a dotted key in words, without its unit: `pad.press_cell.diameter_m` is `press cell diameter`."""
    words = key.removeprefix("pad.").replace(".", " ")
    for unit in ("_hz", "_m", "_n", "_pa", "_s", "_f"):
        words = words.removesuffix(unit)
    return words.replace("_", " ")


def _value(value: Any, key: str) -> str:
    if isinstance(value, str) and not value:
        return ""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return str(value).replace("_", " ")
    if key.endswith("_m"):
        return millimetres(number).replace(" ", NO_BREAK)
    if key.endswith("_hz"):
        return f"{number * 1e-6:.3g}{NO_BREAK}MHz"
    return f"{number:.4g}"


def _distance(value_m: float) -> str:
    return "not even when touching" if value_m == 0.0 else f"{value_m * 1e3:.3g} mm away"


def _si(value: float, unit: str) -> str:
    for scale, prefix in ((1e-12, "p"), (1e-9, "n"), (1e-6, "u")):
        if abs(value) < 1e3 * scale:
            return f"{value / scale:.3g} {prefix}{unit}"
    return f"{value:.3g} {unit}"
