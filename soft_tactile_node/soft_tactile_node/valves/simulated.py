"""A valve that moves nothing: to try a controller beside the node `valve` before there is one."""

from __future__ import annotations

import math

LAG_S = 0.05
"""A regulator of this size follows within about this time (s); an invented one."""


class SimulatedValve:
    """Follows what it is told with a lag of first order.

    Attributes
    ----------
    measured_pa : float
        Its pressure (gauge Pa).
    """

    fault = ""
    """A simulated valve never fails."""

    def __init__(self) -> None:
        self.measured_pa = 0.0
        self._told_s: float | None = None

    def keep(self, gauge_pa: float, limit_pa: float, now_s: float) -> None:
        """Go towards a pressure (gauge Pa), at most to `limit_pa` (gauge Pa), until `now_s` (s)."""
        elapsed_s = 0.0 if self._told_s is None else max(now_s - self._told_s, 0.0)
        self._told_s = now_s
        self.measured_pa += (min(gauge_pa, limit_pa) - self.measured_pa) * -math.expm1(-elapsed_s / LAG_S)

    def close(self) -> None:
        """Vent."""
        self.measured_pa, self._told_s = 0.0, None
