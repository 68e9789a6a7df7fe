"""How well slips are found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.samples import Array, ContactEvent, EventKind
from soft_tactile_node.scoring.alignment import AlignedPair
from soft_tactile_node.scoring.runs import TIME_TOLERANCE_S, close_gaps, find_runs

SLIP_TIME_S = 0.05
"""Shortest true slip (s)."""

SLIP_GAP_S = 0.1
"""Shorter pauses do not end a slip (s)."""

SLIP_WINDOW_S = 0.1
"""A slip is found by an event this close to its start, before or after (s)."""

SLIP_AFTER_S = 0.25
"""An event up to this long after a slip is not false (s)."""


@dataclass(frozen=True)
class Slips:
    """Counts over several pairs.

    Attributes
    ----------
    slips : int
        True slips.
    found : int
        Those with an event within 100 ms of their start.
    false : int
        Events without a true slip from 0.1 s before its start to 0.25 s after its end.
    contact_s : float
        Time at 0.05 N or more (s).
    """

    slips: int
    found: int
    false: int
    contact_s: float


def find_slips(pair: AlignedPair) -> Array:
    """Return the slips of `pair` (s), shape (k, 2): runs of `slip` from 50 ms on, pauses under 100 ms closed."""
    starts, stops = close_gaps(*find_runs(pair.slip), pair.edges_s, SLIP_GAP_S)
    slips = np.column_stack([pair.edges_s[starts], pair.edges_s[stops]])
    return slips[slips[:, 1] - slips[:, 0] >= SLIP_TIME_S - TIME_TOLERANCE_S]


def belong_to_slips(times_s: Array, slips_s: Array) -> NDArray[np.bool_]:
    """Tell which slip events lie from 0.1 s before a true slip to 0.25 s after it.

    Parameters
    ----------
    times_s : numpy.ndarray, shape (n,)
        When slips were reported (s).
    slips_s : numpy.ndarray, shape (k, 2)
        Begin and end of each true slip (s).

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        False where a report is a false one.
    """
    before_s = slips_s[:, :1] - SLIP_WINDOW_S - TIME_TOLERANCE_S
    after_s = slips_s[:, 1:] + SLIP_AFTER_S + TIME_TOLERANCE_S
    return np.asarray(np.any((times_s >= before_s) & (times_s <= after_s), axis=0), dtype=np.bool_)


def slip_times(events: Sequence[ContactEvent], pair: AlignedPair) -> Array:
    """Return when `events` report a slip in the time of `pair` that counts (s), shape (n,)."""
    times_s = np.array([event.time_s for event in events if event.kind is EventKind.SLIP], dtype=np.float64)
    counted: Array = times_s[times_s >= pair.edges_s[0] - TIME_TOLERANCE_S]
    return counted


def score_slips(pairs: Sequence[AlignedPair], events: Sequence[Sequence[ContactEvent] | None]) -> Slips:
    """Score slip detection.

    Parameters
    ----------
    pairs : sequence of AlignedPair
        Estimates beside truths.
    events : sequence of (sequence of ContactEvent, or None)
        Events of each pair; the first second is left out; None = none known.

    Returns
    -------
    Slips
        Counts; `found` and `false` over the pairs whose events are known.
    """
    total = found = false = 0
    contact_s = 0.0
    for pair, listed in zip(pairs, events, strict=True):
        slips = find_slips(pair)
        total += len(slips)
        if listed is None:
            continue
        times = slip_times(listed, pair)
        near = np.abs(times[None, :] - slips[:, :1]) <= SLIP_WINDOW_S + TIME_TOLERANCE_S
        found += int(np.count_nonzero(np.any(near, axis=1)))
        false += int(np.count_nonzero(~belong_to_slips(times, slips)))
        contact_s += float(np.sum(np.diff(pair.edges_s)[pair.is_contact]))
    return Slips(total, found, false, contact_s)
