"""How well width and compliance of held items are known: `python tests/benchmarks/grasps.py [--seeds 2 3 4]`.

For each seed two invented fingers are calibrated on recordings of their own, grip a jam jar once to learn what the
gripper itself gives way, and then hold choux buns, rye rolls and jam jars of several sizes. Bends and forces go through
the estimator, the hold of the example controller and the grasp monitor's own arithmetic, without ROS. The truth is the
simulator's: width of the undeformed item, and how much narrower the item truly gets per newton in the same squeeze.

Prints errors in mm and mm/N, and how many lie within two standard uncertainties.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
SOURCES = str(ROOT / "soft_tactile_node")
if SOURCES not in sys.path:  # a checkout without an install; an installed package comes first
    sys.path.append(SOURCES)

from soft_tactile_node.calibration.record import Calibration  # noqa: E402  (the folder must be on the path first)
from soft_tactile_node.calibration.storage import load_calibration  # noqa: E402
from soft_tactile_node.commands.demo import FINGERS, fit, record  # noqa: E402
from soft_tactile_node.estimation.pipeline import Estimator  # noqa: E402
from soft_tactile_node.estimation.settings import PRESETS  # noqa: E402
from soft_tactile_node.grasp.held_object import HeldObject, OwnCompliance  # noqa: E402
from soft_tactile_node.grasp.hold_sequence import HoldGoal, HoldSequence, Step  # noqa: E402
from soft_tactile_node.grasp.palm import PalmGeometry, pad_gap  # noqa: E402
from soft_tactile_node.grasp.pick_sequence import FingerInput, PickSettings  # noqa: E402
from soft_tactile_node.grasp.state import FingerView  # noqa: E402
from soft_tactile_node.samples import Estimate, State  # noqa: E402
from soft_tactile_node.simulation.gripper import Gripper, GripperStep  # noqa: E402

RATE_HZ = 250.0
COMMAND_EVERY = 5
PALM = PalmGeometry((0.0, math.pi), 0.030, 0.080, 0.012, 0.35)
"""The palm of the simulated gripper, as in config/two_finger_gripper_simulated.yaml."""

ITEMS = {"bun": 0.8, "roll": 1.5, "jar": 1.5}
"""Normal force each item is squeezed with (N)."""

OWN_DEVIATION_M_N = 1.5e-4
SETTINGS = PickSettings(8e3, 0.5, 4.0, 55e3, 4e3, 2e4, 0.5, 0.08, 0.05, 1.0)


@dataclass(frozen=True)
class Grasp:
    """What one hold gave, and the truth (SI units)."""

    item: str
    width_m: float
    width_deviation_m: float
    true_width_m: float
    compliance_m_n: float
    compliance_deviation_m_n: float
    true_compliance_m_n: float


def hold(calibrations: Sequence[Calibration], seed: int, item: str, draw: int, own: OwnCompliance) -> Grasp:
    """Tare, close on the `draw`-th item of a kind, squeeze, keep for half a second; returns what was seen."""
    gripper = Gripper(object="none", seed=seed, rate_hz=RATE_HZ)
    for _ in range(draw):
        gripper.place(item)
    estimators = [Estimator(calibration, PRESETS["light"]) for calibration in calibrations]
    sequence, held = HoldSequence(2), HeldObject(own)
    pressures_pa = [math.nan, math.nan]
    squeezed: list[tuple[float, float]] = []  # true mean normal force (N), true shrink (m)
    for number in range(round(30.0 * RATE_HZ)):
        step = gripper.step(sequence.pressures_pa)
        estimates = follow(estimators, step, pressures_pa)
        views = [view_of(estimate) for estimate in estimates]
        if all(view.in_contact for view in views):
            normal_n = float(np.mean([estimate.force_n[2] for estimate in estimates]))
            held.add(step.time_s, normal_n, *pad_gap(PALM, views))
        if sequence.step == Step.SQUEEZE:
            squeezed.append((np.mean([t.force_n[2] for t in step.truths]), sum(gripper.object_indents_m)))
        if number % COMMAND_EVERY == 0 and step.time_s > 2.5:
            inputs = [input_of(estimate) for estimate in estimates]
            if sequence.step == Step.IDLE:
                sequence.start(step.time_s, HoldGoal(ITEMS[item], 4.0, 55e3, 0.5), inputs)
            sequence.update(step.time_s, COMMAND_EVERY / RATE_HZ, inputs, SETTINGS)
            if sequence.outcome is not None:
                break
    truth = np.array(squeezed)
    width_m, width_variance = held.width()
    compliance, compliance_variance = held.compliance()
    return Grasp(
        item, width_m, math.sqrt(width_variance), step.width_m,
        compliance, math.sqrt(compliance_variance), float(np.polyfit(truth[:, 0], truth[:, 1], 1)[0]),
    )  # fmt: skip


def follow(estimators: Sequence[Estimator], step: GripperStep, pressures_pa: list[float]) -> list[Estimate]:
    """Return the estimates after one scan; `pressures_pa` keeps the newest readings."""
    for number, pressure_pa in enumerate(step.pressure_pa):
        if math.isfinite(pressure_pa):
            pressures_pa[number] = pressure_pa
    return [
        estimator.step(scan, pressure_pa).estimate
        for estimator, scan, pressure_pa in zip(estimators, step.scans, pressures_pa, strict=True)
    ]


def view_of(estimate: Estimate) -> FingerView:
    """Return an estimate as the grasp monitor keeps it."""
    return FingerView(
        bool(estimate.in_contact),
        estimate.force_n,
        estimate.pressure_pa,
        estimate.bend_rad,
        estimate.bend_variance_rad2,
    )


def input_of(estimate: Estimate) -> FingerInput:
    """Return an estimate as the example controller takes it."""
    ready = estimate.state in (State.FREE, State.CONTACT, State.HELD_ELSEWHERE)
    return FingerInput(ready, bool(estimate.in_contact), float(estimate.force_n[2]), estimate.slip_probability > 0.5)


def teach(calibrations: Sequence[Calibration], seed: int) -> OwnCompliance:
    """Return what the gripper itself gives way: half of what a rigid jar seems to yield."""
    jar = hold(calibrations, seed, "jar", 1, OwnCompliance(0.0))
    return OwnCompliance(0.5 * jar.compliance_m_n, OWN_DEVIATION_M_N)


def grasps_of(calibrations: Sequence[Calibration], seed: int, draws: Sequence[int]) -> list[Grasp]:
    """Return holds of every item; the jar of the lesson is not among them."""
    own = teach(calibrations, seed)
    return [hold(calibrations, seed, item, draw + (item == "jar"), own) for item in ITEMS for draw in draws]


def calibration_files(seed: int, folder: Path) -> list[Path]:
    """Return fresh calibrations of both fingers of a gripper; those of seed 1 are shipped."""
    if seed == 1:
        return [ROOT / "config" / "calibrations" / f"{finger}.yaml" for finger in FINGERS]
    for finger in FINGERS:
        for scenario in ("free-bend", "press"):
            record(seed, finger, scenario, folder)
    return [fit(seed, finger, folder) for finger in FINGERS]


def calibrated(seed: int, folder: Path) -> list[Calibration]:
    """Return the calibrations of `calibration_files`, loaded."""
    return [load_calibration(file) for file in calibration_files(seed, folder)]


def table(grasps: Sequence[Grasp]) -> str:
    """Return errors and coverage as text, one row an item."""
    head = f"{'item':<6}{'holds':>6}{'width rms mm':>14}{'worst':>7}{'in 2 s':>8}"
    lines = [head + f"{'compliance rms mm/N':>21}{'of true':>9}{'worst':>7}{'in 2 s':>8}"]
    for item in (*ITEMS, "all"):
        chosen = [grasp for grasp in grasps if item in (grasp.item, "all")]
        width = np.array([grasp.width_m - grasp.true_width_m for grasp in chosen]) * 1e3
        yielding = np.array([grasp.compliance_m_n - grasp.true_compliance_m_n for grasp in chosen]) * 1e3
        wide = np.array([grasp.width_deviation_m for grasp in chosen]) * 1e3
        soft = np.array([grasp.compliance_deviation_m_n for grasp in chosen]) * 1e3
        true = np.mean([grasp.true_compliance_m_n for grasp in chosen]) * 1e3
        row = f"{item:<6}{len(chosen):>6}{_rms(width):>14.2f}{np.abs(width).max():>7.2f}{_share(width, wide):>8.0%}"
        row += f"{_rms(yielding):>21.2f}{true:>9.2f}{np.abs(yielding).max():>7.2f}{_share(yielding, soft):>8.0%}"
        lines.append(row)
    return "\n".join(lines)


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _share(errors: np.ndarray, deviations: np.ndarray) -> float:
    return float(np.mean(np.abs(errors) <= 2.0 * deviations))


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Width and compliance of held items against the simulator's truth.")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4], help="grippers")
    parser.add_argument("--draws", type=int, default=2, help="items of each kind")
    options = parser.parse_args()
    grasps: list[Grasp] = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in options.seeds:
            calibrations = calibrated(seed, Path(scratch))
            mine = grasps_of(calibrations, seed, range(1, options.draws + 1))
            own = teach(calibrations, seed)
            print(f"\nseed {seed}: own compliance of a pad {own.pad_m_n * 1e3:+.2f} mm/N\n{table(mine)}", flush=True)
            grasps += mine
    print(f"\nall seeds\n{table(grasps)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
