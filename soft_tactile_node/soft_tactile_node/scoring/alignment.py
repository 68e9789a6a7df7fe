"""Lay an estimate beside the truth, row by row, and find what truly happened."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.errors import RangeError
from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.samples import Array
from soft_tactile_node.scoring.runs import (
    TIME_TOLERANCE_S,
    close_gaps,
    find_runs,
    invert_stretches,
    is_inside,
)

CONTACT_FORCE_N = 0.05
"""Contact counts from this norm of the true force (N)."""

LEFT_OUT_S = 1.0
"""The first second of a recording, the tare, is left out (s)."""

TOUCH_GAP_S = 0.05
"""Shorter pauses of the true force do not end a contact (s)."""

AFTER_RELEASE_S = 0.25
"""Time after a true contact that counts neither as contact nor as contact-free (s)."""


@dataclass(frozen=True)
class TrueContact:
    """One true contact.

    Attributes
    ----------
    touch_s : float
        Its first sample of force above zero (s).
    onset_s : float
        Its first sample of 0.05 N or more (s).
    last_s : float
        Its last sample of 0.05 N or more (s).
    end_s : float
        First sample without force after it, or the end of the recording (s).
    peak_n : float
        Largest norm of the force (N).
    """

    touch_s: float
    onset_s: float
    last_s: float
    end_s: float
    peak_n: float


@dataclass(frozen=True, eq=False)
class AlignedPair:
    """An estimate on the rows of the truth, the first second and rows of unknown force left out.

    Attributes
    ----------
    edges_s : numpy.ndarray, shape (n + 1,)
        Begin of each row and end of the last (s).
    truth_n : numpy.ndarray, shape (n, 3)
        True force (N).
    norm_n : numpy.ndarray, shape (n,)
        Norm of the true force (N).
    slip : numpy.ndarray of bool, shape (n,)
        True slip.
    force_n, variance_n2 : numpy.ndarray, shape (n, 3)
        Estimated force (N) and its variance (N^2).
    in_contact : numpy.ndarray of bool, shape (n,)
        Reported contact.
    flagged : numpy.ndarray of bool, shape (n,)
        Whether any flag is set.
    reported_s : numpy.ndarray, shape (m, 2)
        Begin and end of each reported contact (s), from the rows of the estimate itself.
    contacts : tuple of TrueContact
        What truly happened; a contact that began in the first second is not among them, nor is it contact-free time.
    free_s : numpy.ndarray, shape (k, 2)
        Contact-free time: true contacts and the 0.25 s after each removed (s).
    rate_hz : float
        Mean rate of the estimate (Hz).
    """

    edges_s: Array
    truth_n: Array
    norm_n: Array
    slip: NDArray[np.bool_]
    force_n: Array
    variance_n2: Array
    in_contact: NDArray[np.bool_]
    flagged: NDArray[np.bool_]
    reported_s: Array
    contacts: tuple[TrueContact, ...]
    free_s: Array
    rate_hz: float

    @property
    def time_s(self) -> Array:
        """Time of each row (s), shape (n,)."""
        return self.edges_s[:-1]

    @property
    def held_s(self) -> Array:
        """Begin and end of each true contact (s), shape (k, 2)."""
        return np.array([(contact.touch_s, contact.end_s) for contact in self.contacts]).reshape(-1, 2)

    @property
    def is_contact(self) -> NDArray[np.bool_]:
        """Rows of 0.05 N or more, shape (n,)."""
        return np.asarray(self.norm_n >= CONTACT_FORCE_N, dtype=np.bool_)

    @property
    def is_free(self) -> NDArray[np.bool_]:
        """Rows in contact-free time, shape (n,)."""
        return is_inside(self.time_s, self.free_s)


def align_pair(estimate: EstimateTable, truth: Truth) -> AlignedPair:
    """Lay an estimate beside the truth: each estimate row holds until the next.

    Parameters
    ----------
    estimate : EstimateTable
        The estimate; rows before its first one count as not estimated.
    truth : Truth
        The truth; its times must not run backwards.

    Returns
    -------
    AlignedPair
        The rows that count.

    Raises
    ------
    RangeError
        If the truth's time runs backwards, or nothing is left after the first second.
    """
    if np.any(np.diff(truth.time_s) < 0):
        row = int(np.flatnonzero(np.diff(truth.time_s) < 0)[0]) + 1
        raise RangeError(
            f"truth time_s must not run backwards; got {truth.time_s[row]:g} after {truth.time_s[row - 1]:g}"
        )
    kept = truth.time_s >= truth.time_s[0] + LEFT_OUT_S - TIME_TOLERANCE_S
    kept &= np.all(np.isfinite(truth.force_n), axis=1)
    if np.count_nonzero(kept) < 2:
        raise RangeError(f"truth must be longer than {LEFT_OUT_S:g} s; got {truth.time_s[-1] - truth.time_s[0]:g} s")
    time_s = truth.time_s[kept]
    edges_s = np.append(time_s, time_s[-1] + np.median(np.diff(time_s)))
    rows = _find_held_rows(estimate, truth)[kept]
    seen = rows >= 0
    contacts = find_contacts(truth, edges_s[-1])
    busy = np.array([(contact.touch_s, contact.end_s + AFTER_RELEASE_S) for contact in contacts]).reshape(-1, 2)
    span_s = estimate.time_s[-1] - estimate.time_s[0]
    return AlignedPair(
        edges_s=edges_s,
        truth_n=truth.force_n[kept],
        norm_n=np.linalg.norm(truth.force_n[kept], axis=1),
        slip=truth.slip[kept],
        force_n=np.where(seen[:, None], estimate.force_n[rows], np.nan),
        variance_n2=np.where(seen[:, None], estimate.force_variance_n2[rows], np.nan),
        in_contact=seen & estimate.in_contact[rows],
        flagged=seen & (estimate.flags[rows] != 0),
        reported_s=_find_reports(estimate, edges_s[0], edges_s[-1]),
        contacts=tuple(contact for contact in contacts if contact.touch_s >= edges_s[0]),
        free_s=invert_stretches(busy, edges_s[0], edges_s[-1]),
        rate_hz=(len(estimate) - 1) / span_s if span_s > 0 else 0.0,
    )


def _find_held_rows(estimate: EstimateTable, truth: Truth) -> NDArray[np.int64]:
    """Return the estimate row that holds at each truth row, -1 before the first."""
    if np.array_equal(estimate.time_s, truth.time_s):
        return np.arange(len(truth), dtype=np.int64)
    # A stamp that runs backwards takes over at once and does not undo what was reported before.
    since_s = np.maximum.accumulate(estimate.time_s)
    return np.searchsorted(since_s, truth.time_s + TIME_TOLERANCE_S, side="right").astype(np.int64) - 1


def _find_reports(estimate: EstimateTable, begin_s: float, end_s: float) -> Array:
    """Return begin and end of each run of in_contact that reaches into the time that counts."""
    since_s = np.maximum.accumulate(estimate.time_s)
    starts, stops = find_runs(estimate.in_contact)
    ends = np.append(since_s, max(end_s, since_s[-1]))
    reports = np.column_stack([since_s[starts], ends[stops]])
    return reports[(reports[:, 1] > begin_s) & (reports[:, 0] < end_s)]


def find_contacts(truth: Truth, end_s: float) -> tuple[TrueContact, ...]:
    """Return the true contacts: runs of force above zero, gaps under 50 ms closed, that reach 0.05 N.

    Parameters
    ----------
    truth : Truth
        The truth; rows of unknown force are passed over.
    end_s : float
        End of the recording (s).

    Returns
    -------
    tuple of TrueContact
        In order.
    """
    known = np.all(np.isfinite(truth.force_n), axis=1)
    norm_n = np.linalg.norm(truth.force_n[known], axis=1)
    edges_s = np.append(truth.time_s[known], end_s)
    starts, stops = close_gaps(*find_runs(norm_n > 0.0), edges_s, TOUCH_GAP_S)
    contacts = []
    for start, stop in zip(starts, stops, strict=True):
        strong = start + np.flatnonzero(norm_n[start:stop] >= CONTACT_FORCE_N)
        if len(strong):
            contacts.append(
                TrueContact(
                    touch_s=float(edges_s[start]),
                    onset_s=float(edges_s[strong[0]]),
                    last_s=float(edges_s[strong[-1]]),
                    end_s=float(edges_s[stop]),
                    peak_n=float(np.max(norm_n[start:stop])),
                )
            )
    return tuple(contacts)
