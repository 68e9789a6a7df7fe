"""The accuracy benchmark.

Run `python tests/benchmarks/accuracy/run.py [--part] [--seeds dev|final] [--out TABLE.md] [--strict]`.

Makes the recordings of several random fingers of both pads (once, cached), calibrates the estimator and fits every
baseline on the same calibration recordings, replays all judged recordings, and prints the figures with the limits
beside them.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
# this folder, and the source tree for a checkout without an install (an installed package comes first)
sys.path += [str(path) for path in (HERE, HERE.parents[2] / "soft_tactile_node") if str(path) not in sys.path]

import cases  # noqa: E402  (the folder must be on the path first)
import numpy as np  # noqa: E402
from baselines.decision import CANDIDATES_N, change_threshold, load_thresholds, make_table, save_thresholds  # noqa: E402
from baselines.models import MODELS, fit_all  # noqa: E402
from baselines.signals import prepare  # noqa: E402
from joblib import Parallel, delayed  # noqa: E402
from judge import Answer, Verdict, judge, limits, worse_than  # noqa: E402
from threadpoolctl import threadpool_limits  # noqa: E402

from soft_tactile_node.calibration import calibrate  # noqa: E402
from soft_tactile_node.estimation import LIGHT, SURE, Estimator  # noqa: E402
from soft_tactile_node.scoring.alignment import align_pair  # noqa: E402
from soft_tactile_node.scoring.detection import score_detection  # noqa: E402

OURS, OURS_SURE = "ESTIMATOR (light)", "ESTIMATOR (sure)"
PART_SEEDS = cases.DEV_SEEDS[:1]
PART_NAMES = ("light_touches", "picks", "held_back", "channel_open")
PART_MODELS = ("static polynomial + linear", "memory regression", "constant zero", "oracle: true bend")
TRIVIAL = ("constant zero", "always in contact", "oracle: true bend")


@dataclass(frozen=True)
class Finger:
    """One finger's recordings."""

    seed: int
    free_bend: list[Any]
    press: list[Any]
    judged: dict[str, Any]


def say(text: str) -> None:
    """Progress on standard error, so that the table alone is on standard output."""
    print(f"{time.strftime('%H:%M:%S')} {text}", file=sys.stderr, flush=True)


def load_finger(variant: str, seed: int, names: tuple[str, ...] | None) -> Finger:
    """Recordings of one finger; `names` picks some of those to be judged."""
    free_bend, press, judged = cases.load_case(variant, seed)
    return Finger(
        seed, free_bend, press, {name: pair for name, pair in judged.items() if names is None or name in names}
    )


def answer_ours(finger: Finger, calibration: Any, settings: Any) -> list[Answer]:
    """Replay the estimator."""
    out = []
    for name, (recording, truth) in finger.judged.items():
        estimate, events = Estimator(calibration, settings).replay(recording)
        out.append(Answer(finger.seed, name, recording, truth, estimate, list(events)))
    return out


def answer_baseline(finger: Finger, fitted: Any, name: str, threshold_n: float) -> list[Answer]:
    """Replay one baseline."""
    model, sigma = fitted
    out = []
    for key, (recording, truth) in finger.judged.items():
        signals = prepare(recording, truth.bend_rad if name.startswith("oracle") else None)
        table = make_table(name, recording.time_s, model.force(signals), sigma, threshold_n, recording.channels)
        out.append(Answer(finger.seed, key, recording, truth, table, None))
    return out


def fit_baselines(variant: str, finger: Finger, models: tuple[str, ...]) -> Any:
    """Fit the baselines of one finger."""
    free_truth, press_truth = cases.load_calibration_truth(variant, finger.seed)
    bends = ([t.bend_rad for t in free_truth], [t.bend_rad for t in press_truth])
    return fit_all(finger.free_bend, finger.press, bends, models)


def run_variant(
    variant: str, seeds: tuple[int, ...], names: tuple[str, ...] | None, models: tuple[str, ...], ours: bool = True
) -> list[Verdict]:
    """Judge the estimator and the baselines on all fingers of one variant."""
    warnings.filterwarnings("ignore", category=UserWarning, module="sklearn")
    verdicts = []
    with threadpool_limits(1):
        fingers = [load_finger(variant, seed, names) for seed in seeds]
        press = {finger.seed: finger.press for finger in fingers}
        if ours:
            calibrations = {}
            for finger in fingers:
                start = time.perf_counter()
                calibrations[finger.seed] = calibrate(finger.free_bend, finger.press)
                say(f"{variant} {finger.seed}: calibrated in {time.perf_counter() - start:.0f} s")
            for name, settings in ((OURS, LIGHT), (OURS_SURE, SURE)):
                start = time.perf_counter()
                answers = [a for finger in fingers for a in answer_ours(finger, calibrations[finger.seed], settings)]
                say(f"{variant}: {name} replayed in {time.perf_counter() - start:.0f} s")
                verdicts.append(judge(name, answers, press))
        fitted = {finger.seed: fit_baselines(variant, finger, models) for finger in fingers}
        say(f"{variant}: baselines fitted")
        thresholds = load_thresholds()[variant]
        for name in models:
            answers = [
                a
                for finger in fingers
                for a in answer_baseline(finger, fitted[finger.seed][name], name, thresholds[name])
            ]
            verdicts.append(judge(name, answers, press))
            say(f"{variant}: {name} judged")
    return verdicts


