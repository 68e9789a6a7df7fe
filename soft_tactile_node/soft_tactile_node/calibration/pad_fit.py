"""Fit of the pad model to press recordings: what a known force adds to each channel, and what stays unexplained."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from soft_tactile_node.calibration.bending_fit import BendingFit, terms_of
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press import Memory, find_place, find_unloaded, place_spread, smooth_force
from soft_tactile_node.calibration.ridge import RidgeFit, fit_ridge, fit_signed, split_blocks
from soft_tactile_node.calibration.wander import clip_positive
from soft_tactile_node.estimation.pad import NORMAL_TERMS, SHEAR_TERMS
from soft_tactile_node.samples import Array

QUICK_SETS: tuple[tuple[float, float], ...] = (
    (0.0, 0.0),
    (0.02, 0.02),
    (0.05, 0.05),
    (0.1, 0.1),
    (0.03, 0.08),
    (0.05, 0.15),
    (0.05, 0.3),
    (0.08, 0.2),
    (0.12, 0.4),
)
"""Filling and emptying time constants of the quick lag offered to the fit (s)."""

LAG_S = (0.1, 0.5, 2.5, 12.0)
"""Time constants of the slow pad memory (s)."""

COMPLIANCES = (0.0, 0.02, 0.04, 0.06, 0.08, 0.10, 0.12, 0.15, 0.19)
"""Relative pressures per newton offered to the fit (1/N): how much of the drive a force on the pad takes away."""

T = TypeVar("T")

SHEAR_S = (0.3, 3.0)
"""Time constants of the shear memory (s)."""

PLACE_ROUNDS = 3
"""Rounds of finding the contact place and fitting again."""

BLOCKS = 14
"""Held-out blocks over all press recordings."""


@dataclass(frozen=True)
class PadFit:
    """The fitted pad model.

    Attributes
    ----------
    axes : int
        1 or 3.
    quick_s, lag_s, shear_s : numpy.ndarray
        Time constants of the memory (s).
    weights : numpy.ndarray, shape (m, c)
        Weights of the terms (1/N).
    force_n : numpy.ndarray, shape (n, 3)
        Reference force of all rows, smoothed (N).
    residual : numpy.ndarray, shape (n, c)
        Held-out error of the channels (1).
    departures : tuple of numpy.ndarray, shape (n, c)
        change - free_bending - baseline of each recording (1).
    score : float
        Held-out weighted error over the weighted signal (1).
    error_floor, error_relative : numpy.ndarray, shape (c, c)
        Error covariance at light load (1) and per squared force (1/N^2).
    place : numpy.ndarray, shape (2,)
        Standard deviation of the apparent shear that off-centre contact made, per normal force (1).
    compliance : float
        Relative pressure that a newton on the pad takes from the drive of the finger (1/N).
    loads : tuple of numpy.ndarray, shape (n,)
        Drive of each recording, relief taken off, behind the quick lag (1).
    """

    axes: int
    quick_s: Array
    lag_s: Array
    shear_s: Array
    weights: Array
    force_n: Array
    residual: Array
    departures: tuple[Array, ...]
    score: float
    error_floor: Array
    error_relative: Array
    place: Array
    compliance: float
    loads: tuple[Array, ...]


def fit_pad(recordings: Sequence[Prepared], bending: BendingFit, axes: int) -> PadFit:
    """Fit the pad model; memory and penalty are chosen on held-out blocks.

    Parameters
    ----------
    recordings : sequence of Prepared
        Press recordings.
    bending : BendingFit
        The free-bend model of the same finger.
    axes : int
        1 for normal force only, 3 with shear.

    Returns
    -------
    PadFit
        See PadFit.
    """
    forces = [smooth_force(recording) for recording in recordings]
    unloaded = [find_unloaded(r.time_s, f) for r, f in zip(recordings, forces, strict=True)]

    def split(compliance: float) -> tuple[list[Array], list[Array]]:
        """Return what bending leaves over, and its drive, when a newton takes `compliance` of the drive."""
        terms = [
            terms_of(r, bending.scale_pa, compliance * np.maximum(f[:, 2], 0.0))
            for r, f in zip(recordings, forces, strict=True)
        ]
        raw = [r.change - t @ bending.weights for r, t in zip(recordings, terms, strict=True)]
        return raw, [np.ascontiguousarray(t[:, 0]) for t in terms]

    def trial(quick: tuple[float, float], compliance: float) -> tuple[RidgeFit, list[Array]]:
        """Fit with one set of time constants and one compliance."""
        raw, loads = split(compliance)
        memory = Memory(np.array(quick), np.array(LAG_S), np.array(SHEAR_S), axes)
        designs = [memory.design(r.time_s, f, u) for r, f, u in zip(recordings, forces, loads, strict=True)]
        return _fit_with_baseline(recordings, designs, raw, forces, unloaded, axes)

    quick = _choose(QUICK_SETS, lambda candidate: trial(candidate, COMPLIANCES[2])[0].score)
    compliance = _choose(COMPLIANCES, lambda candidate: trial(quick, candidate)[0].score)
    raw, loads = split(compliance)
    fit, departures = trial(quick, compliance)
    memory = Memory(np.array(quick), np.array(LAG_S), np.array(SHEAR_S), axes)
    force = np.vstack(forces)
    place = np.zeros(2)
    apparent = forces
    for _ in range(PLACE_ROUNDS if axes == 3 else 0):
        # contacts are never quite centred: what looks like shear but is not in the force reference is their place
        shift = find_place(recordings, fit.weights, apparent, loads, departures, memory)
        apparent = [f + np.pad(t, ((0, 0), (0, 1))) for f, t in zip(forces, shift, strict=True)]
        place = place_spread(np.vstack(shift), force[:, 2])
        designs = [memory.design(r.time_s, f, u) for r, f, u in zip(recordings, apparent, loads, strict=True)]
        fit, departures = _fit_with_baseline(recordings, designs, raw, forces, unloaded, axes)
    fit = _constrain(recordings, fit, memory, apparent, loads, departures)
    residual = np.vstack(departures) - fit.held_out
    floor, relative = split_error(residual, force)
    return PadFit(
        axes=axes,
        quick_s=np.array(quick),
        lag_s=np.array(LAG_S),
        shear_s=np.array(SHEAR_S),
        weights=fit.weights,
        force_n=force,
        residual=residual,
        departures=tuple(departures),
        score=fit.score,
        error_floor=floor,
        error_relative=relative,
        place=place,
        compliance=compliance,
        loads=tuple(loads),
    )


def split_error(residual: Array, force_n: Array) -> tuple[Array, Array]:
    """Split the pad model's held-out error into a part at light load and a part in proportion to the force.

    Parameters
    ----------
    residual : numpy.ndarray, shape (n, c)
        Held-out error (1); rows with NaN are left out.
    force_n : numpy.ndarray, shape (n, 3)
        Force (N).

    Returns
    -------
    floor, relative : numpy.ndarray, shape (c, c)
        Covariances (1) and (1/N^2).
    """
    size = np.linalg.norm(force_n, axis=1)
    good = np.isfinite(residual).all(axis=1)
    light = good & (size > 0.03) & (size < 0.3)
    heavy = good & (size > 0.5)
    floor = clip_positive(residual[light].T @ residual[light] / max(int(light.sum()), 1))
    scaled = residual[heavy] / size[heavy, None]
    relative = clip_positive(scaled.T @ scaled / max(int(heavy.sum()), 1))
    return floor, relative


def _fit_with_baseline(
    recordings: Sequence[Prepared],
    designs: Sequence[Array],
    raw: Sequence[Array],
    forces: Sequence[Array],
    unloaded: Sequence[Array],
    axes: int,
) -> tuple[RidgeFit, list[Array]]:
    """Fit the pad while the slow baseline between unloaded rests is taken out; both depend on each other."""
    design = np.vstack(designs)
    force = np.vstack(forces)
    block = split_blocks([len(d) for d in designs], BLOCKS)
    weight = _weight(force)
    step = max(1, round(0.01 / float(np.median(np.diff(recordings[0].time_s)))))
    departures = list(raw)
    fit: RidgeFit | None = None
    for _ in range(3):
        target = np.vstack(departures)
        rows = np.flatnonzero(np.isfinite(target).all(axis=1))[::step]
        fit = fit_ridge(
            design[rows],
            target[rows],
            block[rows],
            weight[rows] / weight[rows].mean(),
            candidates=_term_sets(design, axes),
        )
        departures = [
            change - _baseline(r.time_s, change - d @ fit.weights, rest)
            for r, d, change, rest in zip(recordings, designs, raw, unloaded, strict=True)
        ]
    assert fit is not None
    full = np.zeros_like(np.vstack(departures))
    for k in range(full.shape[1]):
        full[:, k] = np.interp(np.arange(len(full)), rows, fit.held_out[:, k])
    return RidgeFit(fit.weights, full, fit.penalty, fit.score, fit.terms), departures


def _choose(candidates: Sequence[T], score: Callable[[T], float]) -> T:
    """Return the candidate with the lowest held-out score; a later one must win by 3 %."""
    best, best_score = candidates[0], np.inf
    for candidate in candidates:
        value = score(candidate)
        if value < 0.97 * best_score:
            best, best_score = candidate, value
    return best


def _constrain(
    recordings: Sequence[Prepared],
    fit: RidgeFit,
    memory: Memory,
    forces: Sequence[Array],
    loads: Sequence[Array],
    departures: Sequence[Array],
) -> RidgeFit:
    """Fit once more so that each channel's response to load keeps one sign; see `pad_terms`."""
    design = np.vstack([memory.design(r.time_s, f, u) for r, f, u in zip(recordings, forces, loads, strict=True)])
    target = np.vstack(departures)
    force = np.vstack(forces)
    signs = np.zeros(design.shape[1])
    signs[:NORMAL_TERMS] = 1.0
    block = split_blocks([len(d) for d in departures], BLOCKS)
    step = max(1, round(0.01 / float(np.median(np.diff(recordings[0].time_s)))))
    rows = np.flatnonzero(np.isfinite(target).all(axis=1))[::step]
    return fit_signed(design, target, force[:, 2], _weight(force), block, rows, fit, signs)


