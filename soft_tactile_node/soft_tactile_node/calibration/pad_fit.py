"""Fit of the pad model to press recordings: a smooth map from the channels to the elastic response, and the relaxation.

Everything that has a size (the finger's
compliance, the penalty, whether quick lags fill and empty at different rates) is chosen on held-out blocks.
Free-bend rows take part with a force of zero, so that the map learns not to answer to what bending leaves over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.calibration.bending_fit import BendingFit
from soft_tactile_node.calibration.pad_map_fit import BRIEF_ROUNDS, FIT_STEP, Trial, fit_map
from soft_tactile_node.calibration.pad_rows import LAG_S, LEARN_S, Rows, departure_of, free_rows, gather
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press import find_unloaded, smooth_force
from soft_tactile_node.calibration.wander import white_noise
from soft_tactile_node.estimation.pad import PadMap
from soft_tactile_node.estimation.pad_replay import relaxation_terms, replay_pad, track_baseline
from soft_tactile_node.samples import Array

COMPLIANCES = (0.0, 0.01, 0.02, 0.04, 0.06, 0.08, 0.12)
"""Share of full pressure that one newton on the pad takes from the finger's drive (1/N), offered to the fit. Presses
tell it only by its effect on hysteresis; larger ones are not told from the pad's own creep and spoil the bend."""

PENALTIES = (1e-7, 1e-6, 1e-5, 1e-4, 1e-3)
"""Penalties of the map, relative to the mean squared term (1). Each axis has its own: shear shows in small differences
between channels, normal force in their sum."""

FIRST_PENALTY = 1e-4
"""Penalty while the compliance is looked for (1)."""

PAD_RATE_HZ = 250.0
"""Rows are thinned to about this rate before the fit (Hz): the quickest lags must still be seen."""


class Lagging(NamedTuple):
    """One in FIT_STEP press rows, as the relaxation of the normal force is fitted to them.

    Attributes
    ----------
    gaps : numpy.ndarray, shape (m, 2, k)
        Gaps between the elastic response and its lags; see `estimation.pad_replay.relaxation_terms` (N).
    rest : numpy.ndarray, shape (m,)
        Force less elastic response (N).
    weight : numpy.ndarray, shape (m,)
        See `pad_rows.Rows` (1).
    split : bool
        Whether quick lags fill and empty at different rates.
    """

    gaps: Array
    rest: Array
    weight: Array
    split: bool


@dataclass(frozen=True)
class PadFit:
    """The fitted pad.

    Attributes
    ----------
    pad : PadMap
        Constants of the model; see `estimation.pad`.
    axes : int
        1 for normal force only, 3 with shear.
    directions : numpy.ndarray, shape (3, a, c)
        See `estimation.pad.direction_at` (1/N).
    pattern : numpy.ndarray, shape (c, c)
        Second moments of the contact signal per squared normal force (1/N^2): what channels tell of each other.
    compliance : float
        See COMPLIANCES (1/N).
    error_floor, error_relative : numpy.ndarray, shape (a,)
        Held-out error at light load (N) and in proportion to the normal force (1).
    noise_gain : numpy.ndarray, shape (a,)
        Noise of the force over what the map alone makes of the channels' noise (1).
    shear_ratio : numpy.ndarray, shape (2,)
        Apparent shear per normal force in the presses, root mean square (1).
    force_n : numpy.ndarray, shape (n, 3)
        Reference force of all press rows (N).
    estimate_n : numpy.ndarray, shape (n, 3)
        Held-out estimate of it (N); NaN on axes that are not observed.
    known : numpy.ndarray of bool, shape (n,)
        Rows that tell something; see `pad_rows.find_known`.
    contacts, recoveries, loads : tuple of numpy.ndarray
        Of each press recording: contact signal (n, c), departure less the pad's recovery and its baseline (n, c), both
        (1), and the drive (n,) (1).
    lagging : Lagging
        What the relaxation of the normal force was told from.
    score : float
        Weighted mean squared held-out error over that of a constant zero (1).
    """

    pad: PadMap
    axes: int
    directions: Array
    pattern: Array
    compliance: float
    error_floor: Array
    error_relative: Array
    noise_gain: Array
    shear_ratio: Array
    force_n: Array
    estimate_n: Array
    known: NDArray[np.bool_]
    contacts: tuple[Array, ...]
    recoveries: tuple[Array, ...]
    loads: tuple[Array, ...]
    lagging: Lagging
    score: float


