"""The causal preparation all baselines share: tare, held pressure, temperature difference, features with memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from soft_tactile_node.compiled import compiled
from soft_tactile_node.recordings import Recording

Array = NDArray[np.float64]

TARE_S = 1.0
FULL_PRESSURE_PA = 60e3


@dataclass(frozen=True)
class Signals:
    """One recording, prepared.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
    change : numpy.ndarray, shape (n, c)
        Relative change since the tare; a missing sample is held.
    pressure : numpy.ndarray, shape (n,)
        Share of full pressure since the tare; the last reading is held.
    warmth : numpy.ndarray, shape (n,)
        Temperature since the tare (K).
    step_s : float
        Median scan period.
    bend : numpy.ndarray, shape (n,)
        True bend (rad), for the oracle only; zeros otherwise.
    """

    time_s: Array
    change: Array
    pressure: Array
    warmth: Array
    step_s: float
    bend: Array


def hold(values: Array, first: float) -> Array:
    """Fill NaN with the last value before it."""
    index = np.where(np.isfinite(values), np.arange(len(values)), -1)
    last = np.maximum.accumulate(index)
    return np.where(last >= 0, values[np.maximum(last, 0)], first)


def prepare(recording: Recording, bend: Array | None = None) -> Signals:
    """Prepare a recording causally; the tare is the mean of the first second."""
    t = recording.time_s
    tare = t < t[0] + TARE_S
    level = np.nanmean(recording.inductance_h[tare], axis=0)
    change = np.column_stack(
        [hold(recording.inductance_h[:, k], level[k]) / level[k] - 1.0 for k in range(recording.channels)]
    )
    vented = float(np.nanmean(recording.pressure_pa[tare]))
    pressure = (hold(recording.pressure_pa, vented) - vented) / FULL_PRESSURE_PA
    warm = recording.temperature_c
    start = float(np.nanmean(warm[tare])) if np.isfinite(warm[tare]).any() else 0.0
    true_bend = np.zeros(len(t)) if bend is None else bend - bend[tare].mean()
    step = float(np.median(np.diff(t)))
    return Signals(t, change, pressure, low_pass(hold(warm, start) - start, 1.0, step), step, true_bend)


def low_pass(x: Array, time_s: float, step_s: float, start: float = 0.0) -> Array:
    """First-order lag along the rows, from a start value."""
    a = np.exp(-step_s / time_s)
    state = np.full((1, *np.shape(x)[1:]), start * a)
    return np.asarray(lfilter([1.0 - a], [1.0, -a], x, axis=0, zi=state)[0])


@compiled
def play(x, radius):  # type: ignore[no-untyped-def]
    """Play operator of a radius along a signal that starts at zero."""
    out = np.empty_like(x)
    y = 0.0
    for k in range(len(x)):
        y = min(max(y, x[k] - radius), x[k] + radius)
        out[k] = y
    return out


def bending_features(s: Signals) -> Array:
    """Powers, play operators and log-spaced lags of pressure, shape (n, m)."""
    p = low_pass(s.pressure, 0.02, s.step_s)
    columns = [p, p**2, p**3, p**4]
    for radius in (0.02, 0.05, 0.09, 0.14, 0.2, 0.28, 0.38, 0.5):
        operator = play(p, radius)
        columns += [operator, operator**2]
    for time_s in (0.03, 0.06, 0.12, 0.25, 0.5, 1.5, 5.0, 15.0, 50.0):
        lagged = low_pass(p, time_s, s.step_s)
        columns += [lagged, low_pass(p * p, time_s, s.step_s)]
    return np.column_stack(columns)


def pad_features(change: Array, stretch: Array, step_s: float, asymmetric: bool) -> Array:
    """Sum and differences of the channels, their products with each other and with `stretch`, low-passed differences.

    Shape (n, m).

    `stretch` (n,) is pressure or bend: the pad's gain depends on it.
    """
    unit = change / 0.01
    if unit.shape[1] == 4:  # one sum, two differences and the twist of a 2 x 2 pattern
        unit = unit @ np.array([[1, 1, 1, 1], [1, -1, -1, 1], [1, 1, -1, -1], [1, -1, 1, -1]]).T / 4.0
    total, s = unit[:, [0]], stretch[:, None]
    columns = [
        unit,
        unit * total,
        unit * total**2,
        unit * s,
        unit * s**2,
        unit * total * s,
        unit * total * s**2,
        unit[:, 1:3] ** 2,
    ]
    columns += [unit - low_pass(unit, time_s, step_s) for time_s in (0.03, 0.3)]
    # slow memory of the sum only: of the differences it would learn the order of the bench's shear moves
    columns += [total - low_pass(total, time_s, step_s) for time_s in (2.0, 10.0, 60.0)]
    if asymmetric:  # quick in, slow back: the speed of change, apart for both directions
        smooth = low_pass(unit, 0.008, step_s)
        speed = np.vstack([np.zeros((1, unit.shape[1])), np.diff(smooth, axis=0)]) / step_s
        speed = low_pass(speed, 0.008, step_s)
        inward, outward = np.minimum(speed, 0.0), np.maximum(speed, 0.0)
        columns += [inward, outward, inward * unit, outward * unit]
    return np.column_stack(columns)


def lag_features(s: Signals) -> Array:
    """Channels and pressure now and some time ago, and temperature, shape (n, m); for the black boxes."""
    rows = [max(round(lag / s.step_s), 0) for lag in (0.0, 0.05, 0.2, 0.8, 3.0)]
    columns = [s.warmth[:, None]]
    for shift in rows:
        back = np.maximum(np.arange(len(s.time_s)) - shift, 0)
        columns += [s.change[back], s.pressure[back, None]]
    columns.append(low_pass(s.pressure, 20.0, s.step_s)[:, None])
    return np.column_stack(columns)
