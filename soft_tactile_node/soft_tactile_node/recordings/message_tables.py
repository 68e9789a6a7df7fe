"""Messages of a finger as tables and events: out of a recording of topics, and for who listens to a live finger."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from soft_tactile_node.recordings.tables import EstimateTable, Truth
from soft_tactile_node.samples import Array, ContactEvent, EventKind, declared

NUMBERED = {kind.number: kind for kind in EventKind}
"""Kinds of event by their numbers in messages."""


def stamp_s(stamp: Any) -> float:
    """Return a `stamp` as seconds of its own clock (s), as the node does."""
    return float(stamp.sec + stamp.nanosec * 1e-9)


def truth_of(messages: Sequence[Any]) -> Truth:
    """Return the `messages` of the topic `truth` as a table."""
    return Truth(
        time_s=np.array([stamp_s(item.header.stamp) for item in messages]),
        force_n=np.array([_vector(item.wrench.force) for item in messages]),
        bend_rad=np.array([item.bend for item in messages]),
        in_contact=np.array([item.in_contact for item in messages], dtype=np.bool_),
        slip=np.array([item.slip for item in messages], dtype=np.bool_),
    )


def estimate_of(messages: Sequence[Any]) -> EstimateTable:
    """Return the `messages` of the topic `pad_estimate`, in the pad frame, as a table."""
    variance = np.array([np.asarray(item.covariance).reshape(6, 6).diagonal()[:3] for item in messages])
    told = {
        item.name: np.array([getattr(message, item.message_name, item.blank) for message in messages])
        for item in declared(EstimateTable)
        if not item.shape
    }
    return EstimateTable(
        np.array([stamp_s(item.header.stamp) for item in messages]),
        np.array([_vector(item.wrench.force) for item in messages]),
        np.where(variance >= 0.0, variance, np.nan),
        **told | {"contact_probability": np.nan_to_num(told["contact_probability"])},
    )


def event_of(message: Any) -> ContactEvent:
    """Return a `message` of the topic `contact_events`; KeyError where its kind is not in NUMBERED."""
    onset_s = stamp_s(message.onset)
    return ContactEvent(
        time_s=stamp_s(message.header.stamp),
        onset_s=onset_s if onset_s else math.nan,
        kind=NUMBERED[message.kind],
        contact_id=int(message.contact_id),
        force_n=_vector(message.wrench.force),
        contact_probability=float(message.probability),
        bend_fraction=float(message.bend_fraction),
        detail=message.detail,
    )


def _vector(vector: Any) -> Array:
    return np.array([vector.x, vector.y, vector.z], dtype=np.float64)
