"""Carry a calibration over to a soft part that was exchanged or re-seated, from half a minute of presses.

Few numbers are fitted: a new tare, how much more or less each channel answers, and how the axes of the force mix, all
kept near those of before by a prior. A part that sits half a millimetre beside its old place turns a press into some
shear: to first order that is a mixing of the axes, so no geometry is needed. Presses that were left out choose among
the models and decide whether that is enough; if not, a full calibration is needed. The answers are fitted through the
estimator itself (nonlinear least squares, scipy), so that its zero and touches count as they will; the mixing is
linear.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from soft_tactile_node.calibration.preparation import Prepared, prepare
from soft_tactile_node.calibration.press import find_unloaded, smooth_force
from soft_tactile_node.calibration.record import Calibration, Figure, SourceFile, nested
from soft_tactile_node.calibration.ridge import Indices
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array

LEAST_PRESSES = 6
"""Presses that the fit needs (1): three to fit, three to judge."""

LEAST_RANGE = 0.4
"""Share of the calibrated force that the presses must reach (1)."""

PRESSED_N = 0.2
"""A press counts from this force (N)."""

MOST_ERROR = 1.5
"""Held-out error over that of the old calibration beyond which a full calibration is needed (1)."""

CHANNEL_PRIOR, MIXING_PRIOR = 0.1, 0.2
"""How far a channel's answer and the mixing of the axes usually are from those of another part of its mould (1)."""

BETTER = 0.9
"""A larger model must bring the held-out error below this share of the smaller one's (1)."""

FOLDS = 4
"""Parts of the presses; each is held out once (1)."""

MODELS = ("tare", "mixing", "mixing and channels")
"""What may be fitted, in order of size."""

AXES = ("shear_x_error", "shear_y_error", "force_error")
"""Figures that state the error of each axis of the force."""

THIN = 5
"""Every so many rows are fitted (1): neighbours tell nothing new."""


@dataclass(frozen=True)
class _Presses:
    """A short press recording, ready for the fit: reference force (n, 3) in N, rows fitted, press of each row."""

    recording: Recording
    item: Prepared
    force_n: Array
    rows: Indices
    number: Indices


def reseat(record: Calibration, press: Recording, made_on: date) -> Calibration:
    """Return the calibration of the finger with its new or re-seated soft part.

    Parameters
    ----------
    record : Calibration
        Calibration of the finger before.
    press : Recording
        About 30 s of presses with a reference force.
    made_on : datetime.date
        Date to write.

    Returns
    -------
    Calibration
        The old one with a new tare, answers and gain, larger variance and the figures of the held-out presses.

    Raises
    ------
    CalibrationError
        Other channels, presses that cover too little, or an error that asks for a full calibration.
    """
    presses = _check(record, press)
    tared = record.model_copy(update={"tare_inductance_h": nested(presses.item.tare_inductance_h)})
    usual_n = _usual_errors(record)
    errors = {model: _held_out(tared, presses, model, usual_n) for model in MODELS}
    chosen = MODELS[0]
    for model in MODELS:
        if _size(errors[model], usual_n) < BETTER * _size(errors[chosen], usual_n):
            chosen = model
    _check_error(errors[chosen][2], usual_n[2], press.source)
    parameters = _fit(tared, presses, chosen, np.ones(len(presses.rows), dtype=np.bool_), usual_n)
    return _finish(apply_answers(tared, *parameters), presses, errors[chosen], usual_n, made_on)


