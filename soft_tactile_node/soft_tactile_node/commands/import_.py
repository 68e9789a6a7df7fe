"""`soft-tactile import`: any lab log into a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from soft_tactile_node.commands._options import PATH, as_json, print_json

if TYPE_CHECKING:
    from soft_tactile_node.importing import ClockOffset, Imported

# \b keeps the lines that follow it apart, up to an empty line.
HELP = """Turn a lab log into a recording: columns, units, counts to inductance, two clocks on one.

\b
A map:
  time: {column: t, unit: ms}
  pressure: {column: p, unit: kPa, reference: absolute}
  coils: [{column: ch1, unit: count}, {column: ch2, unit: count}]
  tank: {reference_hz: 50.0e6, divider: 1000, capacitor_f: 470.0e-12}
  temperature: {column: T, unit: degC}
  file: {delimiter: ";", decimal: ","}
  reference:
    time: {column: stamp, unit: iso8601}
    force: {z: {column: Fz, unit: gf, scale: -1}}

\b
file (of the log, and again under `reference` for the second one):
  delimiter    auto, or one of "," ";" tab "|" space
  decimal      "." or ","
  comment      a sign such as "#": rows that start with it are passed over
  rows_before  rows to skip before the row of column names
  header       false = no row of names: columns are numbers from 1
  rows_after   rows to skip between the names and the first sample (units)
  encoding     utf-8, utf-16, cp1252 or latin-1
  missing      cells that mean "not measured", such as ["---"]
tank (only where coils are counts or frequencies):
  counter      reciprocal (default) counts ticks of the reference clock during
               `divider` periods of the tank; gated counts periods of the tank,
               divided by `divider`, during `gate_ticks` ticks of that clock
  reference_hz, divider, gate_ticks    of that counter
  capacitor_f, parasitic_capacitance_f, parasitic_inductance_h, resistance_ohm
               of the tank; one value, or a list with one for each coil

The offset between the clocks is found by correlating the rates of force and inductance, and printed with its
uncertainty; it is refused where the presses do not tell it.
"""


@click.command(name="import", help=HELP)
@click.argument("log", metavar="LOG.csv", type=PATH)
@click.option(
    "--reference", metavar="FORCE.csv", type=PATH, help="Second log, of the force cell, on a clock of its own."
)
@click.option(
    "--map", "map_file", metavar="MAP.yaml", required=True, type=PATH, help="Where each column is, in which unit."
)
@click.option("--out", "output", metavar="REC.csv", required=True, type=PATH, help="Recording to write.")
@as_json
def command(log: Path, reference: Path | None, map_file: Path, output: Path, as_json: bool) -> None:
    """Turn a lab log into a recording."""
    from soft_tactile_node.importing import import_log, load_map
    from soft_tactile_node.recordings import save_recording

    rules = load_map(map_file)
    found = import_log(log, rules, reference)
    save_recording(found.recording, output)
    if as_json:
        print_json(_to_json(output, found))
    else:
        print(_to_text(output, found))


def _to_text(output: Path, found: Imported) -> str:
    import numpy as np

    recording = found.recording
    length_s = float(recording.time_s[-1] - recording.time_s[0])
    lines = [
        f"{output}: {len(recording)} rows, {recording.channels} channels, {length_s:.1f} s, {_rate_hz(found):.4g} Hz",
        "inductance: " + ", ".join(f"{value * 1e6:.5g} uH" for value in np.nanmedian(recording.inductance_h, axis=0)),
    ]
    if found.clock is not None:
        lines.append(_describe_clock(found.clock))
    return "\n".join([*lines, *(f"Remark: {remark}." for remark in found.remarks)])


def _describe_clock(clock: ClockOffset) -> str:
    if clock.uncertainty_s == 0.0:
        return f"clock of the reference: {clock.offset_s:+.4f} s, as given"
    text = (
        f"clock of the reference: {clock.offset_s:+.4f} s ± {clock.uncertainty_s:.4f} s (standard uncertainty), to be "
        f"added to its times to count from the first row of the log; agreement {clock.agreement:.2f} of 1"
    )
    if clock.rate:
        text += f"; it runs {clock.rate * 1e6:+.0f} ppm off, corrected"
    return text


def _rate_hz(found: Imported) -> float:
    import numpy as np

    steps = np.diff(found.recording.time_s)
    return 1.0 / float(np.median(steps)) if steps.size and np.median(steps) > 0.0 else float("nan")


def _to_json(output: Path, found: Imported) -> dict[str, object]:
    clock = found.clock
    return {
        "recording": str(output),
        "rows": len(found.recording),
        "channels": found.recording.channels,
        "rate_hz": _rate_hz(found),
        "clock": None
        if clock is None
        else {
            "offset_s": clock.offset_s,
            "uncertainty_s": clock.uncertainty_s,
            "at_s": clock.at_s,
            "rate": clock.rate,
            "agreement": clock.agreement,
        },
        "remarks": list(found.remarks),
    }
