"""Faults put into a good recording: a channel open, stuck or spiking; pressure that drops out or reads zero."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from soft_tactile_node.recordings import Recording

FAULTS = ("channel_open", "channel_stuck", "channel_spiking", "pressure_dropout", "pressure_zero")


def put_fault(
    recording: Recording, kind: str, windows_s: tuple[tuple[float, float], ...], rng: np.random.Generator
) -> Recording:
    """Return the recording with a fault inside the windows; the windows are in seconds of the recording.

    The channel is drawn at random for each window. `channel_open` gives missing values in the first window and a far
    value (the tank runs on its stray capacitance alone) in the others.
    """
    coils, pressure = recording.inductance_h.copy(), recording.pressure_pa.copy()
    for k, (start, end) in enumerate(windows_s):
        inside = (recording.time_s >= start) & (recording.time_s < end)
        channel = int(rng.integers(recording.channels))
        rows = np.flatnonzero(inside)
        if kind == "channel_open":
            coils[rows, channel] = (
                np.nan if k == 0 else 25.0 * coils[rows[0], channel] * (1.0 + 0.01 * rng.normal(size=len(rows)))
            )
        elif kind == "channel_stuck":
            coils[rows, channel] = coils[rows[0], channel]
        elif kind == "channel_spiking":
            hit = rows[rng.random(len(rows)) < 0.08]
            coils[hit, channel] *= 1.0 + rng.choice([-1.0, 1.0], len(hit)) * np.exp(
                rng.uniform(np.log(0.03), np.log(0.6), len(hit))
            )
        elif kind == "pressure_dropout":
            pressure[rows] = np.nan
        elif kind == "pressure_zero":
            read = rows[np.isfinite(pressure[rows])]
            pressure[read] = np.round(rng.normal(0.0, 20.0, len(read)) / 20.0) * 20.0
        else:
            raise ValueError(f"kind must be one of {FAULTS}; got {kind}")
    return replace(recording, pressure_pa=pressure, inductance_h=coils)