def apply_answers(record: Calibration, mixing: Array, answers: Array) -> Calibration:
    """Return a calibration whose force is mixed and whose channels answer more.

    Parameters
    ----------
    record : Calibration
        The calibration.
    mixing : numpy.ndarray, shape (3, 3)
        New axes (columns) from those of before (rows), newton for a newton (1).
    answers : numpy.ndarray, shape (c,)
        Change of each channel for a change of before, bending and touch alike (1).

    Returns
    -------
    Calibration
        The same estimates from changes times `answers`, times `mixing`.
    """
    base, force_map, touch, other = record.base, record.force_map, record.touch, record.substitute
    square, c = np.diag(mixing) ** 2, record.channels
    normal = square[2]
    # terms: 1, squared force, leverage
    shear = np.stack([square[:2], np.ones(2), square[:2]], axis=1)[:, None, :]
    others = np.concatenate([np.tile(1.0 / answers, 3), [1.0, 1.0]])
    told = np.concatenate([1.0 / answers, 1.0 / answers**2, 1.0 / answers**3, [1.0]])
    health = record.health
    return record.model_copy(
        update={
            "base": base.model_copy(
                update={
                    "weights": nested(np.array(base.weights) * answers),
                    "stretch": nested(np.array(base.stretch) / answers),
                    "noise": nested(np.array(base.noise) * answers),
                    "drift": nested(np.array(base.drift) * answers),
                }
            ),
            "force_map": force_map.model_copy(
                update={
                    "directions": nested(np.array(force_map.directions) / answers),
                    "weights": nested(np.array(force_map.weights) @ mixing),
                    # terms: 1, squared force, leverage or squared quick change of the force
                    "normal_variance": nested(
                        np.array(force_map.normal_variance) * [[normal, 1, normal], [normal, 1, 1]]
                    ),
                    "shear_variance": nested(np.array(force_map.shear_variance) * shear),
                    "gain": nested((mixing**2).T @ np.array(force_map.gain) / answers**2),
                }
            ),
            "touch": touch.model_copy(update={"spread": nested(np.array(touch.spread) * [normal, normal, 1])}),
            "substitute": other.model_copy(
                update={
                    "weights": nested(np.array(other.weights) * others * answers[:, None]),
                    "deviation": nested(np.array(other.deviation) * answers),
                    "pressure": nested(np.array(other.pressure) * told) if len(other.pressure) == 3 * c + 1 else (),
                }
            ),
            "health": health.model_copy(
                update={
                    name: nested(np.array(getattr(health, name)) * answers) for name in ("step_limit", "low", "high")
                }
            ),
        }
    )


def _check(record: Calibration, press: Recording) -> _Presses:
    """Return the presses, or refuse what cannot carry a calibration over."""
    if press.channels != record.channels:
        raise CalibrationError(f"{press.source}: must have {record.channels} channels; got {press.channels}")
    if press.force_n is None or not np.isfinite(press.force_n[:, 2]).any():
        raise CalibrationError(f"{press.source}: must have the reference force in force_x_n, force_y_n, force_z_n")
    item = prepare(press)
    force = smooth_force(item)
    pressed = force[:, 2] > PRESSED_N
    begins = np.flatnonzero(np.diff(pressed.astype(np.int8), prepend=0) == 1)
    unloaded = np.cumsum(find_unloaded(item.time_s, force))
    # a press is one of its own only after the pad was let go
    starts = [b for k, b in enumerate(begins) if k == 0 or unloaded[b] > unloaded[begins[k - 1]]]
    most = float(np.quantile(force[:, 2], 0.999))
    if len(starts) < LEAST_PRESSES or most < LEAST_RANGE * record.ranges.force_normal_n:
        raise CalibrationError(
            f"{press.source}: {len(starts)} presses up to {most:.2g} N; re-seating needs {LEAST_PRESSES} or more, some "
            f"up to {LEAST_RANGE * record.ranges.force_normal_n:.2g} N: press again, or calibrate in full"
        )
    shift = np.abs(item.tare_inductance_h / np.array(record.tare_inductance_h) - 1.0).max()
    if shift > 0.2:
        raise CalibrationError(
            f"{press.source}: a channel rests {100 * shift:.0f} % off the calibration, another pad: calibrate in full"
        )
    number = np.searchsorted(starts, np.arange(item.time_s.size), side="right")
    rows = np.flatnonzero((item.time_s > item.time_s[0] + 1.2) & np.isfinite(item.change).all(axis=1))[::THIN]
    return _Presses(press, item, force, rows, number[rows])


def _usual_errors(record: Calibration) -> Array:
    """Return the rms error of each axis that a calibration in full may have (N); infinite where it stated none."""
    figures = [record.figures.get(name) for name in AXES]
    return np.array([np.inf if f is None else f.value + (f.uncertainty or 0.0) for f in figures])


def _size(error_n: Array, usual_n: Array) -> float:
    """Return how large an error is beside the usual one, over all axes (1)."""
    return float(np.sqrt(np.mean((error_n / usual_n) ** 2)))


def _estimate(record: Calibration, presses: _Presses) -> Array:
    """Return the force on the fitted rows, unobserved axes zero (N), shape (n, 3)."""
    table, _ = Estimator(record).replay(presses.recording)
    # rows with a stamp that goes back are not among the prepared ones
    at = np.searchsorted(presses.recording.time_s, presses.item.time_s[presses.rows])
    return np.asarray(np.nan_to_num(table.force_n[at]))


