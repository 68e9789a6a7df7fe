"""Do the recordings fit physics and each other: units, the same finger, the same order of channels.

The limits are wide: they catch another unit, another finger or exchanged plugs, not a poor finger.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from soft_tactile_node.calibration.base_fit import BaseFit, fill_gaps
from soft_tactile_node.calibration.contamination import without_temperature
from soft_tactile_node.calibration.judgement import MOST_FORCE_N
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press import find_unloaded, smooth_force
from soft_tactile_node.calibration.record import Figure
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.estimation.tare import EXCHANGED, find_exchanged
from soft_tactile_node.samples import Array

SETTLED_S = 2.0
"""Rows of a press recording count as free this long after a contact: the pad recovers first (s)."""

LEAST_BENDING = 0.1
"""Bending in the presses counts as at least this share of that in the free bend: drift is no bending (1)."""

OTHER_FINGER = 0.7
"""Bending in the presses that is left unexplained by another finger or unit (1); simulated fingers stay below 0.31."""

KILO = 1000.0


def check_force_unit(pressed: Sequence[Prepared]) -> None:
    """Refuse presses that no soft pad carries: a force in another unit.

    Parameters
    ----------
    pressed : sequence of Prepared
        Press recordings.

    Raises
    ------
    CalibrationError
        Names the recording, its largest force and what was probably meant.
    """
    for item in pressed:
        most_n = float(np.quantile(smooth_force(item)[:, 2], 0.9995))
        if most_n > MOST_FORCE_N:
            raise CalibrationError(
                f"{item.source}, column force_z_n: presses reach {most_n:.0f} N, more than the {MOST_FORCE_N:g} N a "
                f"soft pad carries; give newtons ({most_n:.0f} grams-force would be {most_n * 9.80665e-3:.1f} N)"
            )


def check_same_finger(free: Sequence[Prepared], pressed: Sequence[Prepared], base: BaseFit) -> dict[str, Figure]:
    """Refuse press recordings of another finger, another unit of pressure or another order of channels.

    While nothing presses, the bending in a press recording must be what the free-bend model says of its pressure, and
    the channels must rest where they rest in the free-bend recordings.

    Parameters
    ----------
    free, pressed : sequence of Prepared
        Free-bend and press recordings, tared.
    base : BaseFit
        The free-bend model.

    Returns
    -------
    dict of str to Figure
        `press_bending` and `tare_shift`, the worst over the recordings.

    Raises
    ------
    CalibrationError
        Names the recording and what is probably wrong with it.
    """
    rest = np.mean([item.tare_inductance_h for item in free], axis=0)
    least = LEAST_BENDING * float(np.sqrt(np.mean([_spread(base.bending(item)) for item in free])))
    unexplained, shift = 0.0, 0.0
    for item in pressed:
        rows = _settled(item)
        bending, change = base.bending(item)[rows], fill_gaps(item.change)[rows]
        change = bending + without_temperature(change - bending, item.temperature_change[rows])
        left = _left(change, bending, least)
        moved = item.tare_inductance_h / rest - 1.0
        _check_pressure_unit(item, base.scale_pa, left)
        _check_order(item, rest, change, bending, least)
        if left > OTHER_FINGER:
            raise CalibrationError(
                f"{item.source}: bends otherwise than the free-bend recordings say: while nothing presses, "
                f"{100 * left:.0f} % of the bending is not explained; use recordings of one finger, with its "
                "channels in one order"
            )
        unexplained, shift = max(unexplained, left), max(shift, float(np.abs(moved).max()))
    return {
        "press_bending": Figure(
            value=float(f"{100 * unexplained:.3g}"),
            unit="%",
            definition="bending of the unloaded press recordings that the free-bend model does not explain",
        ),
        "tare_shift": Figure(
            value=float(f"{100 * shift:.3g}"),
            unit="%",
            definition="largest difference of a channel at rest between press and free-bend recordings",
        ),
    }


def _settled(item: Prepared) -> Array:
    """Return the rows on which nothing has pressed for a while, tare left out."""
    complete = np.isfinite(item.change).all(axis=1)
    unloaded = np.logical_and(find_unloaded(item.time_s, smooth_force(item)), complete)
    last = np.maximum.accumulate(np.where(unloaded, -np.inf, item.time_s))
    rows = unloaded & (item.time_s - last > SETTLED_S) & (item.time_s > item.time_s[0] + 1.0)
    # a recording without long rests still has the rests it has
    return np.asarray(rows if rows.sum() > 100 else unloaded)


def _spread(values: Array) -> float:
    """Return the mean square about the mean, summed over channels."""
    return float(np.mean(((values - values.mean(axis=0)) ** 2).sum(axis=1)))


def _left(change: Array, bending: Array, least: float) -> float:
    """Return the share of the bending that the model leaves unexplained, as rms (1)."""
    return float(np.sqrt(_spread(change - bending) / max(_spread(bending), least**2, 1e-24)))


def _check_pressure_unit(item: Prepared, scale_pa: float, left: float) -> None:
    most_pa = float(np.quantile(item.pressure_pa, 0.999))
    if left > OTHER_FINGER and 0.3 < most_pa * KILO / scale_pa < 3.0:
        raise CalibrationError(
            f"{item.source}, column pressure_pa: reaches {most_pa:.3g} Pa where the free-bend recordings reach "
            f"{scale_pa:.0f} Pa, and the finger bends as far; give pascals, not kilopascals"
        )


def _check_order(item: Prepared, rest: Array, change: Array, bending: Array, least: float) -> None:
    """Refuse recordings that fit much better with two channels exchanged, at rest or bent."""
    pair = find_exchanged(item.tare_inductance_h, rest)
    left = _left(change, bending, least)
    for a, b in combinations(range(rest.size), 2) if pair is None and left > OTHER_FINGER else ():
        order = np.arange(rest.size)
        order[[a, b]] = b, a
        if _left(change[:, order], bending, least) < EXCHANGED * left:
            pair = (a + 1, b + 1)
    if pair is not None:
        raise CalibrationError(
            f"{item.source}: channels {pair[0]} and {pair[1]} are exchanged against the free-bend recordings; put the "
            "columns in one order"
        )
