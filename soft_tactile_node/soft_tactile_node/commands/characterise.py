"""`soft-tactile characterise`: figures of one or many specimens side by side, effects of their design, ageing."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from soft_tactile_node.commands._options import PATH, as_json, namespace, print_json, show_phases
from soft_tactile_node.errors import SoftTactileError, SpecimenError

LIMITED = 3
"""Exit code where a specimen could not be characterised, or a finger should be calibrated again."""


@click.command()
@click.argument("paths", metavar="SPECIMEN…", nargs=-1, required=True, type=PATH)
@click.option("--out", "--report", "report", metavar="R.html", type=PATH, help="Report to write; opens anywhere.")
@click.option("--csv", "csv_path", metavar="T.csv", type=PATH, help="Table to write: a row a specimen and figure.")
@namespace
@as_json
def command(
    paths: tuple[Path, ...], report: Path | None, csv_path: Path | None, namespace: str | None, as_json: bool
) -> int:
    r"""Compare specimens: sensitivity, linearity, hysteresis, noise, speed, creep, temperature, bending.

    SPECIMEN is a folder with the free-bend and press recordings of one finger (free_bend.csv, press.csv) or with such
    folders; recordings by name (left_free_bend.csv left_press.csv); a calibration, whose figures are taken as they are;
    or a table of specimens:

    \b
        specimens:
          - label: thin wall
            folder: thin_wall
            date: 2026-05-01
            factors: {wall_mm: 0.4, silicone: soft}

    In place of `folder` a row may have `free_bend` and `press`, or `calibration`. Factors give main effects. Rows with
    one `finger` and several dates, or folders named like left_2026-05-01, are one finger over time: drifts are named
    with their cause, and when to calibrate again. Without a date in name or table the recording's own stamps count, or
    the time of its file.

    Exit codes: 0 all is well, 3 a specimen could not be characterised or a finger should be calibrated again, 1 none
    could be characterised.
    """
    from soft_tactile_node.characterisation.ageing import find_ageing
    from soft_tactile_node.characterisation.specimens import find_specimens
    from soft_tactile_node.characterisation.table import Characterised, characterise, table_csv, table_rows

    specimens = find_specimens(paths)
    items: list[Characterised] = []
    failed: dict[str, str] = {}
    with show_phases(len(specimens)) as progress:
        for specimen in specimens:
            if progress is not None:
                progress(specimen.label)
            try:
                items.append(characterise(specimen, namespace))
            except SoftTactileError as error:
                failed[specimen.label] = str(error)
                print(f"soft-tactile: specimen {specimen.label}: {error}", file=sys.stderr)
    if not items:
        raise SpecimenError("no specimen could be characterised; see the lines above")
    from soft_tactile_node.reports.characterise_text import conclusions

    ageing = find_ageing(items)
    sentences = conclusions(items, ageing, failed)
    if csv_path is not None:
        from soft_tactile_node.recordings import write_atomically

        write_atomically(csv_path, table_csv(items))
    if report is not None:
        from soft_tactile_node.reports.characterise_report import write_characterise_report

        write_characterise_report(report, items, ageing, failed)
    if as_json:
        print_json({"conclusions": sentences, "figures": table_rows(items), "failed": failed})
    else:
        from soft_tactile_node.reports.characterise_text import format_table

        print("\n".join([*sentences, "", format_table(items)]))
        for path in (report, csv_path):
            if path is not None:
                print(f"{path} written")
    return LIMITED if failed or any(one.due for one in ageing) else 0
