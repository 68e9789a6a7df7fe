"""Hand-built truths and estimates at 500 Hz, ten seconds long, for the scoring tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.recordings import EstimateTable, Truth
from soft_tactile_node.samples import ContactEvent, EventKind

RATE_HZ = 500.0
STEP_S = 1.0 / RATE_HZ


def make_time(duration_s: float = 10.0, rate_hz: float = RATE_HZ) -> NDArray[np.float64]:
    """Return time stamps (s) from zero."""
    return np.arange(round(duration_s * rate_hz)) / rate_hz


def between(time_s: NDArray[np.float64], *stretches: tuple[float, float]) -> NDArray[np.bool_]:
    """Tell which rows lie in one of the stretches (s), begins included, ends not; both on the grid of rows."""
    inside = np.zeros(len(time_s), dtype=bool)
    for begin, end in stretches:
        inside |= (time_s > begin - 1e-6) & (time_s < end - 1e-6)
    return inside


def make_truth(
    *touches: tuple[float, float, float], slips: tuple[tuple[float, float], ...] = (), duration_s: float = 10.0
) -> Truth:
    """Return a truth with constant normal forces: (begin s, end s, N) each."""
    time_s = make_time(duration_s)
    force = np.zeros((len(time_s), 3))
    for begin, end, newton in touches:
        force[between(time_s, (begin, end)), 2] = newton
    return Truth(time_s, force, np.zeros(len(time_s)), force[:, 2] > 0, between(time_s, *slips))


def make_estimate(
    truth: Truth,
    *reports: tuple[float, float],
    error_n: float | NDArray[np.float64] = 0.0,
    sigma_n: float = 0.02,
    flagged: tuple[tuple[float, float], ...] = (),
) -> EstimateTable:
    """Return an estimate of the truth that reports contact in the given stretches (s)."""
    time_s = truth.time_s
    return EstimateTable(
        time_s=time_s,
        force_n=truth.force_n + error_n,
        force_variance_n2=np.full((len(time_s), 3), sigma_n**2),
        contact_probability=np.zeros(len(time_s)),
        in_contact=between(time_s, *reports),
        bend_rad=np.zeros(len(time_s)),
        flags=between(time_s, *flagged).astype(np.int64) * 64,
    )


def make_slip_event(time_s: float) -> ContactEvent:
    """Return a slip event."""
    return ContactEvent(time_s, time_s, EventKind.SLIP, 1, np.zeros(3), 1.0)
