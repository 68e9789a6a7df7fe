"""Figures of one method on the recordings of several fingers of one variant, and the limits they are held against."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import cases
import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2
from second_finger.faults import FAULTS
from second_finger.specimen import IRON_DISC

from soft_tactile_node.recordings import EstimateTable, Recording, Truth
from soft_tactile_node.samples import ContactEvent, Flag
from soft_tactile_node.scoring import score

Array = NDArray[np.float64]

TARE_S = 1.0
ARM_REST_S = 0.5
FAULT_FLAGS = {
    "channel_open": Flag.CHANNEL_OPEN,
    "channel_stuck": Flag.STUCK,
    "channel_spiking": Flag.SPIKE | Flag.REJECTED,
    "pressure_dropout": Flag.PRESSURE_MISSING,
    "pressure_zero": Flag.PRESSURE_MISSING,
}
BENT_RAD = 0.15


@dataclass(frozen=True)
class Answer:
    """What a method said about one recording."""

    seed: int
    name: str
    recording: Recording
    truth: Truth
    estimate: EstimateTable
    events: list[ContactEvent] | None


@dataclass
class Verdict:
    """Figures of one method and variant; NaN = not computed."""

    name: str
    figures: dict[str, float] = field(default_factory=dict)
    reliability: list[tuple[float, float, float]] = field(default_factory=list)
    per_recording_n: dict[str, float] = field(default_factory=dict)

    def __getitem__(self, key: str) -> float:
        return self.figures.get(key, float("nan"))


def poisson_bound(count: float, minutes: float, confidence: float = 0.95) -> float:
    """One-sided upper bound of a rate (1/min) after `count` events in `minutes`.

    Exact Poisson interval (Garwood 1936).
    """
    return float(chi2.ppf(confidence, 2.0 * (count + 1.0)) / 2.0 / minutes)


def normal_rmse(answers: Sequence[Answer]) -> float:
    """Pooled RMSE of the normal force (N) over finite rows after the first second."""
    squares: list[Array] = []
    for a in answers:
        error = (a.estimate.force_n[:, 2] - a.truth.force_n[:, 2])[a.truth.time_s >= a.truth.time_s[0] + TARE_S]
        squares.append(error[np.isfinite(error)] ** 2)
    joined = np.concatenate(squares) if squares else np.empty(0)
    return float(np.sqrt(joined.mean())) if len(joined) else float("nan")


def reliability(answers: Sequence[Answer]) -> list[tuple[float, float, float]]:
    """Reliability curve of the contact probability: mean of it, true share of contact, share of rows, by tenths of it.

    Rows after the tare whose probability is finite; contact is any true force at all.
    """
    said, true = [], []
    for a in answers:
        rows = (a.truth.time_s >= a.truth.time_s[0] + TARE_S) & np.isfinite(a.estimate.contact_probability)
        said.append(a.estimate.contact_probability[rows])
        true.append(a.truth.in_contact[rows])
    probability, contact = np.concatenate(said), np.concatenate(true)
    tenth = np.minimum((probability * 10.0).astype(int), 9)
    bins = [tenth == k for k in range(10)]
    return [(float(probability[b].mean()), float(contact[b].mean()), float(b.mean())) for b in bins if b.any()]


def flagged_share(answers: Sequence[Answer]) -> float:
    """Share of rows with a flag, outside faults and range.

    The tare, force or pressure out of range, `held elsewhere` while a grasp is held back and `motion` while the arm
    moves are not counted: there the flag is right.
    """
    flagged = rows = 0
    for a in answers:
        right = Flag.TARE | Flag.OUT_OF_RANGE | Flag.OVERLOAD
        right |= {"held_back": Flag.HELD_ELSEWHERE, "arm_moves": Flag.MOTION}.get(a.name, Flag(0))
        flagged += int(np.count_nonzero(a.estimate.flags & ~int(right)))
        rows += len(a.estimate.flags)
    return flagged / max(rows, 1)


def judge(name: str, answers: Sequence[Answer], press: dict[int, Sequence[Recording]]) -> Verdict:
    """All figures of a method.

    Parameters
    ----------
    name : str
        Name of the method.
    answers : sequence of Answer
        One for each recording of each finger.
    press : dict of int to sequence of Recording
        Press recordings by finger seed, for the bend rejection.

    Returns
    -------
    Verdict
        The figures of `scoring` over all good recordings, and those of faults, arm moves and grasps held back.
    """
    good = [a for a in answers if a.name not in FAULTS]
    verdict = Verdict(name)
    events = [a.events for a in good] if all(a.events is not None for a in good) else None
    detail = score([(a.estimate, a.truth) for a in good], events)
    verdict.figures.update(
        {key: float("nan") if value is None else float(value) for key, value in detail.figures.items()}
    )
    put = verdict.figures.__setitem__
    for k, axis in enumerate("xyz"):
        put(f"within_2_sigma_contact_{axis}", float(detail.honesty.within_2_sigma_axes[0, k]))
    put("missed_share", detail.detection.missed / max(detail.detection.contacts, 1))
    put("false_alarms", float(detail.detection.false_alarms))
    put("free_minutes", detail.detection.free_s / 60.0)
    put("false_alarm_bound_per_min", poisson_bound(detail.detection.false_alarms, detail.detection.free_s / 60.0))
    put("slips_found_share", verdict["slips_found"] / max(detail.slips.slips, 1))
    put("held_back_rmse_n", normal_rmse([a for a in good if a.name == "held_back"]))
    put("flagged_share", flagged_share(good))
    verdict.reliability = reliability(good)
    put("probability_error", sum(share * abs(said - true) for said, true, share in verdict.reliability))
    for label, names in (("arm", ("arm_moves",)), ("still", ("free_motion",))):
        part = [a for a in good if a.name in names]
        if part:
            figures = score([(a.estimate, a.truth) for a in part]).figures
            put(f"{label}_false_per_min", _number(figures["false_alarms_per_min"]))
            put(f"{label}_within_2_sigma_free", _number(figures["within_2_sigma_free"]))
    _put_rejection(verdict, good, press)
    for fault in FAULTS:
        part = [a for a in answers if a.name == fault]
        if part:
            _put_fault(verdict, fault, part)
    for recording in dict.fromkeys(a.name for a in answers):
        verdict.per_recording_n[recording] = normal_rmse([a for a in answers if a.name == recording])
    return verdict


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _put_rejection(verdict: Verdict, good: Sequence[Answer], press: dict[int, Sequence[Recording]]) -> None:
    """Bend rejection on the free motion, mean of the fingers; infinite where the estimate is zero throughout."""
    for key in ("bend_rejection_db", "bend_rejection_strict_db"):
        values = []
        for a in good:
            if a.name == "free_motion":
                detail = score([(a.estimate, a.truth)], recordings=[a.recording], press=press[a.seed])
                silent = detail.reasons.get(key, "").endswith("zero throughout")
                values.append(float("inf") if silent else _number(detail.figures[key]))
        verdict.figures[key] = float(np.mean(values)) if values else float("nan")


def _put_fault(verdict: Verdict, fault: str, answers: Sequence[Answer]) -> None:
    """Figures inside the fault windows of one kind of fault."""
    errors: list[Array] = []
    shear: list[Array] = []
    honest: list[Array] = []
    delays, unsafe, rows = [], 0, 0
    wanted = int(FAULT_FLAGS[fault])
    for a in answers:
        t = a.estimate.time_s
        for start, end in cases.fault_windows(fault):
            inside = (t >= start) & (t < end)
            begin = start
            if fault == "pressure_zero":  # a vented finger may read zero: the fault begins when the finger is bent
                bent = np.flatnonzero(inside & (a.truth.bend_rad > BENT_RAD))
                begin = float(t[bent[0]]) if len(bent) else end
            flagged = (a.estimate.flags & wanted) != 0
            first = np.flatnonzero(inside & (t >= begin) & flagged)
            delays.append(float(t[first[0]]) - begin if len(first) else float("inf"))
            error = a.estimate.force_n - a.truth.force_n
            normal = error[inside, 2]
            errors.append(normal[np.isfinite(normal)])
            shear.append(error[inside, :2][np.isfinite(error[inside, :2])])
            sigma = np.sqrt(a.estimate.force_variance_n2[inside, 2])
            honest.append((np.abs(normal) <= 2.0 * sigma)[np.isfinite(normal)])
            late = inside & (t >= start + 0.1)
            unsafe += int(np.count_nonzero(late & np.isfinite(a.estimate.force_n[:, 2]) & ~(a.estimate.flags != 0)))
            rows += int(np.count_nonzero(late))
    joined, sideways, inside_2 = np.concatenate(errors), np.concatenate(shear), np.concatenate(honest)
    put = verdict.figures.__setitem__
    put(f"{fault}_rmse_n", float(np.sqrt(np.mean(joined**2))) if len(joined) else float("nan"))
    put(f"{fault}_shear_rmse_n", float(np.sqrt(np.mean(sideways**2))) if len(sideways) else float("nan"))
    put(f"{fault}_within_2_sigma", float(inside_2.mean()) if len(inside_2) else float("nan"))
    put(f"{fault}_flag_delay_s", max(delays))
    put(f"{fault}_unflagged_share", unsafe / max(rows, 1))
    figures = score([(a.estimate, a.truth) for a in answers]).figures
    put(f"{fault}_wrong_force_max_s", _number(figures["wrong_force_max_s"]))


@dataclass(frozen=True)
class Limit:
    """One line of the table of limits."""

    label: str
    unit: str
    value: Callable[[Verdict], float]
    low: float
    high: float

    def passes(self, verdict: Verdict) -> bool:
        """Whether the figure is within the limits; NaN never is."""
        return bool(self.low <= self.value(verdict) <= self.high)


def _figure(key: str, scale: float = 1.0) -> Callable[[Verdict], float]:
    return lambda verdict: scale * verdict[key]


def limits(pad: str) -> list[Limit]:
    """Limits of one pad, in the order they are printed."""
    iron = pad == IRON_DISC
    inf = float("inf")

    def limit(label: str, unit: str, key: str, *, low: float = -inf, high: float = inf, scale: float = 1.0) -> Limit:
        return Limit(label, unit, _figure(key, scale), low, high)

    def pick(of_iron: float, of_metal: float) -> float:
        return of_iron if iron else of_metal

    out = [limit("normal-force RMSE, all recordings", "N", "force_z_rmse_n", high=pick(0.05, 0.10))]
    if iron:
        out.append(limit("shear x RMSE on contact samples", "N", "force_x_contact_rmse_n", high=0.15))
        out.append(limit("shear y RMSE on contact samples", "N", "force_y_contact_rmse_n", high=0.12))
    out += [
        limit("bend rejection", "dB", "bend_rejection_db", low=pick(28.0, 24.0)),
        limit("bend rejection, strict", "dB", "bend_rejection_strict_db", low=pick(18.0, 20.0)),
        limit("missed contacts", "%", "missed_share", high=pick(3.0, 8.0), scale=100.0),
        limit("detection latency, median", "ms", "latency_median_s", high=pick(15.0, 25.0), scale=1e3),
        limit("release latency, median", "ms", "release_median_s", high=pick(60.0, 150.0), scale=1e3),
        limit("false alarms per contact-free minute", "1/min", "false_alarms_per_min", high=pick(0.2, 0.5)),
        limit("false-contact time share", "%", "false_contact_share", high=pick(1.0, 2.0), scale=100.0),
        limit("F1 on light touches", "", "f1_light", low=pick(0.95, 0.75)),
    ]
    out += [
        limit(f"contact errors within 2 sigma, {axis}", "", f"within_2_sigma_contact_{axis}", low=0.93, high=0.98)
        for axis in ("xyz" if iron else "z")
    ]
    out.append(limit("contact probability beside true share, mean difference", "", "probability_error", high=0.05))
    if iron:
        out.append(limit("slips found", "%", "slips_found_share", low=25.0, scale=100.0))
        out.append(limit("false slips per minute of contact", "1/min", "false_slips_per_min", high=0.5))
    out.append(limit("held elsewhere: normal-force RMSE", "N", "held_back_rmse_n", high=pick(0.06, 0.10)))
    out.append(
        Limit(
            "arm moves, empty: false alarms beyond rest, or 2-sigma share below 0.95", "1/min", _arm_excess, -inf, 0.0
        )
    )
    for fault in FAULTS:
        words = fault.replace("_", " ")
        if fault.startswith("pressure"):
            if iron:
                out.append(limit(f"{words}: normal-force RMSE inside", "N", f"{fault}_rmse_n", high=0.20))
            else:
                out.append(limit(f"{words}: within 2 sigma inside", "", f"{fault}_within_2_sigma", low=0.93))
            out.append(limit(f"{words}: flagged within", "ms", f"{fault}_flag_delay_s", high=500.0, scale=1e3))
        elif iron:
            out.append(limit(f"{words}: normal-force RMSE inside", "N", f"{fault}_rmse_n", high=0.10))
        else:
            out.append(
                limit(
                    f"{words}: rows neither NaN nor flagged after 100 ms",
                    "%",
                    f"{fault}_unflagged_share",
                    high=0.0,
                    scale=100.0,
                )
            )
    out.append(limit("wrong force, longest", "ms", "wrong_force_max_s", high=100.0, scale=1e3))
    out.append(limit("rows flagged outside faults and range", "%", "flagged_share", high=5.0, scale=100.0))
    return out


def _arm_excess(verdict: Verdict) -> float:
    """False alarms a minute beyond those of the free motion.

    Zero if the variance covers the error in 95 % of the free rows.
    """
    if verdict["arm_within_2_sigma_free"] >= 0.95:
        return 0.0
    return max(verdict["arm_false_per_min"] - verdict["still_false_per_min"], 0.0)


def worse_than(ours: Verdict, other: Verdict) -> list[str]:
    """In which of RMSE, missed contacts, false alarms and light F1 another method beats ours."""
    rules: dict[str, Any] = {
        "RMSE": ours["force_z_rmse_n"] <= other["force_z_rmse_n"],
        "missed": ours["missed"] <= other["missed"],
        "false alarms": ours["false_alarms_per_min"] <= other["false_alarms_per_min"],
        "light F1": ours["f1_light"] >= other["f1_light"],
    }
    return [name for name, fine in rules.items() if not fine]
