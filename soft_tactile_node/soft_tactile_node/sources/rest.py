"""Whether a finger rested: vented, its channels still. What begins otherwise cannot be tared."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from soft_tactile_node.samples import Array
from soft_tactile_node.sources.protocol import Reading

REST_PA = 1e3
"""A vented line reads this much at most (Pa gauge)."""

BLOCKS = 10
"""Parts of the stretch whose middles are compared: a pulse is seen as well as a ramp."""

LEAST_MOVE = 1e-4
"""Smallest move of a channel that is called one (1): a third of a light touch; simulated boards drift by 6e-5."""


def what_moves(readings: Sequence[Reading], atmospheric_pa: float = 0.0) -> str:
    """Return in words why a finger was not at rest, by the rule of the tare.

    Parameters
    ----------
    readings : sequence of Reading
        Of the stretch that is to be rest.
    atmospheric_pa : float
        Taken off absolute readings of the pressure (Pa).

    Returns
    -------
    str
        Pressure beyond 1 kPa, and channels that move by more than twice their noise; empty = it rested, or there is too
        little to tell.
    """
    found = []
    gauge = [one.pressure_pa - (atmospheric_pa if one.pressure_is_absolute else 0.0) for one in readings]
    most_pa = max((abs(value) for value in gauge if math.isfinite(value)), default=0.0)
    if most_pa > REST_PA:
        found.append(f"the pressure reads up to {most_pa / 1e3:.1f} kPa")
    coils = np.array([one.scan.inductance_h for one in readings])
    for number, samples in enumerate(coils.T if coils.ndim == 2 else (), start=1):
        move = _move(samples[np.isfinite(samples) & (samples > 0.0)])
        if move > 0.0:
            found.append(f"channel {number} moves by {1e6 * move:.0f} ppm")
    return ", ".join(found)


def _move(samples: Array) -> float:
    """Return how far a channel moves (1); 0 = not beyond its noise, or too few samples."""
    if samples.size < 3 * BLOCKS:
        return 0.0
    blocks = np.array_split(samples / float(np.median(samples)) - 1.0, BLOCKS)
    middles = np.array([float(np.median(block)) for block in blocks])
    rest = np.concatenate([block - middle for block, middle in zip(blocks, middles, strict=True)])
    noise = 1.4826 * float(np.median(np.abs(rest)))
    # six standard errors of a middle: ten of them spread by half as much
    limit = max(LEAST_MOVE, 2.0 * noise) + 6.0 * noise / math.sqrt(samples.size / BLOCKS)
    move = float(np.ptp(middles))
    return move if move > limit else 0.0
