"""What each part of the running estimator buys: the figures without it beside those with all of them.

Run `python tests/benchmarks/accuracy/ablation.py [--pad PAD] [--fingers N]`.

A part is switched off by the numbers of its `Tuning`, which the estimator takes as an argument; calibration stays as it
is. Development fingers of the second simulator, made once and cached (`cases.py`).
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
# this folder, and the source tree for a checkout without an install (an installed package comes first)
sys.path += [str(path) for path in (HERE, HERE.parents[2] / "soft_tactile_node") if str(path) not in sys.path]

import cases  # noqa: E402  (the folder must be on the path first)
from judge import Answer, Verdict, judge  # noqa: E402
from threadpoolctl import threadpool_limits  # noqa: E402

from soft_tactile_node.calibration import calibrate  # noqa: E402
from soft_tactile_node.estimation import LIGHT, Estimator  # noqa: E402
from soft_tactile_node.estimation.tuning import TUNING  # noqa: E402

NEVER = math.inf

PARTS: dict[str, dict[str, float]] = {
    "(nothing left out)": {},
    "the coils' slow zero is learnt": {"drift_s": NEVER},
    "pad and finger recover for a second": {"recovery_s": 0.0},
    "a claim takes a moment": {"confirm_s": 0.0},
    "ringing raises the thresholds": {"ring_gain": 0.0},
    "a swing raises them as well": {"swing_s": 0.0},
    "the base's motion widens the spread": {"moved_kg": 0.0},
    "held elsewhere is told from the force below zero": {"held_s": NEVER},
    "a contact ends by a fall": {"fallen_s": NEVER},
    "a settled contact falls, or is drift until an edge": {"settled_s": NEVER},
    "blindness restarts the filters": {"restart_s": NEVER},
}
"""Parts of the running estimator, and the numbers without them."""

FIGURES: dict[str, tuple[str, str]] = {
    "force_z_rmse_n": ("normal force, N", ".4f"),
    "missed": ("missed", ".0f"),
    "false_alarms_per_min": ("false/min", ".2f"),
    "f1_light": ("F1 light", ".3f"),
    "held_back_rmse_n": ("held elsewhere, N", ".4f"),
    "arm_false_per_min": ("arm false/min", ".2f"),
    "within_2_sigma_contact_z": ("2 sigma", ".3f"),
    "wrong_force_max_s": ("wrong force, s", ".2f"),
}
"""Figures of the table: heading and format."""


def measure(pad: str, seeds: tuple[int, ...]) -> Iterator[tuple[str, Verdict]]:
    """Yield each part with the figures without it; the first is with all parts."""
    fingers = {seed: cases.load_case(pad, seed) for seed in seeds}
    known = {seed: calibrate(free, press) for seed, (free, press, _) in fingers.items()}
    presses: dict[int, Any] = {seed: press for seed, (_, press, _) in fingers.items()}
    for part, numbers in PARTS.items():
        answers = []
        for seed, (_, _, judged) in fingers.items():
            for name, (recording, truth) in judged.items():
                table, events = Estimator(known[seed], LIGHT, tuning=TUNING._replace(**numbers)).replay(recording)
                answers.append(Answer(seed, name, recording, truth, table, events))
        yield part, judge(part, answers, presses)


def say(*cells: str) -> None:
    """Print a row in Markdown."""
    print("| " + " | ".join(cells) + " |", flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pad", choices=cases.VARIANTS, action="append", help="a pad; without: all")
    parser.add_argument("--fingers", type=int, default=len(cases.DEV_SEEDS), help="how many development fingers")
    chosen = parser.parse_args()
    with threadpool_limits(1):
        for pad in chosen.pad or cases.VARIANTS:
            say(f"{pad}: without", *(title for title, _ in FIGURES.values()))
            say(*["---"] * (1 + len(FIGURES)))
            for part, verdict in measure(pad, cases.DEV_SEEDS[: chosen.fingers]):
                say(part, *(format(verdict[key], form) for key, (_, form) in FIGURES.items()))


if __name__ == "__main__":
    main()