def fit_pad(press: Sequence[Prepared], free: Sequence[Prepared], bending: BendingFit, axes: int) -> PadFit:
    """Fit the pad model.

    Parameters
    ----------
    press, free : sequence of Prepared
        Press and free-bend recordings.
    bending : BendingFit
        The free-bend model of the same finger.
    axes : int
        1 for normal force only, 3 with shear.

    Returns
    -------
    PadFit
        See PadFit.
    """
    forces = [smooth_force(recording) for recording in press]
    unloaded = [find_unloaded(r.time_s, f) for r, f in zip(press, forces, strict=True)]
    quiet = free_rows(free, bending)
    columns = [2] if axes == 1 else [0, 1, 2]
    known: tuple[PadMap, Array] | None = None
    for _ in range(2):  # the second time the pad's recovery after a release is known; the baseline must not learn it
        offers = [gather(press, forces, unloaded, quiet, bending, c, known) for c in COMPLIANCES]
        chosen = _choose_compliance(offers, axes)
        first = fit_map(offers[chosen], axes, columns, [FIRST_PENALTY] * axes, axes == 1).pad
        known = (first, _directions(offers[chosen], first))
    compliance = COMPLIANCES[chosen]
    rows = gather(press, forces, unloaded, quiet, bending, compliance, known)
    tries = [_choose_penalty(rows, axes, 2, split) for split in (False, True)]
    split = tries[1][1] < 0.99 * tries[0][1]
    penalties = [_choose_penalty(rows, axes, column, split)[0] for column in columns[:-1]] + [tries[split][0]]
    final = fit_map(rows, axes, columns, penalties, split)
    return _finish(press, forces, unloaded, free, bending, compliance, rows, final, axes, split)


def _choose_compliance(offers: Sequence[Rows], axes: int) -> int:
    """Return the number of the compliance with the smallest held-out loss in the geometric mean over blocks.

    The arithmetic mean would be that of the one or two blocks with the highest forces.
    """
    trials = [fit_map(rows, axes, [2], [FIRST_PENALTY], axes == 1, BRIEF_ROUNDS) for rows in offers]
    return int(np.argmin([np.mean(np.log(trial.losses + 1e-15)) for trial in trials]))


def _finish(
    press: Sequence[Prepared],
    forces: Sequence[Array],
    unloaded: Sequence[Array],
    free: Sequence[Prepared],
    bending: BendingFit,
    compliance: float,
    rows: Rows,
    trial: Trial,
    axes: int,
    split: bool,
) -> PadFit:
    """Return the fit with its errors, noise and directions."""
    first = len(free)
    count = sum(len(t) for t in rows.times[:first])
    columns = [2] if axes == 1 else [0, 1, 2]
    force = rows.force_n[count:]
    estimate = np.full(force.shape, np.nan)
    estimate[:, columns] = trial.held_out[count:]
    known = rows.weight[count:] > 0.0
    directions = _directions(rows, trial.pad)
    floor, relative = split_error((estimate - force)[known][:, columns], force[known, 2])
    recoveries: list[Array] = []
    for recording, load, rest in zip(press, rows.loads[first:], unloaded, strict=True):
        departure = departure_of(recording, bending, compliance * np.maximum(forces[len(recoveries)][:, 2], 0.0))[0]
        baseline, residual = track_baseline(trial.pad, directions, recording.time_s, departure, load, rest, LEARN_S)
        recoveries.append(residual - baseline)
    contact = np.vstack(rows.contacts[first:])
    heavy = known & (force[:, 2] > 0.5)
    scaled = contact[heavy] / force[heavy, 2:3]
    response = np.vstack(
        [replay_pad(trial.pad, t, u, s)[0] for t, u, s in zip(*(x[first:] for x in rows[:3]), strict=True)]
    )
    ratio = np.zeros(2)
    if axes == 3 and heavy.any():
        ratio = np.sqrt(np.mean((response[heavy, :2] / force[heavy, 2:3]) ** 2, axis=0))
    return PadFit(
        pad=trial.pad,
        axes=axes,
        directions=directions,
        pattern=np.asarray(scaled.T @ scaled / max(int(heavy.sum()), 1)),
        compliance=compliance,
        error_floor=floor,
        error_relative=relative,
        noise_gain=_noise_gain(rows, trial.pad, first),
        shear_ratio=ratio,
        force_n=force,
        estimate_n=estimate,
        known=known,
        contacts=tuple(rows.contacts[first:]),
        recoveries=tuple(recoveries),
        loads=tuple(rows.loads[first:]),
        lagging=_lagging(rows, first, response[:, -1], force[:, 2], split),
        score=trial.score,
    )


