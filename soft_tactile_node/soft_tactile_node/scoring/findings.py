"""What sensors reported beside what truly happened: every contact and slip by name, found, missed or invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.samples import ContactEvent, EventKind
from soft_tactile_node.scoring.alignment import AlignedPair, align_pair
from soft_tactile_node.scoring.detection import find_report
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S, is_inside
from soft_tactile_node.scoring.slips import SLIP_AFTER_S, SLIP_WINDOW_S, find_slips


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
    within 100 ms of its start. A contact reported in contact-free time, and a slip event away from every slip, are
    invented.

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
    for finger, record in records.items():
        pair = align_pair(record.estimate, record.truth)
        for kind, verdict, time_s, delay_s in [*_contacts(pair), *_slips(pair, record.events)]:
            findings.append(Finding(finger, _item_at(time_s, spans), kind, verdict, time_s, delay_s))
    return sorted(findings, key=lambda finding: finding.time_s)


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


def _slips(pair: AlignedPair, events: Sequence[ContactEvent]) -> list[tuple[str, str, float, float]]:
    times_s = np.array([event.time_s for event in events if event.kind is EventKind.SLIP], dtype=np.float64)
    times_s = times_s[times_s >= pair.edges_s[0] - TIME_TOLERANCE_S]
    rows: list[tuple[str, str, float, float]] = []
    excused = np.zeros(len(times_s), dtype=np.bool_)
    for begin_s, end_s in find_slips(pair):
        near = times_s[np.abs(times_s - begin_s) <= SLIP_WINDOW_S + TIME_TOLERANCE_S]
        excused |= (times_s >= begin_s - SLIP_WINDOW_S) & (times_s <= end_s + SLIP_AFTER_S)
        if len(near):
            rows.append(("slip", "found", float(begin_s), float(near[0] - begin_s)))
        else:
            rows.append(("slip", "missed", float(begin_s), float("nan")))
    return rows + [("slip", "invented", float(time_s), float("nan")) for time_s in times_s[~excused]]


def is_good(findings: Sequence[Finding], spans: Spans) -> bool:
    """Return whether nothing was missed or invented and every item was truly touched.

    Parameters
    ----------
    findings : sequence of Finding
        As `compare` returns them.
    spans : sequence of (float, str)
        Items and the time from which each lay on the tray (s).

    Returns
    -------
    bool
        True if everything was found and nothing invented.
    """
    touched = {finding.item for finding in findings if finding.kind == "contact" and finding.verdict != "invented"}
    return all(finding.verdict == "found" for finding in findings) and touched >= {name for _, name in spans}
