"""Rows of a pad fit: what bending and a baseline leave of the channels, with the force beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.calibration.bending_fit import BendingFit, terms_of
from soft_tactile_node.calibration.preparation import Prepared, hold_last
from soft_tactile_node.calibration.ridge import Indices, split_blocks
from soft_tactile_node.estimation.pad import PER_CHANNEL, PadMap
from soft_tactile_node.estimation.pad_replay import track_baseline
from soft_tactile_node.samples import Array

BLOCKS = 14
"""Held-out blocks over all recordings."""

LEARN_S = 1.0
"""Time constant of the baseline between presses (s)."""

FREE_LEARN_S = 5.0
"""Time constant of the baseline of free-bend rows (s)."""

EVEN_N = 1.0
"""Force above which an error counts in proportion to the force (N)."""

GAP_S = 0.5
"""A channel that was silent for this long is taken to have been off (s)."""

SETTLE_S = 3.0
"""Time after such a gap that tells nothing yet: the baseline, held meanwhile, must settle again (s)."""

LAG_S = np.array([0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 60.0])
"""Time constants offered to the relaxation (s): from a duct between two cells to creep over a minute."""


Mask = NDArray[np.bool_]


class Rows(NamedTuple):
    """All rows of a fit, free-bend recordings first, then presses.

    Attributes
    ----------
    times, contacts, loads : list of numpy.ndarray
        Of each recording: stamps (s), contact signal (n, c) (1), drive (n,) (1).
    force_n : numpy.ndarray, shape (n, 3)
        Reference (N).
    weight : numpy.ndarray, shape (n,)
        Square root of the weight of each row's squared error, 0 where the channels tell nothing (1).
    block : numpy.ndarray of int, shape (n,)
        Block of each row.
    """

    times: list[Array]
    contacts: list[Array]
    loads: list[Array]
    force_n: Array
    weight: Array
    block: Indices


def departure_of(recording: Prepared, bending: BendingFit, relief: Array | float) -> tuple[Array, Array]:
    """Return what bending leaves over, gaps held, and the drive.

    Parameters
    ----------
    recording : Prepared
        A tared recording.
    bending : BendingFit
        The free-bend model.
    relief : numpy.ndarray, shape (n,), or float
        Relative pressure that a force on the pad takes from the drive (1).

    Returns
    -------
    departure : numpy.ndarray, shape (n, c)
        change - bending (1).
    load : numpy.ndarray, shape (n,)
        Relative pressure behind the quick lag (1).
    """
    terms = terms_of(recording, bending.scale_pa, relief)
    departure = recording.change - terms @ bending.weights
    filled = np.stack([hold_last(departure[:, k]) for k in range(departure.shape[1])], axis=1)
    return filled, np.ascontiguousarray(terms[:, 0])


def find_known(recording: Prepared) -> Mask:
    """Return which rows tell something: every channel was just read, and none was off shortly before.

    Parameters
    ----------
    recording : Prepared
        A tared recording.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        False where a channel is held since more than two scans, and for `SETTLE_S` after a gap of `GAP_S`.
    """
    time_s = recording.time_s
    scan_s = float(np.median(np.diff(time_s)))
    finite = np.isfinite(recording.change)
    read_s = np.maximum.accumulate(np.where(finite, time_s[:, None], time_s[0]), axis=0)
    age_s = (time_s[:, None] - read_s).max(axis=1)
    off_s = np.maximum.accumulate(np.where(age_s > GAP_S, time_s, -np.inf))
    return np.asarray((age_s < 2.5 * scan_s) & (time_s - off_s > SETTLE_S))


def free_rows(free: Sequence[Prepared], bending: BendingFit) -> list[tuple[Array, Array, Array, Mask]]:
    """Return stamps, what a baseline leaves of the departure, drive, and rows that count of the free-bend recordings.

    Parameters
    ----------
    free : sequence of Prepared
        Free-bend recordings.
    bending : BendingFit
        The free-bend model.

    Returns
    -------
    list of tuple of numpy.ndarray, shape (n,), (n, c), (n,), (n,)
        Of each recording: stamps (s), contact signal (1), drive (1), rows that tell something (bool).
    """
    out = []
    for recording in free:
        departure, load = departure_of(recording, bending, 0.0)
        baseline = _plain_baseline(recording.time_s, departure, np.ones(len(load), dtype=bool), FREE_LEARN_S)
        out.append((recording.time_s, departure - baseline, load, find_known(recording)))
    return out


def _plain_baseline(time_s: Array, departure: Array, unloaded: Array, learn_s: float) -> Array:
    """Return the baseline without knowledge of the pad's recovery."""
    channels = departure.shape[1]
    nothing = PadMap(
        scale=np.ones(channels), lean=np.zeros((channels, 1)), low=np.zeros(1), high=np.zeros(1),
        weights=np.zeros((PER_CHANNEL * channels, 1)), lag_s=LAG_S, fill=np.zeros((1, LAG_S.size)),
        empty=np.zeros((1, LAG_S.size)),
    )  # fmt: skip
    directions = np.zeros((3, 1, channels))
    return track_baseline(nothing, directions, time_s, departure, np.zeros(len(departure)), unloaded, learn_s)[0]


def gather(
    press: Sequence[Prepared],
    forces: Sequence[Array],
    unloaded: Sequence[Array],
    quiet: Sequence[tuple[Array, Array, Array, Mask]],
    bending: BendingFit,
    compliance: float,
    known: tuple[PadMap, Array] | None,
) -> Rows:
    """Return the rows of a fit for one compliance; the recovery is taken out of the baseline where it is known.

    Parameters
    ----------
    press : sequence of Prepared
        Press recordings.
    forces : sequence of numpy.ndarray, shape (n, 3)
        Their smoothed force (N).
    unloaded : sequence of numpy.ndarray of bool, shape (n,)
        Where nothing presses.
    quiet : sequence of tuple of numpy.ndarray, shape (n,), (n, c), (n,), (n,)
        Free-bend rows; see `free_rows` (s, 1, 1, bool).
    bending : BendingFit
        The free-bend model.
    compliance : float
        Share of full pressure that one newton takes from the drive (1/N).
    known : tuple or None
        Pad and directions (1/N) of an earlier fit; see `track_baseline`.

    Returns
    -------
    Rows
        See Rows.
    """
    times, contacts, loads = [item[0] for item in quiet], [item[1] for item in quiet], [item[2] for item in quiet]
    truth = [np.zeros((len(t), 3)) for t in times]
    known_rows = [item[3] for item in quiet]
    for recording, force, rest in zip(press, forces, unloaded, strict=True):
        departure, load = departure_of(recording, bending, compliance * np.maximum(force[:, 2], 0.0))
        if known is None:
            baseline = _plain_baseline(recording.time_s, departure, rest, LEARN_S)
        else:
            baseline = track_baseline(*known, recording.time_s, departure, load, rest, LEARN_S)[0]
        times.append(recording.time_s)
        contacts.append(departure - baseline)
        loads.append(load)
        truth.append(np.where(rest[:, None], 0.0, force))
        known_rows.append(find_known(recording))
    force_n = np.vstack(truth)
    weight = np.concatenate(known_rows) / np.sqrt(1.0 + (np.linalg.norm(force_n, axis=1) / EVEN_N) ** 2)
    return Rows(times, contacts, loads, force_n, weight, split_blocks([len(t) for t in times], BLOCKS))
