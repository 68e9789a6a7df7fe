"""What sensors reported beside what truly happened: every contact and slip by name, found, missed or invented."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import NamedTuple

import numpy as np

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.samples import Array, ContactEvent
from soft_tactile_node.scoring.alignment import AlignedPair, align_pair
from soft_tactile_node.scoring.detection import find_report
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S, intersect_stretches, is_inside
from soft_tactile_node.scoring.slips import SLIP_TIME_S, SLIP_WINDOW_S, belong_to_slips, find_slips, slip_times

LET_GO_S = 0.05
LET_GO_SHARE = 0.5
"""A slide that ends less than this before the object leaves a finger (s), with less than this share of the force at its
begin (1), is the object being let go; one that ends so under full force has lost it."""


@dataclass(frozen=True)
class FingerRecord:
    """An estimate of one finger with its truth and events.

    Attributes
    ----------
    estimate : EstimateTable
        Its estimates, times from a common start (s).
    truth : Truth
        What the simulator says, same times.
    events : tuple of ContactEvent
        Its events, same times.
    """

    estimate: EstimateTable
    truth: Truth
    events: tuple[ContactEvent, ...]


@dataclass(frozen=True)
class Finding:
    """One contact or slip, true or reported.

    Attributes
    ----------
    finger : str
        Which finger.
    item : str
        What lay on the tray.
    kind : str
        "contact" or "slip".
    verdict : str
        "found", "missed" or "invented".
    time_s : float
        When it truly began, or when it was reported if it was invented (s).
    delay_s : float
        From its true begin to the report (s); NaN unless found.
    """

    finger: str
    item: str
    kind: str
    verdict: str
    time_s: float
    delay_s: float = float("nan")

    def in_words(self) -> str:
        """Return it as a sentence."""
        return f"{self.finger}: {self.kind} at {self.time_s:.2f} s ({self.item}) {self.verdict}"


Spans = Sequence[tuple[float, str]]
"""From when on which item lay on the tray (s, name), in order."""


def compare(records: Mapping[str, FingerRecord], spans: Spans) -> list[Finding]:
    """Return every contact and slip of all fingers with its verdict.

    A contact is found as the scores define it: reported from 50 ms before the touch on. A slip is found by an event
    within 100 ms of its start, from this finger or from one whose slip overlaps it: an object slides through the whole
    hand at once, and the answer to the first report hides what the second finger would have seen. Only an object that
    every finger touches can slip: what slides while one finger pushes it, or while it is let go, is no slip to be
    found; an object that slides out of the hand under full force is one. A contact reported in contact-free time, and a
    slip event away from every slide, are invented.

    Parameters
    ----------
    records : mapping of str to FingerRecord
        By finger.
    spans : sequence of (float, str)
        Items and the time from which each lay on the tray (s).

    Returns
    -------
    list of Finding
        In order of time.
    """
    findings: list[Finding] = []
    slips: list[_Slip] = []
    pairs = {finger: align_pair(record.estimate, record.truth) for finger, record in records.items()}
    held_s = reduce(intersect_stretches, [pair.held_s for pair in pairs.values()])
    for finger, pair in pairs.items():
        mine, invented = _slips(pair, held_s, records[finger].events)
        slips += [_Slip(finger, *slip) for slip in mine]
        rows = [*_contacts(pair), *(("slip", "invented", float(time_s), math.nan) for time_s in invented)]
        findings += [Finding(finger, _item_at(row[2], spans), *row) for row in rows]
    for slip in slips:
        reports_s = [other.reported_s for other in slips if other.begin_s <= slip.end_s and slip.begin_s <= other.end_s]
        reported_s = slip.reported_s if np.isfinite(slip.reported_s) else min(reports_s, key=_nan_last)
        verdict = "found" if np.isfinite(reported_s) else "missed"
        item = _item_at(slip.begin_s, spans)
        findings.append(Finding(slip.finger, item, "slip", verdict, slip.begin_s, reported_s - slip.begin_s))
    return sorted(findings, key=lambda finding: finding.time_s)


class _Slip(NamedTuple):
    """A true slip under one finger and when that finger reported it (s; NaN = it did not)."""

    finger: str
    begin_s: float
    end_s: float
    reported_s: float


def _nan_last(value: float) -> float:
    return math.inf if math.isnan(value) else value


def _item_at(time_s: float, spans: Spans) -> str:
    names = [name for begin_s, name in spans if begin_s <= time_s]
    return names[-1] if names else "nothing"


def _contacts(pair: AlignedPair) -> list[tuple[str, str, float, float]]:
    rows: list[tuple[str, str, float, float]] = []
    for contact in pair.contacts:
        found_s = find_report(contact, pair.reported_s)
        if found_s is None:
            rows.append(("contact", "missed", contact.onset_s, float("nan")))
        else:
            rows.append(("contact", "found", contact.onset_s, found_s - contact.onset_s))
    invented = pair.reported_s[is_inside(pair.reported_s[:, 0], pair.free_s), 0]
    return rows + [("contact", "invented", float(time_s), float("nan")) for time_s in invented]


def _slips(
    pair: AlignedPair, held_s: Array, events: Sequence[ContactEvent]
) -> tuple[list[tuple[float, float, float]], Array]:
    """Return begin, end and report of each slip of a held object, and the reports without a slide (s)."""
    times_s = slip_times(events, pair)
    slides_s = find_slips(pair)
    slips: list[tuple[float, float, float]] = []
    for begin_s, end_s in intersect_stretches(slides_s, held_s):
        short = end_s - begin_s < SLIP_TIME_S - TIME_TOLERANCE_S
        if short or (np.any(np.abs(held_s[:, 1] - end_s) <= LET_GO_S) and _fades(pair, begin_s, end_s)):
            continue
        near = times_s[np.abs(times_s - begin_s) <= SLIP_WINDOW_S + TIME_TOLERANCE_S]
        slips.append((float(begin_s), float(end_s), float(near[0]) if len(near) else math.nan))
    return slips, times_s[~belong_to_slips(times_s, slides_s)]


def _fades(pair: AlignedPair, begin_s: float, end_s: float) -> bool:
    """Tell whether the true force has fallen by the end of a slide."""
    norm_n = pair.norm_n[is_inside(pair.time_s, np.array([[begin_s, end_s]]))]
    return bool(norm_n[-1] < LET_GO_SHARE * norm_n[0])


def is_good(findings: Sequence[Finding], spans: Spans) -> bool:
    """Return whether `findings` has nothing missed or invented and every item of `spans` was truly touched."""
    touched = {finding.item for finding in findings if finding.kind == "contact" and finding.verdict != "invented"}
    return all(finding.verdict == "found" for finding in findings) and touched >= {name for _, name in spans}
