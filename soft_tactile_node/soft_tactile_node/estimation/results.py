"""The records of the inner loop as the values that the package hands out."""

from __future__ import annotations

from typing import Any

import numpy as np

from soft_tactile_node.estimation import writing
from soft_tactile_node.recordings import EstimateTable
from soft_tactile_node.samples import Array, ChannelParts, Estimate, EventKind, Flag, Scan, State

CONTACT_PLACE_M = 0.004
"""Standard deviation of the unknown place of contact on the pad (m); makes the torque's variance."""

EVENT_KINDS = (
    (writing.EVENT_FAULT, EventKind.FAULT),
    (writing.EVENT_RECOVERED, EventKind.RECOVERED),
    (writing.EVENT_CONTACT, EventKind.CONTACT),
    (writing.EVENT_SLIP, EventKind.SLIP),
    (writing.EVENT_OVERLOAD, EventKind.OVERLOAD),
    (writing.EVENT_RELEASE, EventKind.RELEASE),
)
"""Bits of `ROW.events` in the order in which they are told."""


def to_estimate(scan: Scan, row: Any, parts: Array, scale_pa: float) -> Estimate:
    """Return an output record as an estimate.

    Parameters
    ----------
    scan : Scan
        What was read.
    row : numpy.void
        Record of `model.ROW`.
    parts : numpy.ndarray, shape (4, c)
        Bending, free bending, contact and drift of each channel (1).
    scale_pa : float
        Highest calibrated pressure (gauge Pa).

    Returns
    -------
    Estimate
        See Estimate.
    """
    force, variance = row["force_n"].copy(), row["variance_n2"].copy()
    observed = np.isfinite(force)
    covariance = np.diag(np.where(observed, variance, -1.0))
    squares = np.where(observed, force**2 + variance, 0.0)
    torque = np.where(observed, CONTACT_PLACE_M**2 * (squares.sum() - squares), -1.0)
    bending, free_bending, contact, drift = parts
    return Estimate(
        time_s=scan.time_s,
        force_n=force,
        force_covariance_n2=covariance,
        torque_variance_n2_m2=torque,
        observed=np.concatenate([observed, observed]),
        contact_probability=float(row["contact_probability"]),
        in_contact=bool(row["in_contact"]),
        contact_id=int(row["contact_id"]),
        slip_probability=float(row["slip_probability"]),
        friction_use=float(row["friction_use"]),
        bend_rad=float(row["bend_rad"]),
        bend_variance_rad2=float(row["bend_variance_rad2"]),
        bend_fraction=float(row["bend_fraction"]),
        pressure_pa=float(row["pressure"] * scale_pa),
        flags=Flag(int(row["flags"])),
        state=State(int(row["state"])),
        parts=ChannelParts(scan.inductance_h, bending, free_bending, contact, drift),
    )


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

    def column(name: str, blank: float) -> Array:
        shape = (first, *out[name].shape[1:])
        return np.concatenate([np.full(shape, blank), out[name]])

    return EstimateTable(
        time_s=time_s,
        force_n=column("force_n", np.nan),
        force_variance_n2=column("variance_n2", np.nan),
        contact_probability=column("contact_probability", 0.0),
        in_contact=column("in_contact", 0.0) > 0.5,
        bend_rad=column("bend_rad", np.nan),
        flags=column("flags", float(Flag.TARE)).astype(np.int64),
    )
