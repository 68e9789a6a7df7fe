"""`soft-tactile replay`: the online estimator over a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from soft_tactile_node.commands._options import FAILED, PATH, ManyValues, namespace, tell, tell_remarks
from soft_tactile_node.words import SETTINGS

if TYPE_CHECKING:
    from soft_tactile_node.reports.split_signals import Replayed
    from soft_tactile_node.scoring.verdict import Judgement


@click.command(cls=ManyValues)
@click.argument("recordings", metavar="REC.csv…", nargs=-1, required=True, type=PATH)
@click.option("--calibration", metavar="CAL.yaml", required=True, type=PATH, help="Calibration of this finger.")
@click.option(
    "--out", "outputs", metavar="EST.csv…", required=True, multiple=True, type=PATH, help="Estimate, one a recording."
)
@click.option(
    "--events", "events", metavar="EV.csv…", multiple=True, type=PATH, help="Contact events, one a recording."
)
@click.option(
    "--report", "reports", metavar="R.html…", multiple=True, type=PATH,
    help="Report that opens without a network, one a recording.",
)  # fmt: skip
@click.option(
    "--truth", "truths", metavar="TRUTH.csv…", multiple=True, type=PATH,
    help="What truly happened, one a recording: also say PASS or FAIL, as score does.",
)  # fmt: skip
@click.option(
    "--tare-s",
    metavar="S",
    default=1.0,
    show_default=True,
    type=click.FloatRange(0.1, 60.0),
    help="Length of the tare (s).",
)
@click.option(
    "--setting", default="light", show_default=True, type=click.Choice(SETTINGS),
    help="light: finds 0.05 N, at most 0.1 false touches a minute; sure: 0.2 N, at most one an hour.",
)  # fmt: skip
@namespace
def command(
    recordings: tuple[Path, ...],
    calibration: Path,
    outputs: tuple[Path, ...],
    events: tuple[Path, ...],
    reports: tuple[Path, ...],
    truths: tuple[Path, ...],
    tare_s: float,
    setting: str,
    namespace: str | None,
) -> int:
    """Run the estimator over recordings, exactly as it runs online.

    Recordings are CSV, or MCAP files or folders of `ros2 bag record -s mcap`.

    Row k of the estimate uses nothing after row k of the recording. Reference columns (force, bend) are never read.
    The recording must start at rest: vented and untouched.

    Exit codes: 0 done, 3 done and FAIL against --truth, 1 the files are bad.

    \b
    The column flags of the estimate is the sum of these bits:
        1  TARE: the tare is being taken, no force yet
        2  TARE_OLD: running on the tare of an earlier run
        4  STALE: no scan within the coil timeout
        8  CHANNEL_OPEN: a channel is missing, NaN or far outside its range
       16  STUCK: a channel does not move although it should
       32  SPIKE: a channel jumped further than a finger can move it
       64  REJECTED: the scan, or a channel of it, failed its gate and was not used
      128  PRESSURE_MISSING: pressure is missing, frozen or implausible; the model holds, variance grows
      256  OUT_OF_RANGE: pressure, temperature or force beyond the calibrated range
      512  TIME_JUMP: the stamp was equal, went backwards or jumped
     1024  OVERLOAD: force above the overload limit
     2048  HELD_ELSEWHERE: bending is blocked by something that does not touch the pad
     8192  MOTION: the finger rings, as when its base moves; touch thresholds raised
    """  # noqa: D301
    for name, given in (("--out", outputs), ("--events", events), ("--report", reports), ("--truth", truths)):
        if len(given) != len(recordings) and (given or name == "--out"):
            raise click.UsageError(f"{name} must be given once for each recording: {len(recordings)}; got {len(given)}")
    from soft_tactile_node.calibration.storage import load_calibration
    from soft_tactile_node.estimation.pipeline import Estimator
    from soft_tactile_node.estimation.settings import PRESETS
    from soft_tactile_node.estimation.tare import find_moved
    from soft_tactile_node.recordings import load_recording, save_estimate, save_events
    from soft_tactile_node.reports.split_signals import replay_and_split
    from soft_tactile_node.samples import EventKind
    from soft_tactile_node.scoring.verdict import format_verdict

    record = load_calibration(calibration)
    passed = True
    for k, path in enumerate(recordings):
        recording = tell_remarks(load_recording(path, reference=False, namespace=namespace, tare_s=tare_s))
        estimator = Estimator(record, PRESETS[setting], tare_s=tare_s)
        run = replay_and_split(estimator, recording)
        if estimator.tare is not None:
            tell(f"{path}: {remark}" for remark in find_moved(estimator.tare, record.tare_inductance_h))
        save_estimate(run.estimate, outputs[k])
        if events:
            save_events(run.events, events[k])
        touches = sum(event.kind is EventKind.CONTACT for event in run.events)
        print(f"{path}: {len(recording)} rows, {touches} contacts, {len(run.events)} events -> {outputs[k]}")
        judged = _judge(run, record.pad, truths[k], namespace) if truths else None
        if judged is not None:
            print(format_verdict(judged.verdict))
            passed = passed and judged.verdict.passed
        if reports:
            from soft_tactile_node.reports.replay_report import write_replay_report

            write_replay_report(reports[k], record, run, judged)
    return 0 if passed else FAILED


def _judge(run: Replayed, pad: str, truth: Path, namespace: str | None) -> Judgement:
    """Return a replay beside what truly happened, judged as `score` does."""
    from soft_tactile_node.errors import RangeError, RecordingError
    from soft_tactile_node.recordings import load_truth
    from soft_tactile_node.scoring.verdict import judge_estimate

    try:
        return judge_estimate(run.estimate, load_truth(truth, namespace=namespace), run.events, pad)
    except RangeError as error:
        raise RecordingError(f"{truth}: {error}") from error