def _fit(
    record: Calibration, presses: _Presses, model: str, used: NDArray[np.bool_], usual_n: Array
) -> tuple[Array, Array]:
    """Return mixing and answers by least squares on some rows, with their prior."""
    channels = record.channels
    if model == "tare":
        return np.eye(3), np.ones(channels)
    # rows of a press are one another's neighbours: a press counts about once for each half second
    weight = 1.0 / (usual_n * np.sqrt(max(used.sum() / (6.0 * LEAST_PRESSES), 1.0)))
    told = presses.force_n[presses.rows][used]

    def mix(logarithms: Array) -> tuple[Array, Array]:
        estimate = _estimate(apply_answers(record, np.eye(3), np.exp(logarithms)), presses)[used]
        mixing = _fit_mixing(estimate, told, weight)
        rest = np.concatenate([weight * (estimate @ mixing - told), (mixing - np.eye(3)) / MIXING_PRIOR])
        return mixing, np.append(rest, logarithms / CHANNEL_PRIOR)

    found = np.zeros(channels)
    if model == MODELS[-1]:
        # counted from 1, because steps are relative to the parameters
        fit = least_squares(lambda x: mix(x - 1.0)[1], np.ones(channels), diff_step=1e-2, max_nfev=5, bounds=(0.3, 1.7))
        found = fit.x - 1.0
    return mix(found)[0], np.exp(found)


def _fit_mixing(estimate_n: Array, told_n: Array, weight: Array) -> Array:
    """Return the mixing of the axes of an estimate that explains the reference, observed axes alone; shape (3, 3)."""
    mixing = np.eye(3)
    observed = np.flatnonzero(np.isfinite(weight) & (weight > 0.0) & np.any(estimate_n != 0.0, axis=0))
    columns = estimate_n[:, observed]
    for axis in observed:
        normal = weight[axis] ** 2 * columns.T @ columns + np.eye(len(observed)) / MIXING_PRIOR**2
        start = np.eye(3)[observed, axis]
        step = np.linalg.solve(normal, weight[axis] ** 2 * columns.T @ (told_n[:, axis] - columns @ start))
        mixing[observed, axis] = start + step
    return mixing


def _held_out(record: Calibration, presses: _Presses, model: str, usual_n: Array) -> Array:
    """Return the rms error of each axis on presses that the fit has not seen, every fourth one at a time (N)."""
    error = np.zeros((len(presses.rows), 3))
    for fold in range(FOLDS):
        held = presses.number % FOLDS == fold
        fitted = apply_answers(record, *_fit(record, presses, model, ~held, usual_n))
        error[held] = (_estimate(fitted, presses) - presses.force_n[presses.rows])[held]
    return np.asarray(np.sqrt(np.mean(error**2, axis=0)))


def _check_error(error_n: float, usual_n: float, source: str) -> None:
    """Refuse a normal force that a full calibration would not give; shear that is worse has its variance raised."""
    allowed = MOST_ERROR * usual_n
    if error_n > allowed:
        raise CalibrationError(
            f"{source}: after re-seating the held-out force error is {error_n:.2g} N, more than {allowed:.2g} N "
            f"({MOST_ERROR:g} times that of the calibration): this part answers otherwise, calibrate in full"
        )


def _finish(new: Calibration, presses: _Presses, error_n: Array, usual_n: Array, made_on: date) -> Calibration:
    """Return the record with its figures, larger variance, source and date."""
    force_map, warm = new.force_map, presses.recording.temperature_c[:50]
    wider = np.maximum(1.0, (error_n / usual_n) ** 2)
    stated = {
        name: Figure(
            value=float(f"{error:.4g}"),
            unit="N",
            definition=f"rms error of force_{axis} over presses held out while the soft part was re-seated",
        )
        for name, axis, error in zip(AXES, "xyz", error_n, strict=True)
        if name in new.figures
    }
    return new.model_copy(
        update={
            "made_on": made_on,
            "tare_temperature_c": float(f"{np.nanmean(warm):.4g}")
            if np.isfinite(warm).any()
            else new.tare_temperature_c,
            "force_map": force_map.model_copy(
                update={
                    "normal_variance": nested(np.array(force_map.normal_variance) * wider[2]),
                    "shear_variance": nested(np.array(force_map.shear_variance) * wider[:2, None, None]),
                }
            ),
            "figures": {**new.figures, **stated},
            "sources": (
                *new.sources,
                SourceFile(name=presses.recording.source, kind="press", sha256=presses.recording.sha256),
            ),
            "not_identified": (
                *new.not_identified,
                "re-seated from a short press: bending and temperature are those of the earlier calibration",
            ),
        }
    )
