"""`soft-tactile simulate`: a recording from the simulated finger, and what really happened."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from soft_tactile_node.commands._options import PATH, show_phases
from soft_tactile_node.errors import StudyError
from soft_tactile_node.registry import DEFAULT_PAD, PADS
from soft_tactile_node.words import SCENARIOS

if TYPE_CHECKING:
    from soft_tactile_node.simulation.pad_design import PadDesign


@click.command()
@click.argument("scenario", metavar="SCENARIO", type=click.Choice(SCENARIOS))
@click.option("--out", "output", metavar="REC.csv", required=True, type=PATH, help="Recording to write.")
@click.option("--truth", metavar="TRUTH.csv", type=PATH, help="Truth to write: force, bend, contact, slip of each row.")
@click.option("--pad", default=DEFAULT_PAD, show_default=True, type=click.Choice(tuple(PADS)), help="Pad variant.")
@click.option("--study", metavar="STUDY.yaml", type=PATH, help="Take the pad from this design study instead.")
@click.option(
    "--design",
    "number",
    default=1,
    show_default=True,
    type=click.IntRange(1),
    help="Which design of it, from 1.",
)
@click.option(
    "--seed", default=0, show_default=True, type=click.IntRange(0), help="Picks motion details, noise and specimen."
)
@click.option("--specimen", type=click.IntRange(0), help="Picks finger and pad, to record one specimen several times.")
@click.option("--rate", "rate_hz", metavar="HZ", default=500.0, show_default=True, type=float, help="Scans per second.")
@click.option("--duration", "duration_s", metavar="S", type=float, help="Length (s); default: the scenario's own.")
@click.option("--force-cap", "force_cap_n", metavar="N", type=float, help="Largest force that picks aim at (N).")
@click.option("--temperature", "temperature_c", metavar="C", type=float, help="Temperature at the start (degC).")
def command(
    scenario: str,
    output: Path,
    truth: Path | None,
    pad: str,
    study: Path | None,
    number: int,
    seed: int,
    specimen: int | None,
    rate_hz: float,
    duration_s: float | None,
    force_cap_n: float | None,
    temperature_c: float | None,
) -> None:
    """Write a recording of the simulated finger: an invented finger that presses buns, rolls and jam jars of a bakery.

    Every scenario starts with 2 s of unpressurised, untouched rest. Only `press` has force columns, only `free-bend` a
    bend column. The same seed gives the same file.

    Scenarios: free-bend and press (for calibration), ramps (no contact), pick-bun, pick-roll, pick-jar (slips),
    light-touch, hold, warm-up.
    """
    from soft_tactile_node.recordings import save_recording, save_truth
    from soft_tactile_node.simulation import simulate

    with show_phases(2) as start:
        if start:
            start("simulating")
        recording, happened = simulate(
            scenario,
            pad=pad if study is None else _designed_pad(study, number),
            seed=seed,
            rate_hz=rate_hz,
            duration_s=duration_s,
            specimen_seed=specimen,
            force_cap_n=force_cap_n,
            temperature_c=temperature_c,
        )
        if start:
            start("writing")
        save_recording(recording, output)
        if truth is not None:
            save_truth(happened, truth)
    share = float(happened.in_contact.mean())
    rows = f"{len(recording)} rows, {recording.channels} channels"
    print(f"{output}: {scenario}, {rows}, in contact {share:.0%} of the time")


def _designed_pad(study: Path, number: int) -> PadDesign:
    from soft_tactile_node.design import load_study
    from soft_tactile_node.design.drop_in import simulated_pad

    _, cases = load_study(study)
    if number > len(cases):
        raise StudyError(f"{study}: --design must be 1 to {len(cases)}; got {number}")
    return simulated_pad(cases[number - 1].design)
