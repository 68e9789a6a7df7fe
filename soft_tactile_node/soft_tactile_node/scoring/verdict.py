"""Does a score hold what the project promises: PASS or FAIL, limit by limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.registry import PADS
from soft_tactile_node.samples import ContactEvent
from soft_tactile_node.scoring.figures import AXES, FINITE_SHARE, Score, score


@dataclass(frozen=True)
class Limits:
    """What estimates of one kind of pad must keep.

    Attributes
    ----------
    pad : str
        Which pad, in words.
    force_z_rmse_n : float
        Largest normal-force error (N).
    missed : float
        Largest share of contacts that are missed (1).
    false_alarms_per_min : float
        Most false alarms per contact-free minute (1/min).
    f1_light : float
        Least F1 on light touches (1).
    """

    pad: str
    force_z_rmse_n: float
    missed: float
    false_alarms_per_min: float
    f1_light: float


LIMITS = {3: (0.045, 0.032, 0.2, 0.95), 1: (0.07, 0.08, 0.5, 0.85)}
"""What a pad must keep, by the axes of force it tells; see `Limits`."""

WITHIN_2_SIGMA = (0.93, 0.99)
"""Share of pressed samples within two stated standard deviations (1)."""

WRONG_FORCE_S = 0.1
"""Longest time of confidently wrong force (s)."""


@dataclass(frozen=True)
class Judged:
    """One limit.

    Attributes
    ----------
    name : str
        The figure.
    value : float or None
        What it is, in the unit of its name; None = not computed.
    low, high : float
        What it must lie between (same unit).
    reason : str
        Why it was not computed, empty if it was.
    """

    name: str
    value: float | None
    low: float
    high: float
    reason: str = ""

    @property
    def holds(self) -> bool | None:
        """Whether the limit is kept; None = not computed, neither kept nor broken."""
        return None if self.value is None else bool(self.low <= self.value <= self.high)


@dataclass(frozen=True)
class Verdict:
    """PASS or FAIL with everything behind it.

    Attributes
    ----------
    limits : Limits
        What was asked.
    judged : tuple of Judged
        One entry a limit.
    """

    limits: Limits
    judged: tuple[Judged, ...]

    @property
    def passed(self) -> bool:
        """Whether no limit is broken."""
        return all(entry.holds is not False for entry in self.judged)

    def to_json(self) -> dict[str, object]:
        """Return it as plain data."""
        return {
            "verdict": "PASS" if self.passed else "FAIL",
            "limits_of": self.limits.pad,
            "limits": [
                {
                    "name": entry.name,
                    "value": entry.value,
                    "low": entry.low if np.isfinite(entry.low) else None,
                    "high": entry.high if np.isfinite(entry.high) else None,
                    "holds": entry.holds,
                }
                for entry in self.judged
            ],
        }


@dataclass(frozen=True, eq=False)
class Judgement:
    """An estimate beside what truly happened.

    Attributes
    ----------
    truth : Truth
        What truly happened, clock of the estimate.
    score : Score
        The figures.
    verdict : Verdict
        PASS or FAIL.
    """

    truth: Truth
    score: Score
    verdict: Verdict


def judge_estimate(
    estimate: EstimateTable, truth: Truth, events: Sequence[ContactEvent], pad: str | None = None
) -> Judgement:
    """Score one estimate and judge the score.

    Parameters
    ----------
    estimate : EstimateTable
        The estimate.
    truth : Truth
        What truly happened, same clock.
    events : sequence of ContactEvent
        What was reported.
    pad : str or None
        As for `judge_score`.

    Returns
    -------
    Judgement
        Figures and verdict.

    Raises
    ------
    RangeError
        As for `score`.
    """
    scored = score([(estimate, truth)], [events])
    return Judgement(truth, scored, judge_score(scored, pad))


def judge_score(score: Score, pad: str | None = None) -> Verdict:
    """Judge a score.

    Parameters
    ----------
    score : Score
        As from `score`.
    pad : str or None
        Its variant as the calibration says; None or one that is not known = told by the observed axes.

    Returns
    -------
    Verdict
        FAIL as soon as one limit is broken; a figure that was not computed breaks none and keeps none.
    """
    observed = score.force.finite_share > 0.0
    axes = 3 if observed[:2].any() else 1
    variant = PADS.get(pad or "") or next(one for one in PADS.values() if one.axes == axes)
    limits = Limits(variant.words, *LIMITS[variant.axes])
    judged = list(_judge_finite(score.force.finite_share, observed))
    contacts = score.figures["contacts"]

    def enter(name: str, low: float, high: float) -> None:
        value = score.figures[name]
        judged.append(Judged(name, None if value is None else float(value), low, high, score.reasons.get(name, "")))

    enter("force_z_rmse_n", -np.inf, limits.force_z_rmse_n)
    missed = score.figures["missed"]
    share = None if missed is None or not contacts else missed / contacts
    reason = score.reasons.get("missed", "needs a contact in TRUTH")
    judged.append(Judged("missed_share", share, -np.inf, limits.missed, "" if share is not None else reason))
    enter("false_alarms_per_min", -np.inf, limits.false_alarms_per_min)
    enter("f1_light", limits.f1_light, np.inf)
    enter("within_2_sigma_contact", *WITHIN_2_SIGMA)
    enter("wrong_force_max_s", -np.inf, WRONG_FORCE_S)
    return Verdict(limits, tuple(judged))


def _judge_finite(share: np.ndarray, observed: np.ndarray) -> Sequence[Judged]:
    """Return the limits on finite rows: without them every other figure is struck, which must not look like a pass."""
    asked = [k for k in range(len(AXES)) if observed[k] or AXES[k] == "z"]
    return [Judged(f"finite_share_{AXES[k]}", float(share[k]), FINITE_SHARE, np.inf) for k in asked]


def format_verdict(verdict: Verdict) -> str:
    """Return a `verdict` as text: a line a limit that is broken or not judged, and PASS or FAIL as the last."""
    lines = []
    for entry in verdict.judged:
        if entry.holds is None:
            lines.append(f"limit not judged: {entry.name}: {entry.reason}")
        elif not entry.holds:
            bounds = [f"at least {entry.low:g}"] if np.isfinite(entry.low) else []
            bounds += [f"at most {entry.high:g}"] if np.isfinite(entry.high) else []
            lines.append(f"limit broken: {entry.name} is {entry.value:.4g}, must be {' and '.join(bounds)}")
    kept = sum(entry.holds is True for entry in verdict.judged)
    word = "PASS" if verdict.passed else "FAIL"
    lines.append(f"{word}: {kept} of {len(verdict.judged)} limits of a finger with {verdict.limits.pad} kept")
    return "\n".join(lines)
