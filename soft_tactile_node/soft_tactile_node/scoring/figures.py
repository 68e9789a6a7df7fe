"""All figures of an estimate against the truth, under fixed names, with the reason for each that is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.errors import RangeError
from soft_tactile_node.recordings import EstimateTable, Recording, Truth
from soft_tactile_node.samples import ContactEvent
from soft_tactile_node.scoring.alignment import LEFT_OUT_S, AlignedPair, align_pair
from soft_tactile_node.scoring.detection import Detection, score_detection
from soft_tactile_node.scoring.force import ForceError, score_force
from soft_tactile_node.scoring.honesty import Honesty, score_honesty
from soft_tactile_node.scoring.rejection import compute_rejection, fit_apparent_force
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S
from soft_tactile_node.scoring.slips import Slips, score_slips

AXES = ("x", "y", "z")

FULL_SCALE_N = (2.0, 2.0, 5.0)
"""Full scale of shear, shear and normal force unless a calibration says otherwise (N)."""

FINITE_SHARE = 0.995
"""Below this share of finite rows on an observed axis no other figure counts (1)."""

KEYS = (
    *(f"finite_share_{axis}" for axis in AXES),
    *(
        f"force_{axis}_{figure}"
        for axis in AXES
        for figure in ("rmse_n", "rmse_percent_fs", "contact_rmse_n", "zero_rmse_n")
    ),
    "free_bias_n",
    "free_rms_n",
    "bend_rejection_db",
    "bend_rejection_strict_db",
    "contacts",
    "missed",
    "latency_median_s",
    "latency_p95_s",
    "release_median_s",
    "release_p95_s",
    "false_alarms_per_min",
    "false_contact_share",
    "f1",
    "f1_light",
    "within_2_sigma_contact",
    "within_2_sigma_free",
    *(f"nees_{axis}" for axis in AXES),
    "slips",
    "slips_found",
    "false_slips_per_min",
    "wrong_force_max_s",
)
"""Names of the figures, in the order they are printed."""

Figures = dict[str, float | int | None]


@dataclass(frozen=True, eq=False)
class Score:
    """Figures with everything that stands behind them.

    Attributes
    ----------
    figures : dict of str to float, int or None
        One entry for each of KEYS, in that order; None = not computed.
    reasons : dict of str to str
        Why a figure is None: "needs --…".
    force, detection, honesty, slips
        The parts, for reports.
    """

    figures: Figures
    reasons: dict[str, str]
    force: ForceError
    detection: Detection
    honesty: Honesty
    slips: Slips


def score(
    pairs: Sequence[tuple[EstimateTable, Truth]],
    events: Sequence[Sequence[ContactEvent] | None] | None = None,
    *,
    recordings: Sequence[Recording] | None = None,
    press: Sequence[Recording] = (),
    full_scale_n: tuple[float, float, float] = FULL_SCALE_N,
) -> Score:
    """Score estimates against truths.

    Parameters
    ----------
    pairs : sequence of (EstimateTable, Truth)
        One or more estimates, each with its truth; figures are pooled over them.
    events : sequence of (sequence of ContactEvent, or None), or None
        Events of each pair, for the slip figures.
    recordings : sequence of Recording, or None
        The recording behind each pair, for the bend rejection.
    press : sequence of Recording
        Press recordings of the same pad, for the bend rejection.
    full_scale_n : tuple of three floats
        Full scale per axis (N).

    Returns
    -------
    Score
        Figures, their parts, and the reason for each that is missing.

    Raises
    ------
    RangeError
        If counts differ, a truth is too short or runs backwards, or an estimate does not belong to its recording.
    """
    if not pairs:
        raise RangeError("pairs must be at least one estimate with its truth; got none")
    for name, listed in (("events", events), ("recordings", recordings)):
        if listed is not None and len(listed) != len(pairs):
            raise RangeError(f"{name} must be one for each of {len(pairs)} pairs; got {len(listed)}")
    aligned = [align_pair(estimate, truth) for estimate, truth in pairs]
    sheet = _Sheet()
    force = score_force(aligned)
    detection = score_detection(aligned)
    honesty = score_honesty(aligned)
    slips = score_slips(aligned, events if events is not None else [None] * len(pairs))
    _enter_force(sheet, force, full_scale_n)
    _enter_rejection(sheet, pairs, aligned, recordings, press)
    _enter_detection(sheet, detection)
    _enter_honesty(sheet, honesty, force)
    _enter_slips(sheet, slips, events)
    sheet.enter("wrong_force_max_s", force.wrong_max_s, "")
    _strike_unfinished(sheet, force)
    return Score({key: sheet.figures[key] for key in KEYS}, sheet.reasons, force, detection, honesty, slips)


class _Sheet:
    """Collects figures; one that is not a finite number is left empty with a reason."""

    def __init__(self) -> None:
        self.figures: Figures = dict.fromkeys(KEYS)
        self.reasons: dict[str, str] = {}

    def enter(self, key: str, value: float, reason: str) -> None:
        if math.isfinite(value):
            self.figures[key] = value
        else:
            self.figures[key] = None
            self.reasons[key] = reason


def _enter_force(sheet: _Sheet, force: ForceError, full_scale_n: tuple[float, float, float]) -> None:
    for k, axis in enumerate(AXES):
        unseen = "needs a calibration that observes this axis"
        touched = "needs a contact in TRUTH" if force.finite_share[k] > 0 else unseen
        sheet.enter(f"finite_share_{axis}", float(force.finite_share[k]), "")
        sheet.enter(f"force_{axis}_rmse_n", float(force.rmse_n[k]), unseen)
        sheet.enter(f"force_{axis}_rmse_percent_fs", float(100.0 * force.rmse_n[k] / full_scale_n[k]), unseen)
        sheet.enter(f"force_{axis}_contact_rmse_n", float(force.contact_rmse_n[k]), touched)
        sheet.enter(f"force_{axis}_zero_rmse_n", float(force.zero_rmse_n[k]), unseen)
    sheet.enter("free_bias_n", force.free_bias_n, "needs samples without contact and an observed normal force")
    sheet.enter("free_rms_n", force.free_rms_n, "needs samples without contact and an observed normal force")


def _enter_rejection(
    sheet: _Sheet,
    pairs: Sequence[tuple[EstimateTable, Truth]],
    aligned: Sequence[AlignedPair],
    recordings: Sequence[Recording] | None,
    press: Sequence[Recording],
) -> None:
    keys = ("bend_rejection_db", "bend_rejection_strict_db")
    missing = [name for name, given in (("--recording", recordings), ("--press", press)) if not given]
    if missing or recordings is None:
        for key in keys:
            sheet.enter(key, math.nan, "needs " + " and ".join(missing))
        return
    cases = []
    for (estimate, _), pair, recording in zip(pairs, aligned, recordings, strict=True):
        if not np.array_equal(estimate.time_s, recording.time_s):
            raise RangeError(f"--recording must have the rows of its estimate; got other times in {recording.source}")
        if recording.channels != press[0].channels:
            raise RangeError(f"--press must have {recording.channels} channels; got {press[0].channels}")
        if not np.any(pair.norm_n > 0.0):
            late = estimate.time_s >= estimate.time_s[0] + LEFT_OUT_S - TIME_TOLERANCE_S
            cases.append((recording, estimate, np.asarray(late, dtype=np.bool_)))
    if not cases:
        for key in keys:
            sheet.enter(key, math.nan, "needs a pair without contact")
        return
    rejections = compute_rejection(cases, fit_apparent_force(press))
    for key, value in zip(keys, rejections, strict=True):
        empty = (
            "needs an estimate that is not zero throughout"
            if math.isinf(value)
            else "needs unpressurised rows in --press"
        )
        sheet.enter(key, value, empty)


def _enter_detection(sheet: _Sheet, detection: Detection) -> None:
    sheet.enter("contacts", detection.contacts, "")
    sheet.enter("missed", detection.missed, "")
    found = detection.contacts - detection.missed
    slow = "needs an estimate of 200 Hz or more" if found else "needs a contact that was found"
    for name, times in (("latency", detection.latency_s), ("release", detection.release_s)):
        reason = slow if not found or not len(detection.latency_s) else "needs a release before the end of TRUTH"
        for statistic, percent in (("median", 50.0), ("p95", 95.0)):
            value = float(np.percentile(times, percent)) if len(times) else math.nan
            sheet.enter(f"{name}_{statistic}_s", value, reason)
    free = "needs contact-free time in TRUTH"
    minutes = detection.free_s / 60.0
    sheet.enter("false_alarms_per_min", detection.false_alarms / minutes if minutes > 0 else math.nan, free)
    sheet.enter("false_contact_share", detection.false_s / detection.free_s if minutes > 0 else math.nan, free)
    sheet.enter("f1", detection.f1, "needs a contact in TRUTH")
    sheet.enter("f1_light", detection.f1_light, "needs a contact with a peak of 0.05 to 0.3 N in TRUTH")


def _enter_honesty(sheet: _Sheet, honesty: Honesty, force: ForceError) -> None:
    sheet.enter("within_2_sigma_contact", honesty.within_2_sigma_contact, "needs a contact in TRUTH")
    sheet.enter("within_2_sigma_free", honesty.within_2_sigma_free, "needs contact-free time in TRUTH")
    for k, axis in enumerate(AXES):
        if force.finite_share[k] == 0:
            reason = "needs a calibration that observes this axis"
        elif math.isinf(honesty.nees[k]):
            reason = "needs a positive variance in every row with a force"
        else:
            reason = "needs a contact in TRUTH"
        sheet.enter(f"nees_{axis}", float(honesty.nees[k]), reason)


def _enter_slips(sheet: _Sheet, slips: Slips, events: Sequence[Sequence[ContactEvent] | None] | None) -> None:
    sheet.enter("slips", slips.slips, "")
    given = events is not None and all(listed is not None for listed in events)
    sheet.enter("slips_found", slips.found if given else math.nan, "needs --events")
    rate = slips.false / (slips.contact_s / 60.0) if given and slips.contact_s > 0 else math.nan
    sheet.enter("false_slips_per_min", rate, "needs a contact in TRUTH" if given else "needs --events")


def _strike_unfinished(sheet: _Sheet, force: ForceError) -> None:
    """Empty every other figure if an axis that is observed at all is not finite often enough."""
    share = force.finite_share
    short = [axis for k, axis in enumerate(AXES) if 0.0 < share[k] < FINITE_SHARE]
    if not short and np.any(share > 0.0):
        return
    reason = f"needs finite force in {FINITE_SHARE:.1%} of the rows on axis {', '.join(short) or 'x, y or z'}"
    for key in KEYS:
        if not key.startswith("finite_share"):
            sheet.figures[key] = None
            sheet.reasons.setdefault(key, reason)
