"""Draws the pictures of README.md and estimator.md: `python shared/docs/pictures.py`; needs matplotlib.

One grasp of the simulated finger, run through the estimator with the shipped calibration of that finger; nothing is
drawn by hand.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from PIL import Image

from soft_tactile_node.calibration import load_calibration
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.recordings import Truth
from soft_tactile_node.reports.split_signals import Replayed, replay_and_split
from soft_tactile_node.simulation import simulate

HERE = Path(__file__).resolve().parent
CALIBRATION = HERE.parents[1] / "config" / "calibrations" / "left_finger.yaml"
SPECIMEN = 1
"""The finger that the shipped calibration belongs to."""

SEED, LENGTH_S = 2, 12.0
SHOWN_S = (2.5, 10.0)
EVERY = 5
"""Only every fifth scan is drawn: a hundred a second."""

BLUE, ORANGE, GREY = "#0072b2", "#d55e00", "#666666"  # stay apart for colour-blind eyes
STYLE = {
    "font.size": 12, "axes.spines.top": False, "axes.spines.right": False, "axes.edgecolor": GREY,
    "legend.frameon": False, "lines.linewidth": 2.0, "figure.facecolor": "white",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Grasp:
    """A simulated grasp, what truly happened and what the estimator says."""

    truth: Truth
    seen: Replayed
    coil: int

    @property
    def rows(self) -> slice:
        """Rows that are shown."""
        first, last = np.searchsorted(self.seen.recording.time_s, SHOWN_S)
        return slice(int(first), int(last), EVERY)


def grasp() -> Grasp:
    """Return the grasp that is drawn, with the coil that it moves most."""
    recording, truth = simulate("pick-bun", seed=SEED, specimen_seed=SPECIMEN, duration_s=LENGTH_S)
    seen = replay_and_split(Estimator(load_calibration(CALIBRATION)), recording)
    coil = int(np.nanargmax(np.nanmax(np.abs(seen.split.contact), axis=0)))
    return Grasp(truth, seen, coil)


def draw_coil(axes: Axes, shown: Grasp, words: str) -> None:
    """Draw one coil as measured and what of it is bending, with the gap between them filled."""
    rows, split, coil = shown.rows, shown.seen.split, shown.coil
    time_s, percent = split.time_s[rows], 100.0
    measured = percent * split.change[rows, coil]
    bending = percent * (split.bending + split.drift)[rows, coil]
    axes.fill_between(time_s, bending, measured, color=BLUE, alpha=0.15, lw=0)
    axes.plot(time_s, bending, color=ORANGE, label=words)
    axes.plot(time_s, measured, color=BLUE, label=f"coil {coil + 1} as measured")
    axes.set_ylabel("change of inductance (%)")
    axes.legend(loc="lower center")
    middle = int(np.argmax(np.abs(measured - bending) > 0.9 * np.max(np.abs(measured - bending)))) + len(time_s) // 5
    axes.text(time_s[middle], 0.5 * (measured + bending)[middle], "touch", color=BLUE, ha="center", va="center")


def draw_force(axes: Axes, shown: Grasp) -> None:
    """Draw the normal force with its band, the true one and the events."""
    rows = shown.rows
    time_s = shown.seen.estimate.time_s[rows]
    force = shown.seen.estimate.force_n[rows, 2]
    deviation = np.sqrt(shown.seen.estimate.force_variance_n2[rows, 2])
    axes.fill_between(time_s, force - 2 * deviation, force + 2 * deviation, color=BLUE, alpha=0.2, lw=0,
                      label="two-sigma band")  # fmt: skip
    axes.plot(time_s, force, color=BLUE, label="estimated")
    axes.plot(shown.truth.time_s[rows], shown.truth.force_n[rows, 2], color="black", lw=1.2, ls="--", label="true")
    axes.margins(y=0.15)
    for event in shown.seen.events:
        if SHOWN_S[0] <= event.time_s <= SHOWN_S[1]:
            axes.axvline(event.time_s, color=GREY, lw=1.0, ls=":")
            axes.annotate(event.kind.value, (event.time_s, 1.0), xycoords=("data", "axes fraction"), xytext=(4, -12),
                          textcoords="offset points", color=GREY)  # fmt: skip
    axes.set_ylabel("normal force (N)")
    axes.set_xlabel("time (s)")
    axes.set_xlim(*SHOWN_S)
    axes.legend(loc="center")


def draw_pressure(axes: Axes, shown: Grasp) -> None:
    """Draw the pressure."""
    pressure_pa = shown.seen.recording.pressure_pa
    read = np.flatnonzero(np.isfinite(pressure_pa))  # the pressure sensor is slower than the coils
    axes.plot(shown.seen.recording.time_s[read], 1e-3 * pressure_pa[read], color=GREY)
    axes.set_ylabel("pressure (kPa)")


def save(figure: Figure, name: str) -> None:
    """Write a small PNG: a few dozen colours are enough for lines."""
    figure.align_ylabels()
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=140)
    plt.close(figure)
    Image.open(stream).convert("RGB").quantize(64).save(HERE / "pictures" / name, optimize=True)


def main() -> None:
    """Draw all pictures."""
    mpl.use("Agg")
    shown = grasp()
    with mpl.rc_context(STYLE):
        figure, (top, bottom) = plt.subplots(2, 1, figsize=(9.0, 5.6), sharex=True, layout="constrained")
        draw_coil(top, shown, "of this, bending")
        draw_force(bottom, shown)
        save(figure, "grasp.png")
        figure, (first, second, third) = plt.subplots(
            3, 1, figsize=(9.0, 7.4), sharex=True, layout="constrained", height_ratios=(2, 3, 3)
        )
        draw_pressure(first, shown)
        draw_coil(second, shown, "predicted from the pressure alone")
        draw_force(third, shown)
        save(figure, "steps.png")


if __name__ == "__main__":
    main()
