"""How true the forces of held items are: `python tests/benchmarks/holds.py [--seeds 1 2 3 4 5 6]`.

For each seed two invented fingers are calibrated on recordings of their own; the example controller's hold then closes
on choux buns, rye rolls and jam jars with 0.5 N and keeps that for two seconds. Then it is told of ten slips, so that
it goes up to its limit, and lifts the item, which may slip indeed. Scans go through the estimator, at 250 Hz, without
ROS; commands leave at 50 Hz. The truth is the simulator's.

Prints for each item: true and estimated force (mean of the pads) 2 s after the touch as a share of what was asked for,
the highest true and estimated force of a pad as a share of the limit, slips, and how many items fell.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from grasps import COMMAND_EVERY, ITEMS, RATE_HZ, SETTINGS, calibrated, input_of

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.estimation.settings import PRESETS
from soft_tactile_node.grasp.hold_sequence import HoldGoal, HoldSequence, Step
from soft_tactile_node.samples import EventKind
from soft_tactile_node.simulation.gripper import Gripper

ASKED_N = 0.5
LIMITS_N = {"bun": 0.8, "roll": 1.5, "jar": 3.0}
"""Limit of the force."""

TARE_S, SETTLE_S, LOOK_S, LIFT_M, LIFT_M_S, TOP_S = 2.5, 2.0, 0.3, 0.03, 0.06, 0.7

SLIPS_S = (2.35, 2.6, 2.85, 3.1, 3.35, 3.6, 3.85, 4.1, 4.35, 4.6)
"""When slips are reported that nobody felt (s after the touch): enough to lead any hold to its limit."""


@dataclass(frozen=True)
class Held:
    """What one hold came to (forces as shares of what was asked for, peaks as shares of the limit)."""

    item: str
    true: float
    estimated: float
    true_peak: float
    estimated_peak: float
    slips: int
    fell: bool


def hold(calibrations: Sequence[Calibration], seed: int, item: str, draw: int) -> Held:
    """Hold the `draw`-th item of a kind, keep the force, lift it and stand still at the top."""
    gripper = Gripper(object="none", seed=seed, rate_hz=RATE_HZ)
    for _ in range(draw):
        gripper.place(item)
    estimators = [Estimator(calibration, PRESETS["light"]) for calibration in calibrations]
    sequence, goal = HoldSequence(2), HoldGoal(ASKED_N, LIMITS_N[item], 55e3)
    pressures_pa = [np.nan, np.nan]
    touched_s, lift_m, top_s = np.inf, 0.0, np.inf
    slips_s = list(SLIPS_S)
    settled: list[tuple[float, float]] = []
    true_peak_n = estimated_peak_n = 0.0
    for number in range(round(40.0 * RATE_HZ)):
        step = gripper.step(sequence.pressures_pa, lift_m)
        now_s = step.time_s
        pressures_pa = [
            new if np.isfinite(new) else old for new, old in zip(step.pressure_pa, pressures_pa, strict=True)
        ]
        told = [e.step(*pair) for e, *pair in zip(estimators, step.scans, pressures_pa, strict=True)]
        inputs = [input_of(one.estimate) for one in told]
        true_n = [truth.force_n[2] for truth in step.truths]
        if sequence.holds:
            touched_s = min(touched_s, now_s)
            true_peak_n = max(true_peak_n, *true_n)
            estimated_peak_n = max(estimated_peak_n, *(one.normal_n for one in inputs))
        told_slip = bool(slips_s) and now_s - touched_s > slips_s[0]
        if told_slip or any(event.kind == EventKind.SLIP for one in told for event in one.events):
            slips_s = slips_s[told_slip:]
            sequence.report_slip(now_s, SETTINGS)
        if SETTLE_S < now_s - touched_s <= SETTLE_S + LOOK_S:
            settled.append((np.mean(true_n), np.mean([one.normal_n for one in inputs])))
        if now_s - touched_s > SLIPS_S[-1]:
            lift_m = min(lift_m + LIFT_M_S / RATE_HZ, LIFT_M)
        if lift_m >= LIFT_M:
            top_s = min(top_s, now_s)
        if now_s - top_s > TOP_S or sequence.outcome is not None:
            break
        if number % COMMAND_EVERY == 0 and now_s > TARE_S:
            if sequence.step == Step.IDLE:
                sequence.start(now_s, goal, inputs)
            sequence.update(now_s, COMMAND_EVERY / RATE_HZ, inputs, SETTINGS)
    true, estimated = np.mean(settled, axis=0) / ASKED_N if settled else (np.nan, np.nan)
    return Held(
        item, true, estimated, true_peak_n / goal.max_normal_n, estimated_peak_n / goal.max_normal_n, sequence.slips,
        step.dropped or sequence.outcome is not None,
    )  # fmt: skip


def table(holds: Sequence[Held]) -> str:
    """Return the figures as text, one row an item."""
    head = f"{'item':<6}{'holds':>6}{'true/asked':>18}{'within 10 %':>13}{'estimated/asked':>18}"
    lines = [head + f"{'true peak/limit':>18}{'above 1.1':>11}{'estimated peak/limit':>22}{'slips':>7}{'fell':>6}"]
    for item in (*ITEMS, "all"):
        some = [one for one in holds if item in (one.item, "all")]
        true = np.array([one.true for one in some])
        peak = np.array([one.true_peak for one in some])
        row = f"{item:<6}{len(some):>6}{_range(true):>18}{np.mean(np.abs(true - 1.0) <= 0.1):>13.0%}"
        row += f"{_range([one.estimated for one in some]):>18}{_range(peak):>18}{np.mean(peak > 1.1):>11.0%}"
        row += f"{_range([one.estimated_peak for one in some]):>22}"
        lines.append(row + f"{sum(one.slips for one in some):>7}{sum(one.fell for one in some):>6}")
    return "\n".join(lines)


def _range(values: Sequence[float]) -> str:
    return f"{np.nanmin(values):.2f} {np.nanmedian(values):.2f} {np.nanmax(values):.2f}"


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Forces of held items against the simulator's truth.")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5, 6], help="grippers")
    parser.add_argument("--draws", type=int, default=3, help="items of each kind")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        holds = [
            hold(calibrations, seed, item, draw)
            for seed in options.seeds
            for calibrations in (calibrated(seed, Path(scratch)),)
            for item in ITEMS
            for draw in range(1, options.draws + 1)
        ]
    print("least, median and greatest of each\n" + table(holds))
    return 0


if __name__ == "__main__":
    sys.exit(main())
