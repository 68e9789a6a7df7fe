"""`soft-tactile score`: figures of estimates against the truth."""

from __future__ import annotations

from pathlib import Path

import click

from soft_tactile_node.commands._options import FAILED, PATH, ManyValues, as_json, namespace, print_json, tell_remarks
from soft_tactile_node.errors import RangeError, RecordingError


@click.command(cls=ManyValues)
@click.argument("files", metavar="[EST.csv TRUTH.csv]", nargs=-1, type=PATH)
@click.option(
    "--pair",
    "pairs",
    metavar="EST.csv TRUTH.csv",
    nargs=2,
    multiple=True,
    type=PATH,
    help="Another estimate with its truth; may be repeated.",
)
@click.option(
    "--events",
    "events",
    metavar="EV.csv…",
    multiple=True,
    type=PATH,
    help="Events of each pair, in order; needed for slips.",
)
@click.option(
    "--recording",
    "recordings",
    metavar="REC.csv…",
    multiple=True,
    type=PATH,
    help="Recording of each pair, in order; with --press for the bend rejection.",
)
@click.option(
    "--press",
    "press",
    metavar="P.csv…",
    multiple=True,
    type=PATH,
    help="Press recordings of the same pad, with reference force.",
)
@click.option("--calibration", metavar="CAL.yaml", type=PATH, help="Take full scale and pad from this calibration.")
@namespace
@as_json
def command(
    files: tuple[Path, ...],
    pairs: tuple[tuple[Path, Path], ...],
    events: tuple[Path, ...],
    recordings: tuple[Path, ...],
    press: tuple[Path, ...],
    calibration: Path | None,
    namespace: str | None,
    as_json: bool,
) -> int:
    """Score estimates against what truly happened.

    Figures are pooled over all pairs. One whose input is missing says what it needs (null in JSON). Full scale is 5 N
    of normal force and 2 N of shear unless a calibration says otherwise.

    The last line says PASS or FAIL against the limits of the pad: that of --calibration, or told by the observed axes.
    A limit whose figure was not computed is named and counts neither way.

    Exit codes: 0 PASS, 3 FAIL, 1 the files are bad.
    """
    if len(files) not in (0, 2):
        raise click.UsageError(f"give one estimate and its truth, more with --pair; got {len(files)} files")
    couples = [(files[0], files[1])] if files else []
    couples += pairs
    if not couples:
        raise click.UsageError("give an estimate and its truth: EST.csv TRUTH.csv, or --pair EST.csv TRUTH.csv")
    for name, given in (("--events", events), ("--recording", recordings)):
        if given and len(given) != len(couples):
            raise click.UsageError(f"{name} must be given once for each pair: {len(couples)}; got {len(given)}")
    from soft_tactile_node.recordings import load_estimate, load_events, load_recording, load_truth
    from soft_tactile_node.scoring import FULL_SCALE_N, score
    from soft_tactile_node.scoring.sheet import format_score
    from soft_tactile_node.scoring.verdict import format_verdict, judge_score

    full_scale_n = FULL_SCALE_N
    pad: str | None = None
    if calibration is not None:
        from soft_tactile_node.calibration.storage import load_calibration

        record = load_calibration(calibration)
        pad, ranges = record.pad, record.ranges
        shear_n = ranges.force_shear_n if ranges.force_shear_n > 0.0 else FULL_SCALE_N[0]
        full_scale_n = (shear_n, shear_n, ranges.force_normal_n)
    try:
        result = score(
            [
                (load_estimate(estimate, namespace=namespace), load_truth(truth, namespace=namespace))
                for estimate, truth in couples
            ],
            [load_events(path, namespace=namespace) for path in events] if events else None,
            recordings=[tell_remarks(load_recording(path, namespace=namespace)) for path in recordings]
            if recordings
            else None,
            press=[tell_remarks(load_recording(path, namespace=namespace)) for path in press],
            full_scale_n=full_scale_n,
        )
    except RangeError as error:
        raise RecordingError(f"{', '.join(str(couple[1]) for couple in couples)}: {error}") from error
    verdict = judge_score(result, pad)
    if as_json:
        print_json({**result.figures, **verdict.to_json()})
    else:
        print(format_score(result))
        print(format_verdict(verdict))
    return 0 if verdict.passed else FAILED
