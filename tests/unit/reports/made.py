"""One page of each report, made from invented numbers, none of them thinned for drawing."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pytest

from soft_tactile_node.characterisation.ageing import find_ageing
from soft_tactile_node.design import parse_study, run_study
from soft_tactile_node.design.run import rank
from soft_tactile_node.recordings import EstimateTable, Recording, Truth
from soft_tactile_node.reports import calibration_report
from soft_tactile_node.reports.calibration_report import build_calibration_page
from soft_tactile_node.reports.characterise_report import build_characterise_page
from soft_tactile_node.reports.demo_report import DemoRun, build_demo_page
from soft_tactile_node.reports.design_report import build_page
from soft_tactile_node.reports.held_out import HeldOut, HeldOutRecording
from soft_tactile_node.reports.page import Page
from soft_tactile_node.reports.replay_report import build_replay_page
from soft_tactile_node.reports.split_signals import Replayed, SplitSignals
from soft_tactile_node.samples import Array, ContactEvent, EventKind, Flag
from soft_tactile_node.scoring.findings import FingerRecord, compare
from soft_tactile_node.scoring.runs import find_runs
from soft_tactile_node.scoring.verdict import judge_estimate
from unit.characterisation.items import figure, make_item, shipped
from unit.design.studies import IRON_DISC, changed

RATE_HZ, LENGTH_S, START_S = 50.0, 40.0, 100.0
TOUCHES_S = ((6.0, 10.0, 2.0), (14.0, 17.0, 4.5), (24.0, 29.0, 1.0))
"""Begin and end (s) and normal force (N) of each touch."""


def _wave(start_s: float = 0.0) -> tuple[Recording, Truth]:
    """Return a recording of the shipped finger with three touches, and its truth."""
    record = shipped()
    time_s = np.arange(round(RATE_HZ * LENGTH_S)) / RATE_HZ
    force = np.zeros((time_s.size, 3))
    for begin_s, end_s, most_n in TOUCHES_S:
        inside = (time_s >= begin_s) & (time_s < end_s)
        force[inside, 2] = most_n * np.sin(np.pi * (time_s[inside] - begin_s) / (end_s - begin_s))
    pressure_pa = np.where(time_s > 3.0, 2e4 * (1.0 - np.cos(0.5 * (time_s - 3.0))), 0.0)
    noise = np.random.default_rng(1).normal(0.0, 2e-6, (time_s.size, record.channels))
    change = 2e-8 * pressure_pa[:, None] + 2e-3 * force[:, 2:] * np.array([1.0, 0.9, 1.1, 1.0]) + noise
    pressure_pa[1::2] = np.nan  # a slower pressure sensor
    recording = Recording(
        time_s + start_s, pressure_pa, np.array(record.tare_inductance_h) * (1.0 + change), np.full(time_s.size, 20.0),
        force_n=force, source="made.csv",
    )  # fmt: skip
    touched = force[:, 2] > 0.0
    return recording, Truth(time_s + start_s, force, np.zeros(time_s.size), touched, (time_s > 26.0) & (time_s < 26.5))


def _table(time_s: Array, force_n: Array, sigma_n: float) -> EstimateTable:
    return EstimateTable(
        time_s, force_n=force_n, force_variance_n2=np.full(force_n.shape, sigma_n**2), in_contact=force_n[:, 2] > 0.1
    )


def calibrate_page(patch: pytest.MonkeyPatch) -> Page:
    """Return a calibration report whose two fits are the truth with noise, and with more of it."""
    recording, truth = _wave()
    rng = np.random.default_rng(2)
    held = np.floor(truth.time_s / 10.0) % 3 == 2
    own, static = (
        _table(truth.time_s, truth.force_n * gain + rng.normal(0.0, sigma, truth.force_n.shape), sigma)
        for gain, sigma in ((0.98, 0.05), (0.9, 0.2))
    )
    compared = HeldOut((), (HeldOutRecording(recording, held, own, static),), shipped())
    free = HeldOutRecording(recording, held, own, static)
    patch.setattr(calibration_report, "replay_and_split", lambda *_: replayed()[0])
    patch.setattr(
        calibration_report, "compare_held_out", lambda *_: HeldOut((free,), compared.press, compared.calibration)
    )
    return build_calibration_page(shipped(), [recording], [recording])


def characterise_page(patch: pytest.MonkeyPatch) -> Page:
    """Return a report of four specimens that are one finger over time, its film thicker from the third on."""
    items = [
        make_item(
            label, factors={"film_um": film_um}, day=date(2026, month, 1), finger="left", hysteresis=figure(percent),
            sensitivity=figure(0.0068 + 1e-4 * month, 1e-4),
        )
        for label, film_um, month, percent in (
            ("first", 50.0, 3, 3.0), ("second", 50.0, 5, 3.2), ("third", 65.0, 6, 9.3), ("fourth", 65.0, 8, 9.5)
        )
    ]  # fmt: skip
    return build_characterise_page(items, find_ageing(items), {})


def design_page(patch: pytest.MonkeyPatch) -> Page:
    """Return a report of three discs."""
    study, cases = parse_study(
        changed(IRON_DISC, load__points=6, sweep={"grid": {"pad.cushion.gap_m": [1.5e-3, 2.0e-3, 3.0e-3]}})
    )
    return build_page(study, rank(run_study(cases, jobs=1), study))


def _events(truth: Truth, force_n: Array) -> tuple[ContactEvent, ...]:
    """Return a report of each touch and release, two scans late."""
    starts, stops = find_runs(truth.in_contact)
    moments = [(k + 2, kind) for rows, kind in ((starts, EventKind.CONTACT), (stops, EventKind.RELEASE)) for k in rows]
    return tuple(
        ContactEvent(truth.time_s[k], truth.time_s[k - 2], kind, 1, force_n[k], 0.9) for k, kind in sorted(moments)
    )


def replayed(start_s: float = START_S) -> tuple[Replayed, Truth]:
    """Return what an estimator that is nearly right would say of the recording, and the truth."""
    recording, truth = _wave(start_s)
    rng = np.random.default_rng(4)
    taring = truth.time_s < start_s + 1.0
    found = np.roll(truth.in_contact, 2)
    force = np.where(found[:, None], truth.force_n + rng.normal(0.0, 0.03, truth.force_n.shape), 0.0)
    force[taring] = np.nan
    late = truth.time_s > start_s + 36.0
    estimate = EstimateTable(
        truth.time_s, force_n=force, force_variance_n2=np.where(np.isfinite(force), 0.03**2, np.nan),
        contact_probability=np.where(found, 0.9, 0.1), in_contact=found,
        flags=np.where(taring, int(Flag.TARE), np.where(late, int(Flag.OUT_OF_RANGE), 0)),
    )  # fmt: skip
    change = recording.inductance_h / np.array(shipped().tare_inductance_h) - 1.0
    contact = 2e-3 * np.nan_to_num(force[:, 2:]) * np.array([1.0, 0.9, 1.1, 1.0])
    bending = 0.98 * (change - contact)
    split = SplitSignals(truth.time_s - start_s, change, bending, contact, change - bending - contact)
    return Replayed(recording, estimate, _events(truth, force), split), truth


def replay_page(patch: pytest.MonkeyPatch) -> Page:
    """Return the report of a replay beside its truth."""
    run, truth = replayed()
    return build_replay_page(shipped(), run, judge_estimate(run.estimate, truth, run.events, shipped().pad))


def demo_page(patch: pytest.MonkeyPatch) -> Page:
    """Return the report of a demo with two fingers that feel the same, one of them with more noise."""
    _, truth = _wave()
    rng = np.random.default_rng(3)
    records = {}
    for finger, sigma in (("left_finger", 0.01), ("right_finger", 0.03)):
        force = truth.force_n + rng.normal(0.0, sigma, truth.force_n.shape)
        estimate = EstimateTable(
            truth.time_s, force_n=force, force_variance_n2=np.full(force.shape, sigma**2),
            in_contact=np.roll(truth.in_contact, 2),
        )  # fmt: skip
        records[finger] = FingerRecord(estimate, truth, _events(truth, force))
    spans = [(0.0, "bun"), (20.0, "roll")]
    column = np.column_stack([truth.time_s, 1e4 + truth.time_s])
    run = DemoRun(
        seed=1, rate_hz=RATE_HZ, records=records, findings=compare(records, spans), spans=spans, outcomes={},
        story=[], pressure=dict.fromkeys(records, column), lift=column, height=column, latency_s=np.zeros(3),
    )  # fmt: skip
    return build_demo_page(run)


PAGES: dict[str, Callable[[pytest.MonkeyPatch], Page]] = {
    "calibrate": calibrate_page,
    "characterise": characterise_page,
    "design": design_page,
    "replay": replay_page,
    "demo": demo_page,
}
