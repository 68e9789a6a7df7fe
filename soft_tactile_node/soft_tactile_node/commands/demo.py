"""`soft-tactile demo`: the main job end to end on the simulated two-finger gripper, over real DDS."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import click

from soft_tactile_node.commands._options import PATH
from soft_tactile_node.errors import SoftTactileError

FINGERS = ("left_finger", "right_finger")
RATE_HZ = 250.0
"""Scans in a second: two cores then keep real time with all six processes."""

BAR = "{desc:<32} {bar} {n_fmt} of {total_fmt}  {elapsed}"

CALIBRATION_SHIFT = 1000
"""Motion and noise of the calibration recordings are not those of the gripper's day at work."""

ITEMS: dict[str, dict[str, float]] = {
    "bun": {"grip_force": 0.3, "max_force": 1.5},
    "roll": {"grip_force": 1.0, "max_force": 4.0},
    "jar": {"grip_force": 0.8, "max_force": 6.0},
}
"""Grip of each bakery item (N per finger); that of the jar is too gentle on purpose, so that it slips."""


@click.command(name="demo")
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Specimens, items, noise."
)
@click.option("--out", type=PATH, default=Path(".out/demo"), show_default=True, help="Folder for report and logs.")
@click.option("--freeze", type=click.Choice(FINGERS), help="Practise a fault: the coils of this finger stand still.")
def command(seed: int, out: Path, freeze: str | None) -> int:
    """Pick a choux bun, a rye roll and a jam jar with the simulated gripper and compare with what truly happened.

    Calibrates both fingers afresh from simulated recordings, starts simulator, sensors, grasp monitor and example
    controller as separate processes over DDS (localhost only, random domain), prints what happens and writes a report.
    Ends with 0 only if every contact and slip was found and none invented. All items are invented.
    """
    try:
        from soft_tactile_node.estimation.warming import warm_up
        from soft_tactile_node.ros.demo.run import run_demo
    except ImportError as error:
        raise SoftTactileError(
            f"the demo needs the ROS 2 part ({error.name} is missing): "
            "pip install ./soft_tactile_msgs './soft_tactile_node[ros]'"
        ) from error

    from soft_tactile_node.calibration.storage import load_calibration
    from soft_tactile_node.scoring.findings import is_good

    out.mkdir(parents=True, exist_ok=True)
    begun_s = time.monotonic()
    print(f"Calibrating {len(FINGERS)} fingers afresh from simulated recordings", flush=True)
    calibrations = calibrate_fingers(seed, out)
    warm_up(load_calibration(calibrations[FINGERS[0]]))  # once here, not in every node at the same time
    calibrated_s = time.monotonic() - begun_s
    print(f"Done in {calibrated_s:.0f} s. Starting simulator, sensors, monitor and controller\n", flush=True)
    run = run_demo(
        calibrations, seed=seed, rate_hz=RATE_HZ, items=ITEMS, folder=out, tell=print_entry,
        fault="frozen" if freeze else "", fault_finger=freeze or "",
    )  # fmt: skip
    run = replace(
        run,
        phases_s={"calibrating": calibrated_s, **run.phases_s},
        fault=f"the coils of {freeze} stood still" if freeze else "",
    )
    from soft_tactile_node.reports.demo_report import summarise, write_demo_report

    write_demo_report(run, out / "report.html")
    print()
    for sentence in summarise(run):
        print(sentence)
    print(f"Report: {out / 'report.html'}")
    return 0 if is_good(run.findings, run.spans) else 1


def print_entry(entry: Any) -> None:
    """Print one line of the story: time (s), who, what."""
    print(f"{entry.time_s:8.2f} s  {entry.who:<13} {entry.what}", flush=True)


def calibrate_fingers(seed: int, folder: Path) -> dict[str, Path]:
    """Calibrate each finger of the gripper of `seed` from recordings made in `folder`; returns the files by finger."""
    from concurrent.futures import ProcessPoolExecutor, as_completed

    from tqdm import tqdm

    paths: dict[str, Path] = {}
    steps = [(finger, scenario) for finger in FINGERS for scenario in ("free-bend", "press")]
    shown = tqdm(total=len(steps) + len(FINGERS), disable=not sys.stderr.isatty(), leave=False, bar_format=BAR)
    with shown as bar, ProcessPoolExecutor(max_workers=2) as pool:
        recording = {pool.submit(record, seed, finger, scenario, folder): finger for finger, scenario in steps}
        for job in as_completed(recording):
            bar.set_description_str(job.result())
            bar.update()
        fitting = {pool.submit(fit, seed, finger, folder): finger for finger in FINGERS}
        for fitted in as_completed(fitting):
            paths[fitting[fitted]] = fitted.result()
            bar.set_description_str(f"{fitting[fitted]} calibrated")
            bar.update()
    return {finger: paths[finger] for finger in FINGERS}


def record(seed: int, finger: str, scenario: str, folder: Path) -> str:
    """Write one simulated calibration recording; returns what was done, in words."""
    from soft_tactile_node.recordings import save_recording
    from soft_tactile_node.simulation.scenarios import simulate

    specimen = specimen_of(seed, finger)
    recording, _ = simulate(scenario, seed=specimen + CALIBRATION_SHIFT, specimen_seed=specimen, rate_hz=RATE_HZ)
    save_recording(recording, recording_path(folder, finger, scenario))
    return f"{finger} recorded: {scenario}"


def specimen_of(seed: int, finger: str) -> int:
    """Return the number of the specimen that a finger of the simulated gripper is."""
    from soft_tactile_node.simulation.gripper import SPECIMEN_STRIDE

    return seed + SPECIMEN_STRIDE * FINGERS.index(finger)


def fit(seed: int, finger: str, folder: Path) -> Path:
    """Calibrate one finger from its recordings; returns the calibration's file."""
    from soft_tactile_node.calibration.fit import calibrate
    from soft_tactile_node.calibration.record import Geometry
    from soft_tactile_node.calibration.storage import save_calibration
    from soft_tactile_node.recordings import load_recording

    recordings = [load_recording(recording_path(folder, finger, scenario)) for scenario in ("free-bend", "press")]
    calibration = calibrate(
        recordings[:1], recordings[1:], geometry=Geometry(root_to_pad_m=0.080, neutral_to_surface_m=0.012),
        serial=f"sim-{specimen_of(seed, finger)}",
        made_on=date.today(),  # noqa: DTZ011 - the date on the wall of the bench
    )  # fmt: skip
    path = folder / f"{finger}.yaml"
    save_calibration(calibration, path)
    return path


def recording_path(folder: Path, finger: str, scenario: str) -> Path:
    """Return where a calibration recording is kept."""
    return folder / f"{finger}_{scenario.replace('-', '_')}.csv"