def _lagging(rows: Rows, first: int, response: Array, force_z: Array, split: bool) -> Lagging:
    """Return what the relaxation of the normal force is told from, over the press rows."""
    times = rows.times[first:]
    pieces = np.split(response, np.cumsum([len(t) for t in times])[:-1])
    terms = [relaxation_terms(t, np.ascontiguousarray(e), LAG_S) for t, e in zip(times, pieces, strict=True)]
    weight = rows.weight[-len(force_z) :]
    return Lagging(np.concatenate(terms)[::FIT_STEP], (force_z - response)[::FIT_STEP], weight[::FIT_STEP], split)


def split_error(error_n: Array, force_z_n: Array) -> tuple[Array, Array]:
    """Split the held-out error of the force into a part at light load and a part in proportion to the normal force.

    Parameters
    ----------
    error_n : numpy.ndarray, shape (n, a)
        Held-out error (N).
    force_z_n : numpy.ndarray, shape (n,)
        Normal force (N).

    Returns
    -------
    floor, relative : numpy.ndarray, shape (a,)
        Root mean square (N) and (1).
    """
    light = (force_z_n > 0.03) & (force_z_n < 0.4)
    heavy = force_z_n > 0.6
    floor = np.sqrt(np.mean(error_n[light] ** 2, axis=0)) if light.any() else np.zeros(error_n.shape[1])
    excess = np.maximum(error_n[heavy] ** 2 - floor**2, 0.0) / force_z_n[heavy, None] ** 2
    relative = np.sqrt(np.mean(excess, axis=0)) if heavy.any() else np.zeros(error_n.shape[1])
    return floor, relative


def _choose_penalty(rows: Rows, axes: int, column: int, split: bool) -> tuple[float, float]:
    """Return the penalty of one axis with the smallest held-out error, the larger one of equals, and its score."""
    penalty, best = PENALTIES[-1], np.inf
    for candidate in reversed(PENALTIES):
        score = fit_map(rows, axes, [column], [candidate], split, BRIEF_ROUNDS).score
        if score < 0.99 * best:
            penalty, best = candidate, score
    return penalty, best


def _directions(rows: Rows, pad: PadMap) -> Array:
    """Return what one newton of light elastic response adds to each channel, by least squares over light presses."""
    axes = pad.lean.shape[1]
    response = np.vstack(
        [replay_pad(pad, t, u, s)[0] for t, u, s in zip(rows.times, rows.contacts, rows.loads, strict=True)]
    )
    contact, load = np.vstack(rows.contacts), np.concatenate(rows.loads)
    pressed = (rows.force_n[:, 2] > 0.05) & (rows.weight > 0.0)
    light = pressed & (rows.force_n[:, 2] < max(1.5, float(np.quantile(rows.force_n[pressed, 2], 0.3))))
    rest = 1.0 - load[light]
    shares = np.stack([rest**2, 2.0 * rest * load[light], load[light] ** 2], axis=1)
    design = (shares[:, :, None] * response[light][:, None, :]).reshape(int(light.sum()), -1)
    gram = design.T @ design
    gram += 1e-4 * np.trace(gram) / len(gram) * np.eye(len(gram))
    return np.ascontiguousarray(np.linalg.solve(gram, design.T @ contact[light]).reshape(3, axes, -1))


def _noise_gain(rows: Rows, pad: PadMap, free: int) -> Array:
    """Return the noise of the force over what the map at rest makes of the channels' noise."""
    measured, direct = [], []
    for time_s, contact, load in zip(rows.times[:free], rows.contacts[:free], rows.loads[:free], strict=True):
        response, force = replay_pad(pad, time_s, contact, load)
        measured.append(np.diag(white_noise(force)))
        direct.append(np.diag(white_noise(response)))
    return np.asarray(np.sqrt(np.mean(measured, axis=0) / np.maximum(np.mean(direct, axis=0), 1e-300)))
