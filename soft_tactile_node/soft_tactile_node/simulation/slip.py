"""When the pad slides on the object, by the definition of the truth tables."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at

SLIP_SPEED_M_S = 1.0e-3
SLIP_FORCE_N = 0.03
SLIP_WINDOW_S = 0.02


def slip_flags(states: Array, scan_s: float) -> NDArray[np.bool_]:
    """Return where the pad slides: faster than 1 mm/s (mean of the last 20 ms) under at least 0.03 N.

    Parameters
    ----------
    states : numpy.ndarray, shape (n, s)
        States of one finger.
    scan_s : float
        Scan period (s).

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        True while it slides.
    """
    window = SlipWindow(scan_s)
    force = np.sqrt(np.sum(states[:, at.FORCE_X : at.FORCE_Z + 1] ** 2, axis=1))
    return np.array(
        [
            window.slides(way, load)
            for way, load in zip(states[:, at.SLIP_DISTANCE].tolist(), force.tolist(), strict=True)
        ],
        dtype=np.bool_,
    )


class SlipWindow:
    """The same, scan by scan.

    Parameters
    ----------
    scan_s : float
        Scan period (s).
    """

    def __init__(self, scan_s: float) -> None:
        width = max(1, round(SLIP_WINDOW_S / scan_s))
        self._span_s = width * scan_s
        self._ways: deque[float] = deque([0.0] * width, maxlen=width)

    def slides(self, distance_m: float, force_n: float) -> bool:
        """Return whether the pad slides now: `distance_m` since the last scan (m) under a force of `force_n` (N)."""
        self._ways.append(distance_m)
        return sum(self._ways) / self._span_s > SLIP_SPEED_M_S and force_n >= SLIP_FORCE_N
