"""Carry a calibration over to a soft part that was exchanged or re-seated, from half a minute of presses.

Few numbers are fitted: a new tare, how much more or less each channel answers (kept near 1 by a prior), and a gain of
the force. Presses that were left out choose among them and decide whether that is enough; if not, a full calibration is
needed. The fit is nonlinear least squares (scipy) through the estimator itself, so that its zero and touches count as
they will.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
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

CHANNEL_PRIOR, FORCE_PRIOR = 0.1, 0.2
"""How far a channel's answer and the pad's stiffness usually are from those of another part of its mould (1)."""

BETTER = 0.9
"""A larger model must bring the held-out error below this share of the smaller one's (1)."""

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
    channels = record.channels
    models = {"tare": 0, "force gain": 1, "force gain and channels": 1 + channels}
    errors = {name: _held_out(tared, presses, count) for name, count in models.items()}
    chosen = "tare"
    for name in models:
        if errors[name][2] < BETTER * errors[chosen][2]:
            chosen = name
    _check_error(record, errors[chosen][2], press.source)
    parameters = _fit(tared, presses, models[chosen], np.ones(len(presses.rows), dtype=np.bool_))
    return _finish(record, apply_answers(tared, *_split(parameters, channels)), presses, errors[chosen], made_on)


def apply_answers(record: Calibration, gain: float, answers: Array) -> Calibration:
    """Return a calibration whose force is larger by a gain and whose channels answer more.

    Parameters
    ----------
    record : Calibration
        The calibration.
    gain : float
        Newton for a newton of before (1).
    answers : numpy.ndarray, shape (c,)
        Change of each channel for a change of before, bending and touch alike (1).

    Returns
    -------
    Calibration
        The same estimates from changes times `answers`, times `gain`.
    """
    base, force_map, touch, other = record.base, record.force_map, record.touch, record.substitute
    square, c = gain**2, record.channels
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
                    "weights": nested(np.array(force_map.weights) * gain),
                    # terms: 1, squared force, leverage or squared quick change of the force
                    "normal_variance": nested(
                        np.array(force_map.normal_variance) * [[square, 1, square], [square, 1, 1]]
                    ),
                    "shear_variance": nested(np.array(force_map.shear_variance) * [square, 1, square]),
                    "gain": nested(np.array(force_map.gain) * square / answers**2),
                }
            ),
            "touch": touch.model_copy(update={"spread": nested(np.array(touch.spread) * [square, square, 1])}),
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


def _split(parameters: Array, channels: int) -> tuple[float, Array]:
    """Return gain and answers of the logarithms that are fitted; those left out are 1."""
    full = np.zeros(1 + channels)
    full[: parameters.size] = parameters
    return float(np.exp(full[0])), np.exp(full[1:])


def _errors(record: Calibration, presses: _Presses, parameters: Array) -> Array:
    """Return the force error on the fitted rows, unobserved axes zero (N)."""
    estimator = Estimator(apply_answers(record, *_split(parameters, record.channels)))
    table, _ = estimator.replay(presses.recording)
    # rows with a stamp that goes back are not among the prepared ones
    at = np.searchsorted(presses.recording.time_s, presses.item.time_s[presses.rows])
    return np.asarray(np.nan_to_num(table.force_n[at] - presses.force_n[presses.rows]))


def _fit(record: Calibration, presses: _Presses, count: int, used: Array) -> Array:
    """Return the logarithms of the first `count` parameters by least squares on some rows, with their prior."""
    if count == 0:
        return np.zeros(0)
    prior = np.full(count, CHANNEL_PRIOR)
    prior[0] = FORCE_PRIOR
    figures = record.figures
    names = ("shear_x_error", "shear_y_error", "force_error")
    error_n = np.array([figures[name].value if name in figures else np.inf for name in names])
    # rows of a press are one another's neighbours: a press counts about once for each half second
    weight = 1.0 / (error_n * np.sqrt(max(used.sum() / (6.0 * LEAST_PRESSES), 1.0)))

    # counted from 1, because steps are relative to the parameters
    def residuals(shifted: Array) -> Array:
        parameters = shifted - 1.0
        return np.concatenate([(weight * _errors(record, presses, parameters)[used]).ravel(), parameters / prior])

    found = least_squares(residuals, np.ones(count), diff_step=1e-2, max_nfev=8, bounds=(0.3, 1.7))
    return np.asarray(found.x - 1.0)


def _held_out(record: Calibration, presses: _Presses, count: int) -> Array:
    """Return the rms error of each axis on presses that the fit has not seen, every other one at a time (N)."""
    error = np.zeros((len(presses.rows), 3))
    for fold in range(2) if count else ():
        held = presses.number % 2 == fold
        error[held] = _errors(record, presses, _fit(record, presses, count, ~held))[held]
    if not count:
        error = _errors(record, presses, np.zeros(0))
    return np.asarray(np.sqrt(np.mean(error**2, axis=0)))


def _check_error(record: Calibration, error_n: float, source: str) -> None:
    """Refuse an error that a full calibration would not have."""
    old = record.figures["force_error"]
    allowed = MOST_ERROR * (old.value + (old.uncertainty or 0.0))
    if error_n > allowed:
        raise CalibrationError(
            f"{source}: after re-seating the held-out force error is {error_n:.2g} N, more than {allowed:.2g} N "
            f"({MOST_ERROR:g} times that of the calibration): this part answers otherwise, calibrate in full"
        )


def _finish(old: Calibration, new: Calibration, presses: _Presses, error_n: Array, made_on: date) -> Calibration:
    """Return the record with its figures, larger variance, source and date."""
    force_map, warm = new.force_map, presses.recording.temperature_c[:50]
    wider = max(1.0, (error_n[2] / old.figures["force_error"].value) ** 2)
    figures = dict(new.figures)
    for axis, name in enumerate("xyz"):
        key = "force_error" if name == "z" else f"shear_{name}_error"
        if key in figures:
            figures[key] = Figure(
                value=float(f"{error_n[axis]:.4g}"),
                unit="N",
                definition=f"rms error of force_{name} over presses held out while the soft part was re-seated",
            )
    return new.model_copy(
        update={
            "made_on": made_on,
            "tare_temperature_c": float(f"{np.nanmean(warm):.4g}")
            if np.isfinite(warm).any()
            else new.tare_temperature_c,
            "force_map": force_map.model_copy(
                update={
                    "normal_variance": nested(np.array(force_map.normal_variance) * wider),
                    "shear_variance": nested(np.array(force_map.shear_variance) * wider),
                }
            ),
            "figures": figures,
            "sources": (
                *old.sources,
                SourceFile(name=presses.recording.source, kind="press", sha256=presses.recording.sha256),
            ),
            "not_identified": (
                *old.not_identified,
                "re-seated from a short press: bending and temperature are those of the earlier calibration",
            ),
        }
    )