def _weight(force_n: Array) -> Array:
    """Return the weight of each row: errors count relative to the force, down to a light touch."""
    size = np.linalg.norm(force_n, axis=1)
    return np.asarray(1.0 / (0.05**2 + (0.03 * size) ** 2))


def _term_sets(design: Array, axes: int) -> list[Array]:
    """Return the model sizes offered, smallest first: shear with load, squared, with pressure."""
    everything = np.ones(design.shape[1], dtype=bool)
    if axes == 1:
        return [everything]
    first = NORMAL_TERMS + len(LAG_S)
    sets = []
    for left_out in ((2, 3), (2,), ()):
        keep = everything.copy()
        keep[first + SHEAR_TERMS - 1] = 3 not in left_out
        for axis in range(2):
            for term in left_out:
                keep[first + 4 * axis + term] = False
        sets.append(keep)
    return sets


def _baseline(time_s: Array, error: Array, rest: Array) -> Array:
    """Return the slow baseline of the channels: the error in unloaded rests, straight lines in between."""
    out = np.zeros_like(error)
    starts = np.flatnonzero(np.diff(np.concatenate([[False], rest, [False]]).astype(int)) == 1)
    ends = np.flatnonzero(np.diff(np.concatenate([[False], rest, [False]]).astype(int)) == -1)
    knots: list[float] = []
    values: list[Array] = []
    for start, end in zip(starts, ends, strict=True):
        # several knots in a long rest, so that the baseline follows drift there and not only between presses
        pieces = max(1, int((time_s[end - 1] - time_s[start]) / 1.0))
        for part in np.array_split(np.arange(start, end), pieces):
            piece = error[part]
            piece = piece[np.isfinite(piece).all(axis=1)]
            if len(piece) >= 5:
                knots.append(float(time_s[part].mean()))
                values.append(np.median(piece, axis=0))
    if not knots:
        return out
    table = np.array(values)
    for channel in range(error.shape[1]):
        out[:, channel] = np.interp(time_s, knots, table[:, channel])
    return out