def choose_thresholds(variant: str) -> dict[str, float]:
    """Contact threshold of each baseline with the best F1 on light touches less 0.1 per false alarm a minute.

    Chosen on development fingers.
    """
    chosen = {}
    warnings.filterwarnings("ignore", category=UserWarning, module="sklearn")
    with threadpool_limits(1):
        fingers = [load_finger(variant, seed, tuple(cases.JUDGED)) for seed in cases.DEV_SEEDS[:2]]
        fitted = {finger.seed: fit_baselines(variant, finger, tuple(MODELS)) for finger in fingers}
        for name in MODELS:
            merits = {0.1: 0.0}
            answers = [a for f in fingers for a in answer_baseline(f, fitted[f.seed][name], name, 0.1)]
            for threshold in () if name in ("constant zero", "always in contact") else CANDIDATES_N:
                tables = [change_threshold(a.estimate, threshold) for a in answers]
                found = score_detection([align_pair(t, a.truth) for t, a in zip(tables, answers, strict=True)])
                merit = 0.5 * np.nan_to_num(found.f1) + 0.5 * np.nan_to_num(found.f1_light)
                merits[threshold] = merit - 0.05 * min(found.false_alarms / (found.free_s / 60.0), 10.0)
            chosen[name] = max(merits, key=lambda threshold: merits[threshold])
            say(f"{variant}: {name}: {chosen[name]} N")
    return chosen


COLUMNS: tuple[tuple[str, str, float, str], ...] = (
    ("Fz RMSE N", "force_z_rmse_n", 1.0, ".3f"),
    ("Fx N", "force_x_contact_rmse_n", 1.0, ".2f"),
    ("Fy N", "force_y_contact_rmse_n", 1.0, ".2f"),
    ("rej dB", "bend_rejection_db", 1.0, ".1f"),
    ("strict", "bend_rejection_strict_db", 1.0, ".1f"),
    ("missed", "missed", 1.0, ".0f"),
    ("of", "contacts", 1.0, ".0f"),
    ("lat ms", "latency_median_s", 1e3, ".0f"),
    ("rel ms", "release_median_s", 1e3, ".0f"),
    ("false/min", "false_alarms_per_min", 1.0, ".2f"),
    ("false %", "false_contact_share", 1e2, ".2f"),
    ("F1", "f1", 1.0, ".2f"),
    ("light F1", "f1_light", 1.0, ".2f"),
    ("2 sigma", "within_2_sigma_contact", 1.0, ".2f"),
    ("NEES z", "nees_z", 1.0, ".1f"),
    ("held N", "held_back_rmse_n", 1.0, ".3f"),
    ("wrong ms", "wrong_force_max_s", 1e3, ".0f"),
)


def show(value: float, form: str) -> str:
    """A number, or a dash where it was not computed."""
    if not np.isfinite(value):
        return "–"
    return format(value, form) if abs(value) < 1e4 else format(value, ".0e")


def table(header: list[str], rows: list[list[str]]) -> list[str]:
    """Lines of a table that reads well as text and as Markdown."""
    widths = [max(len(row[k]) for row in [header, *rows]) for k in range(len(header))]
    lines = [
        "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in [header, *rows]
    ]
    return [lines[0], "|" + "|".join("-" * (w + 2) for w in widths) + "|", *lines[1:]]


