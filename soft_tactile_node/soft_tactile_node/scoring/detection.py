"""How well contacts are found: missed, late, invented."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.samples import Array
from soft_tactile_node.scoring.alignment import AFTER_RELEASE_S, AlignedPair, TrueContact
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S, intersect_stretches, is_inside

EARLY_S = 0.05
"""A report up to this long before the touch counts as found at once; an earlier one as missed (s)."""

LATENCY_RATE_HZ = 200.0
"""Latencies are quoted for estimates of at least this rate (Hz); 1 % of jitter in the mean rate is let pass."""

LIGHT_PEAK_N = 0.3
"""A contact is a light touch up to this peak (N)."""


@dataclass(frozen=True, eq=False)
class Detection:
    """Counts and times over several pairs.

    Attributes
    ----------
    contacts, missed : int
        True contacts, and how many of them were not reported in time.
    latency_s, release_s : numpy.ndarray
        Latency of each found contact and of its release (s), from pairs of at least 200 Hz.
    false_alarms : int
        Reported contacts that start in contact-free time, plus each further full second spent there.
    free_s, false_s : float
        Contact-free time, and the part of it reported as contact (s).
    f1, f1_light : float
        F1 per sample, over all contacts and over light touches; NaN without such samples.
    """

    contacts: int
    missed: int
    latency_s: Array
    release_s: Array
    false_alarms: int
    free_s: float
    false_s: float
    f1: float
    f1_light: float


def score_detection(pairs: Sequence[AlignedPair]) -> Detection:
    """Score contact detection.

    A true contact is a run of force above zero, gaps under 50 ms closed, that reaches 0.05 N.

    Parameters
    ----------
    pairs : sequence of AlignedPair
        Estimates beside truths; figures are pooled.

    Returns
    -------
    Detection
        Counts and times.
    """
    missed = 0
    latency: list[float] = []
    release: list[float] = []
    alarms = 0
    free_s = false_s = 0.0
    for pair in pairs:
        quick = pair.rate_hz >= 0.99 * LATENCY_RATE_HZ
        for contact in pair.contacts:
            found_s = find_report(contact, pair.reported_s)
            if found_s is None:
                missed += 1
            elif quick:
                latency.append(max(0.0, found_s - contact.onset_s))
                delay_s = _measure_release(contact, pair)
                if delay_s is not None:
                    release.append(delay_s)
        alarms += _count_false_alarms(pair)
        free_s += float(np.sum(np.diff(pair.free_s, axis=1)))
        false_s += float(np.sum(np.diff(intersect_stretches(pair.reported_s, pair.free_s), axis=1)))
    return Detection(
        contacts=sum(len(pair.contacts) for pair in pairs),
        missed=missed,
        latency_s=np.array(latency),
        release_s=np.array(release),
        false_alarms=alarms,
        free_s=free_s,
        false_s=false_s,
        f1=_compute_f1(pairs, light=False),
        f1_light=_compute_f1(pairs, light=True),
    )


def find_report(contact: TrueContact, reported_s: Array) -> float | None:
    """Return when a contact was reported.

    Parameters
    ----------
    contact : TrueContact
        The true contact.
    reported_s : numpy.ndarray, shape (m, 2)
        Begin and end of each reported contact (s).

    Returns
    -------
    float or None
        Begin of the first report from 50 ms before the touch to the end of the contact (s); None = missed, also if a
        report that began 50 ms or more before the touch still stands at the touch.
    """
    earliest_s = contact.touch_s - EARLY_S + TIME_TOLERANCE_S
    begins, ends = reported_s[:, 0], reported_s[:, 1]
    if np.any((begins <= earliest_s) & (ends > contact.touch_s + TIME_TOLERANCE_S)):
        return None
    inside = begins[(begins > earliest_s) & (begins < contact.end_s - TIME_TOLERANCE_S)]
    return float(inside[0]) if len(inside) else None


def _measure_release(contact: TrueContact, pair: AlignedPair) -> float | None:
    """Return the time from the last sample of 0.05 N or more to in_contact 0; None if the recording ends in contact.

    A report that ended earlier counts as no delay. One that outlasts the recording counts up to its end.
    """
    end_s = pair.edges_s[-1]
    if contact.end_s >= end_s - TIME_TOLERANCE_S:
        return None
    standing = (pair.reported_s[:, 0] <= contact.last_s + TIME_TOLERANCE_S) & (pair.reported_s[:, 1] > contact.last_s)
    if not np.any(standing):
        return 0.0
    return float(min(pair.reported_s[standing, 1][0], end_s) - contact.last_s)


def _count_false_alarms(pair: AlignedPair) -> int:
    started = int(np.count_nonzero(is_inside(pair.reported_s[:, 0], pair.free_s)))
    stretches = intersect_stretches(pair.reported_s, pair.free_s)
    full_seconds = np.floor(np.diff(stretches, axis=1) + TIME_TOLERANCE_S)
    return started + int(np.sum(full_seconds))


def _compute_f1(pairs: Sequence[AlignedPair], *, light: bool) -> float:
    """Return F1 per sample; `light` counts light touches and contact-free rows only."""
    hits = false = lost = 0
    for pair in pairs:
        positive = pair.is_contact & ~_follows_release(pair)
        if light:
            touches = [contact.peak_n <= LIGHT_PEAK_N for contact in pair.contacts]
            positive &= is_inside(pair.time_s, pair.held_s[np.array(touches, dtype=np.bool_)])
        negative = pair.is_free & (pair.norm_n == 0.0)
        hits += int(np.count_nonzero(positive & pair.in_contact))
        lost += int(np.count_nonzero(positive & ~pair.in_contact))
        false += int(np.count_nonzero(negative & pair.in_contact))
    if hits + lost == 0:
        return float("nan")
    return 2.0 * hits / (2.0 * hits + false + lost)


def _follows_release(pair: AlignedPair) -> NDArray[np.bool_]:
    """Tell which rows lie in the 0.25 s after a true contact."""
    # Windows of two close contacts overlap, but as all are equally long the one begun last decides.
    return is_inside(pair.time_s, pair.held_s[:, 1:] + [0.0, AFTER_RELEASE_S])
