"""Steel beside a pad: half the effect of a half-space at the edge's distance, tabulated for one coil."""

from __future__ import annotations

from functools import partial

import numpy as np

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.eddy_layers import Layer, SheetCoil, impedance_change
from soft_tactile_node.physics.spiral import SpiralCoil
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation.spline_table import spline_1d, spline_coefficients
from soft_tactile_node.simulation.table_cache import cached_table

NONE_M = 0.5
"""An edge this far away is none (m)."""

_LID = (2.0e-3, 42.0e-3, 41)


def _build(coil: SpiralCoil, frequency_hz: float, height_m: float) -> Array:
    # tinplate, cold-worked and magnetised little by the coil's weak field (invented)
    steel = Layer(conductivity_s_m=7.0e6, relative_permeability=20.0)
    changes = []
    for away in np.linspace(*_LID):
        winding = SheetCoil(coil.inner_radius_m, coil.outer_radius_m, away, away + height_m, coil.total_turns)
        changes.append(impedance_change(winding, steel, frequency_hz))
    return np.stack([spline_coefficients(column) for column in np.array(changes).T])


def load_lid_tables(coil: SpiralCoil, frequency_hz: float, height_m: float) -> tuple[Array, Array]:
    """Return what a steel half-space does to a coil, from the user's cache where it exists.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    frequency_hz : float
        Frequency (Hz).
    height_m : float
        Height of the winding (m).

    Returns
    -------
    tuple of numpy.ndarray, shape (k,)
        Splines of the change of inductance (H) and of loss (ohm), for `lid_change`.
    """
    key = (coil, frequency_hz, height_m, _LID, 4)
    lid = cached_table("steel-lid", key, (2, _LID[2] + 2), partial(_build, coil, frequency_hz, height_m))
    return np.ascontiguousarray(lid[0]), np.ascontiguousarray(lid[1])


@compiled
def lid_change(lid_h: Array, lid_ohm: Array, away_m: float, work: Array) -> tuple[float, float]:
    """Return the change of inductance (H) and loss (ohm) by steel whose edge is so far away; `work` is scratch."""
    step = (away_m - _LID[0]) / (_LID[1] - _LID[0]) * (_LID[2] - 1)
    fade = 1.0 if away_m < _LID[1] else (_LID[1] / away_m) ** 3
    return 0.5 * fade * spline_1d(lid_h, step, work), 0.5 * fade * fade * spline_1d(lid_ohm, step, work)
