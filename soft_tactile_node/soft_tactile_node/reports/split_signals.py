"""A recording as the estimator sees it: what it says of it, and each channel split into bending, contact and drift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import PARTS, Array, ContactEvent


@dataclass(frozen=True, eq=False)
class SplitSignals:
    """Parts of each channel's relative change; change = bending + contact + drift.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        Time since the first scan (s).
    change, bending, contact, drift : numpy.ndarray, shape (n, c)
        Relative change since the tare and its parts (1); the parts are NaN while taring.
    """

    time_s: Array
    change: Array
    bending: Array
    contact: Array
    drift: Array


@dataclass(frozen=True, eq=False)
class Replayed:
    """A recording with everything the estimator says of it.

    Attributes
    ----------
    recording : Recording
        What was measured.
    estimate : EstimateTable
        Its estimate, same rows.
    events : tuple of ContactEvent
        What happened, in order.
    split : SplitSignals
        Its channels, same rows.
    """

    recording: Recording
    estimate: EstimateTable
    events: tuple[ContactEvent, ...]
    split: SplitSignals


def replay_and_split(estimator: Estimator, recording: Recording) -> Replayed:
    """Run the estimator over a recording and keep how it splits each channel.

    Parameters
    ----------
    estimator : Estimator
        A fresh one.
    recording : Recording
        A recording that starts at rest.

    Returns
    -------
    Replayed
        Estimate, events and parts.
    """
    parts = np.full((len(recording), recording.channels), np.nan, PARTS)
    estimate, events = estimator.replay(recording, parts)
    assert estimator.tare is not None
    split = SplitSignals(
        recording.time_s - recording.time_s[0],
        recording.inductance_h / estimator.tare.inductance_h - 1.0,
        parts["bending"],
        parts["contact"],
        parts["drift"],
    )
    return Replayed(recording, estimate, tuple(events), split)
