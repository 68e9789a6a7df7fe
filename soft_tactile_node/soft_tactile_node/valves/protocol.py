"""What the node `valve` needs of a valve: a driver of your own has these four members."""

from __future__ import annotations

from typing import Protocol


class ValveDriver(Protocol):
    """A valve that keeps a pressure, and vents by itself when nobody talks to it."""

    @property
    def fault(self) -> str:
        """What is wrong, in one sentence that says what to do; empty = nothing."""

    @property
    def measured_pa(self) -> float:
        """Pressure the valve measures (gauge Pa); NaN = not known."""

    def keep(self, gauge_pa: float, limit_pa: float, now_s: float) -> None:
        """Have a pressure kept: called at a steady rate, changed or not, for the valve takes it as a heartbeat.

        Parameters
        ----------
        gauge_pa : float
            Pressure to keep (gauge Pa).
        limit_pa : float
            What the valve must never exceed (gauge Pa).
        now_s : float
            Steady time (s).
        """

    def close(self) -> None:
        """Vent as well as it can and let go of the valve."""
