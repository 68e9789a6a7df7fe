"""What bending leaves of each channel: its slow zero and temperature slope, learnt while nothing touches.

    raw = change - free bending,   departure = raw - zero - slope * warming

`zero` is a slow mean. `slope` comes from a small Kalman filter on (walk, slope): the walk drifts by `drift` per square
root of a second, the slope is constant, and the walk is only believed over seconds. Source of the filter: Kalman, J.
Basic Eng. 82 (1960) 35-45.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.estimation.tuning import Tuning
from soft_tactile_node.samples import Array

SETTLE_S = 3.0
"""A free finger tells its walk only when averaged over this long (s)."""

LEARNT = np.dtype(
    [("zero", "f8"), ("slope", "f8"), ("walk", "f8"), ("walk_var", "f8"), ("cross", "f8"), ("slope_var", "f8")]
)
"""What is learnt of one channel: zero (1), temperature slope (1/K), the filter's own walk (1), and their covariance."""


def new_learnt(drift: Array, slope: Array, slope_deviation: Array) -> np.ndarray:
    """Return what is known after a tare by `drift`, `slope` and `slope_deviation` (1/K), shape (c,), as LEARNT."""
    learnt = np.zeros(drift.size, LEARNT)
    learnt["walk_var"] = (SETTLE_S * drift) ** 2
    learnt["slope"] = slope
    learnt["slope_var"] = slope_deviation**2
    return learnt


@compiled
def learn_channel(tuning: Tuning, known: Record, drift: float, raw: float, warm: float, dt: float, learn: bool) -> None:
    """Predict one channel by a scan, and update it with what it reads if nothing touches, in place."""
    known.walk_var += drift * drift * dt
    if not learn or dt <= 0.0:
        return
    to_walk = known.walk_var + known.cross * warm
    to_slope = known.cross + known.slope_var * warm
    total = to_walk + to_slope * warm + (SETTLE_S * drift) ** 2 / dt
    surprise = raw - known.walk - known.slope * warm
    change = to_slope / total * surprise
    known.walk += to_walk / total * surprise
    known.slope += change
    known.walk_var -= to_walk * to_walk / total
    known.cross -= to_walk * to_slope / total
    known.slope_var -= to_slope * to_slope / total
    known.zero -= change * warm
    known.zero += (1.0 - np.exp(-dt / tuning.drift_s)) * (raw - known.slope * warm - known.zero)


@compiled
def departure_rows(
    tuning: Tuning, learnt: np.ndarray, drift: Array, time_s: Array, raw: Array, warm: Array, free: np.ndarray
) -> Array:
    """Return the departures of a recording whose contact is known (n, c); raw without NaN."""
    out = np.zeros(raw.shape)
    free_s = 0.0
    for i in range(raw.shape[0]):
        dt = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        free_s = free_s + dt if free[i] else 0.0
        for k in range(raw.shape[1]):
            known = learnt[k]
            out[i, k] = raw[i, k] - known.zero - known.slope * warm[i]
            learn_channel(tuning, known, drift[k], raw[i, k], warm[i], dt, free_s > tuning.recovery_s)
    return out
