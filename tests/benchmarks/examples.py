"""What the examples promise and how often they keep it: `python tests/benchmarks/examples.py [--seeds 1 2 3 4]`.

For each seed a simulated gripper comes up once, with fingers calibrated on recordings of their own. Each example then
runs as a program of its own on fresh choux buns, rye rolls and jam jars, as a user would start it. The truth is the
simulator's; its time goes step by step, so that a busy machine makes runs longer and not different.

Prints for each example and item: in how many runs it did what it is for (`pick_gently`, `stop_on_slip`: lifted and put
down; `sort_by_compliance`: named rightly), in how many its exit status was true to what happened (a doubt that names
the right kind is true, too), least, median and greatest of the highest true normal force of a pad, and in how many runs
that was within the limit of the example by 10 %.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from grasps import FINGERS, ITEMS, calibration_files, teach

from graph.graph_tools import Graph, graph
from graph.stepped_gripper import RATE_HZ, Gripped
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.demo.processes import free_domain
from soft_tactile_node.simulation.gripper import Gripper

LIMITS_N = {"pick_gently": 0.8, "stop_on_slip": 4.0, "sort_by_compliance": np.inf}
"""Most force that an example allows by default."""

NAMES = {"bun": "choux bun", "roll": "rye roll", "jar": "jam jar"}
LIFTED_M, DOWN_M = 0.04, 1e-3


@dataclass(frozen=True)
class Run:
    """What one run came to."""

    example: str
    item: str
    done: bool
    true_word: bool
    most_n: float
    output: str


def run(gripped: Gripped, example: str, item: str) -> Run:
    """Run an example on a fresh item."""
    gripped.put(item)
    try:
        code, output = gripped.run(example)
    except AssertionError as error:  # it does not come to an end
        code, output = -1, str(error)
    truths = [truth for of_finger in gripped.truths.values() for truth in of_finger]
    most_n = max(truth.wrench.force.z for truth in truths)
    if example == "sort_by_compliance":
        words = output.strip().splitlines()[-1] if output.strip() else ""
        done = code == 0 and words.startswith(NAMES[item])
        return Run(example, item, done, NAMES[item] in words, most_n, output)
    heights_m = gripped.heights_m()
    fell = any(truth.object_dropped for truth in truths)
    done = max(heights_m) > LIFTED_M and heights_m[-1] < DOWN_M and not fell
    return Run(example, item, done, code == int(not done), most_n, output)


def runs_of(seed: int, count: int, examples: Sequence[str], items: Sequence[str], scratch: Path) -> Iterator[Run]:
    """Bring up the gripper of a seed and yield `count` runs of each example on each item."""
    files = calibration_files(seed, scratch)
    calibrations = [load_calibration(file) for file in files]
    pad_m_n = teach(calibrations, seed).pad_m_n
    warm_up(calibrations[0])
    Gripper(rate_hz=RATE_HZ).step([0.0, 0.0])
    with graph() as live:
        gripped = _gripper(live, seed, files, pad_m_n)
        for _ in range(count):
            for item in items:
                for example in examples:
                    yield run(gripped, example, item)


def _gripper(live: Graph, seed: int, files: Sequence[Path], pad_m_n: float) -> Gripped:
    return Gripped(live, seed, dict(zip(FINGERS, files, strict=True)), pad_m_n)


def table(runs: Sequence[Run]) -> str:
    """Return the figures as text, one row for each example and item."""
    lines = [f"{'example':<20}{'item':<6}{'runs':>5}{'done':>6}{'true word':>11}{'most N':>18}{'in limit':>10}"]
    for example, limit_n in LIMITS_N.items():
        for item in ITEMS:
            some = [one for one in runs if (one.example, one.item) == (example, item)]
            if not some:
                continue
            most_n = [one.most_n for one in some]
            row = f"{example:<20}{item:<6}{len(some):>5}{sum(one.done for one in some):>6}"
            row += f"{sum(one.true_word for one in some):>11}"
            row += f"{f'{min(most_n):.2f} {np.median(most_n):.2f} {max(most_n):.2f}':>18}"
            lines.append(row + f"{sum(one <= 1.1 * limit_n for one in most_n):>10}")
    return "\n".join(lines)


def main() -> int:
    """Print the table, and what was said in each run that did not do what it is for or said so wrongly."""
    parser = argparse.ArgumentParser(description="The examples on all items, many times.")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4], help="grippers")
    parser.add_argument("--runs", type=int, default=5, help="of each example on each item with each gripper")
    parser.add_argument("--examples", nargs="+", choices=list(LIMITS_N), default=list(LIMITS_N))
    parser.add_argument("--items", nargs="+", choices=list(ITEMS), default=list(ITEMS))
    options = parser.parse_args()
    os.environ |= {"ROS_DOMAIN_ID": str(free_domain()), "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST"}
    runs: list[Run] = []
    for seed in options.seeds:
        with tempfile.TemporaryDirectory() as scratch:
            for one in runs_of(seed, options.runs, options.examples, options.items, Path(scratch)):
                runs.append(one)
                if not (one.done and one.true_word):
                    last = re.sub(r"\s+", " ", one.output)[-200:]
                    print(f"seed {seed} {one.example} {one.item} {one.most_n:.2f} N: {last}", flush=True)
    print(table(runs))
    return 0


if __name__ == "__main__":
    sys.exit(main())