def report(variant: str, seeds: tuple[int, ...], verdicts: list[Verdict], whole: bool) -> tuple[list[str], int]:
    """Lines of the report of one variant, and how many limits are missed."""
    channels = "4 coils" if variant == "iron_disc" else "1 coil"
    lines = ["", f"## {variant.replace('_', ' ')}, {channels}, fingers {', '.join(map(str, seeds))}", ""]
    rows = [[v.name, *(show(v[key] * scale, form) for _, key, scale, form in COLUMNS)] for v in verdicts]
    lines += table(["method", *(label for label, *_ in COLUMNS)], rows)
    recordings = list(verdicts[0].per_recording_n)
    lines += ["", "Normal-force RMSE by recording (N):", ""]
    lines += table(
        ["method", *recordings], [[v.name, *(show(v.per_recording_n[r], ".3f") for r in recordings)] for v in verdicts]
    )
    missed = 0
    ours = next((v for v in verdicts if v.name == OURS), None)
    if ours is not None:
        rows = []
        for limit in limits(variant):
            value, fine = limit.value(ours), limit.passes(ours)
            if not whole and not np.isfinite(value):
                continue
            missed += not fine
            bound = f"<= {limit.high:g}" if limit.low == -np.inf else f">= {limit.low:g}"
            if np.isfinite(limit.low) and np.isfinite(limit.high):
                bound = f"{limit.low:g} to {limit.high:g}"
            rows.append([limit.label, f"{bound} {limit.unit}".strip(), f"{value:.3g}", "PASS" if fine else "FAIL"])
        lines += ["", f"Limits, {OURS}:", "", *table(["figure", "limit", "is", ""], rows), ""]
        curve = [[f"{said:.3f}", f"{true:.3f}", f"{share * 1e2:.2f} %"] for said, true, share in ours.reliability]
        lines += [*table(["contact probability", "true share", "of the rows"], curve), ""]
        for v in (v for v in verdicts if v.name.startswith("ESTIMATOR")):
            lines.append(
                f"{v.name}: {v['false_alarms']:.0f} false alarms in {v['free_minutes']:.1f} contact-free minutes, "
                f"{v['false_alarms_per_min']:.3f}/min, one-sided 95 % Poisson bound "
                f"{v['false_alarm_bound_per_min']:.3f}/min; "
                f"while the arm moves {v['arm_false_per_min']:.2f}/min (2-sigma share "
                f"{v['arm_within_2_sigma_free']:.3f})"
            )
        for v in verdicts:
            if not v.name.startswith("ESTIMATOR") and v.name not in TRIVIAL:
                worse = worse_than(ours, v)
                lines.append(
                    f"against {v.name}: "
                    + (f"beaten in {', '.join(worse)}" if worse else "better or equal in all four")
                )
    return lines, missed


def main() -> int:
    """Run the benchmark and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--part", action="store_true", help="one development finger, a few recordings and baselines")
    parser.add_argument("--seeds", choices=("dev", "final"), default="dev", help="which fingers (default dev)")
    parser.add_argument("--pad", choices=cases.VARIANTS, help="only this pad")
    parser.add_argument("--only-ours", action="store_true", help="without the baselines")
    parser.add_argument("--only-baselines", action="store_true", help="without the estimator")
    parser.add_argument("--out", type=Path, help="also write the tables to this file")
    parser.add_argument("--strict", action="store_true", help="exit 1 if a limit is missed")
    parser.add_argument(
        "--choose-thresholds", action="store_true", help="choose the baselines' thresholds on development fingers"
    )
    arguments = parser.parse_args()
    start = time.perf_counter()
    variants = [arguments.pad] if arguments.pad else list(cases.VARIANTS)
    seeds = PART_SEEDS if arguments.part else cases.DEV_SEEDS if arguments.seeds == "dev" else cases.FINAL_SEEDS
    cases.make_all(cases.DEV_SEEDS if arguments.choose_thresholds else seeds, variants=variants)
    say(f"recordings ready after {time.perf_counter() - start:.0f} s")
    if arguments.choose_thresholds:
        found = Parallel(n_jobs=2)(delayed(choose_thresholds)(variant) for variant in variants)
        save_thresholds(dict(zip(variants, found, strict=True)))
        return 0
    names = PART_NAMES if arguments.part else None
    models = () if arguments.only_ours else PART_MODELS if arguments.part else tuple(MODELS)
    results = Parallel(n_jobs=2)(
        delayed(run_variant)(variant, seeds, names, models, not arguments.only_baselines) for variant in variants
    )
    lines, missed = [f"# Accuracy on {'part of ' if arguments.part else ''}the {arguments.seeds} fingers"], 0
    for variant, verdicts in zip(variants, results, strict=True):
        more, failed = report(variant, seeds, verdicts, whole=not arguments.part)
        lines, missed = lines + more, missed + failed
    lines += ["", f"{missed} limits missed; {time.perf_counter() - start:.0f} s in all"]
    print("\n".join(lines))
    if arguments.out:
        arguments.out.write_text("\n".join(lines) + "\n")
    return 1 if arguments.strict and missed else 0


if __name__ == "__main__":
    sys.exit(main())
