"""How the force of a hold answers the pressure, and how much of it is still to come. No middleware, no clock."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from itertools import pairwise

LAG_S = 0.15
"""What was commanded this long ago is felt: valve, finger and estimator together (s). Longer than most need on purpose:
what may be on its way is not asked for again, and a gain from a rising pressure is rather too high than too low."""

SPACING_S = 0.01
"""Moments nearer than this are not kept (s)."""

FIRST_GAIN_N_PA = 5e-4
"""Gain until one is measured (N/Pa): more than that of soft fingers, so that the first answer is careful."""

LEAST_RISE_PA = 400.0
"""Least rise of pressure that a gain is taken from (Pa)."""

STILL_PA, STILL_S = 50.0, 2.0 * LAG_S
"""A pressure that has moved by less (Pa) for this long (s) stands still, and so does the force."""

LEAST_GAIN_N_PA, MOST_GAIN_N_PA = 2e-5, 2e-3


class ForceAnswer:
    """Measures the gain from pressure to force over each rise of pressure, and predicts with it.

    Attributes
    ----------
    gain_n_pa : float
        Rise of the mean normal force over that of the mean commanded pressure (N/Pa).
    """

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget everything: another object."""
        self.gain_n_pa = FIRST_GAIN_N_PA
        self._moments: deque[tuple[float, float]] = deque()  # time, pressure
        self._base_pa = self._base_n = math.nan  # before the rise

    def add(self, now_s: float, pressure_pa: float, force_n: float) -> None:
        """Take up the mean command `pressure_pa` (Pa) and mean `force_n` (N; NaN gives no gain) at `now_s` (s)."""
        if self._moments and now_s - self._moments[-1][0] < SPACING_S:
            return
        self._moments.append((now_s, pressure_pa))
        while len(self._moments) > 1 and now_s - self._moments[1][0] >= STILL_S:
            self._moments.popleft()
        pressures_pa, felt_pa = [pressure for _, pressure in self._moments], self._felt_pa()
        if not math.isfinite(self._base_n) or max(pressures_pa) - min(pressures_pa) <= STILL_PA:
            self._base_pa, self._base_n = pressure_pa, force_n
        elif felt_pa - self._base_pa >= LEAST_RISE_PA and _rises(pressures_pa) and math.isfinite(force_n):
            gain_n_pa = (force_n - self._base_n) / (felt_pa - self._base_pa)
            self.gain_n_pa = min(max(gain_n_pa, LEAST_GAIN_N_PA), MOST_GAIN_N_PA)

    def coming_n(self, pressure_pa: float) -> float:
        """Return the mean normal force (N) that is still on its way at a mean command of `pressure_pa` (Pa)."""
        return self.gain_n_pa * (pressure_pa - self._felt_pa()) if self._moments else 0.0

    def _felt_pa(self) -> float:
        """Return the newest pressure that is at least as old as the lag, or the oldest there is (Pa)."""
        felt_s = self._moments[-1][0] - LAG_S
        return next((p for time_s, p in reversed(self._moments) if time_s <= felt_s), self._moments[0][1])


def _rises(values: Sequence[float]) -> bool:
    return all(after >= before for before, after in pairwise(values))
