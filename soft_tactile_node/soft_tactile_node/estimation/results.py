"""The records of the inner loop as the values that the package hands out."""

from __future__ import annotations

from typing import Any

import numpy as np

from soft_tactile_node.estimation import writing
from soft_tactile_node.recordings import EstimateTable
from soft_tactile_node.samples import Array, ChannelParts, Estimate, EstimateField, EventKind, Flag, Scan, declared

EVENT_KINDS = (
    (writing.EVENT_FAULT, EventKind.FAULT),
    (writing.EVENT_RECOVERED, EventKind.RECOVERED),
    (writing.EVENT_CONTACT, EventKind.CONTACT),
    (writing.EVENT_SLIP, EventKind.SLIP),
    (writing.EVENT_OVERLOAD, EventKind.OVERLOAD),
    (writing.EVENT_RELEASE, EventKind.RELEASE),
)
"""Bits of `ROW.events` in the order in which they are told."""

NAMES = tuple(item.name for item in declared(Estimate))
"""Fields of an estimate as they stand in front in `ROW`."""

CONVERSIONS: tuple[tuple[str, Any], ...] = tuple(
    (item.name, np.ndarray.copy if item.shape else type(item.blank))
    for item in declared(Estimate)
    if item.shape or type(item.blank) not in (int, float)
)
"""What a record's own values do not give: vectors that stay as they are, and types that know more than a number."""


def to_estimate(scan: Scan, row: Any, parts: np.ndarray) -> Estimate:
    """Return a `row` of `model.ROW`, with its `parts` of `samples.PARTS` (1), as the estimate of a `scan`."""
    estimate = object.__new__(Estimate)
    said = vars(estimate)  # filled at once: the constructor of a frozen dataclass takes longer than all else here
    said.update(zip(NAMES, row.item(), strict=False))
    for name, convert in CONVERSIONS:
        said[name] = convert(said[name])
    said["time_s"] = scan.time_s
    said["parts"] = ChannelParts(scan.inductance_h, parts)
    return estimate


def to_table(time_s: Array, first: int, out: Any) -> EstimateTable:
    """Return output records as a table, with the rows of the tare in front.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (n,)
        Stamps of all rows (s).
    first : int
        Rows of the tare (1).
    out : numpy.ndarray, shape (n - first,)
        Records of `model.ROW`.

    Returns
    -------
    EstimateTable
        One row for each stamp.
    """

    def column(item: EstimateField) -> Any:
        blank = Flag.TARE if item.name == "flags" else item.blank
        return np.concatenate([np.full((first, *item.shape), blank), out[item.name]])

    return EstimateTable(time_s, **{item.name: column(item) for item in declared(EstimateTable)})
