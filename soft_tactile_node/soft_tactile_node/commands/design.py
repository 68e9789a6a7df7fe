"""`soft-tactile design`: a pad design study before anything is cast."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from soft_tactile_node.commands._options import PATH, as_json, print_json

if TYPE_CHECKING:
    from soft_tactile_node.design import Result


@click.command()
@click.argument("study_file", metavar="STUDY.yaml", type=PATH)
@click.option("--report", metavar="R.html", type=PATH, help="Report to write.")
@click.option("--jobs", default=-1, show_default=True, type=int, help="Processes; -1 = one for each core.")
@click.option(
    "--cluster",
    metavar="ADDRESS",
    default="",
    help="Dask scheduler to compute on (tcp://host:8786), or `local` for one on this machine; needs distributed.",
)
@as_json
def command(study_file: Path, report: Path | None, jobs: int, cluster: str, as_json: bool) -> None:
    """Compute what pads would give: response, noise, range and cross-talk against geometry, material and readout.

    A study names one pad and the values to sweep, as a grid or a list; see shared/studies. For each design: inductance
    and loss, change against force, sensitivity, monotonic range, SNR at full scale with the noise computed from clock,
    gate, capacitor, quality factor and counts, bending cross-sensitivity as drawn and at worst within the tolerances of
    the cast pad, cross-talk, hysteresis, misplacement, and how far metal must stay away.
    """
    from tqdm import tqdm

    from soft_tactile_node.design import load_study, rank, run_study

    study, cases = load_study(study_file)
    bar = tqdm(total=len(cases), unit="design", leave=False) if sys.stderr.isatty() else None
    try:
        results = run_study(cases, jobs=jobs, cluster=cluster, progress=bar and (lambda _: bar.update(1)))
    finally:
        if bar is not None:
            bar.close()
    ranked = rank(results, study)
    if report is not None:
        from soft_tactile_node.reports.design_report import write_design_report

        write_design_report(study, ranked, report)
    if as_json:
        print_json({"title": study.title, "rank_by": study.rank_by, "designs": [as_data(one) for one in ranked]})
        return
    _print_table(ranked)
    if report is not None:
        print(f"{report}: report of {len(ranked)} designs")


def as_data(result: Result) -> dict[str, Any]:
    """Return number, changes and figures of `result` as data for JSON."""
    figures = {**vars(result.figures), "noise": vars(result.figures.noise)}
    return {"design": result.case.number, "changes": result.case.changes, **figures}


def _print_table(ranked: list[Result]) -> None:
    best = ranked[0].figures
    noise = best.noise
    print(
        f"noise of one reading of the best design: {noise.inductance_h * 1e9:.4g} nH rms "
        f"from {noise.frequency * 1e6:.4g} ppm of frequency "
        f"(quantisation {noise.quantisation * 1e6:.3g}, random {noise.random * 1e6:.3g} ppm), Q {noise.quality:.3g}"
    )
    keys = list(ranked[0].case.changes)
    header = [
        "rank",
        "design",
        *[key.removeprefix("pad.") for key in keys],
        "f_MHz",
        "L_uH",
        "%/N",
        "range_N",
        "SNR_dB",
        "bend_N",
        "worst_N",
    ]
    rows = [header]
    for place, one in enumerate(ranked, start=1):
        f = one.figures
        row = [str(place), str(one.case.number), *[str(one.case.changes.get(key, "")) for key in keys]]
        row += [f"{f.frequency_hz * 1e-6:.3f}", f"{f.inductance_h * 1e6:.3f}", f"{f.sensitivity_percent_n:.4f}"]
        row += [
            f"{f.monotonic_range_n:.2f}",
            f"{f.snr_db:.1f}{'' if f.usable else '*'}",
            f"{f.bend_apparent_n:.2f}",
            f"{f.bend_worst_n:.2f}",
        ]
        rows.append(row)
    widths = [max(len(row[i]) for row in rows) for i in range(len(header))]
    for row in rows:
        print("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)))
    if not all(one.figures.usable for one in ranked):
        print("* does not respond over its full scale, or its tank hardly swings")
    for remark in ranked[0].figures.remarks:
        print(f"best design: {remark}")
