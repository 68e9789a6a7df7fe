"""Watches the reference force during a guided calibration: whether a press was made as asked, and the pad let go."""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.protocol.bench_path import Press
from soft_tactile_node.samples import Array

REACHED = 0.7
"""Share of the wanted normal force that counts as reached (1)."""

PUSHED = 0.6
"""Share of the wanted shear that counts as reached (1)."""

HELD = 0.8
"""Share of the wanted hold that counts as held, above half the force (1)."""

LONG_HOLD_S = 2.0
"""Shorter holds are not checked (s)."""

FREE_SHARE = 0.01
"""Force below this share of the full force counts as let go (1), at least 0.03 N."""

MOST = 2.0
"""More than this times the full force ends the calibration (1)."""

SMOOTHING_S = 0.03
STRAY_S = 0.2


class PressWatch:
    """Judges readings of the force cell.

    Parameters
    ----------
    full_force_n : float
        Highest normal force that is asked for (N).
    """

    def __init__(self, full_force_n: float) -> None:
        self._full_n = full_force_n
        self._free_n = max(FREE_SHARE * full_force_n, 0.03)
        self._time_s = math.nan
        self._count = 0
        self._smooth_n = np.zeros(3)
        self._zero_sum_n = np.zeros(3)
        self._zero_count = 0
        self.zeroing = False
        self.zero_n = np.zeros(3)
        self._stray_since_s = math.inf
        self._press: Press | None = None
        self._forget()

    def __len__(self) -> int:
        return self._count

    @property
    def size_n(self) -> float:
        """Smoothed size of the force (N)."""
        return float(np.linalg.norm(self._smooth_n))

    @property
    def unloaded(self) -> bool:
        """Whether the pad is free now."""
        return self.size_n < self._free_n

    @property
    def seen(self) -> bool:
        """Whether the press was made as asked and let go."""
        if self._press is None or not self.unloaded:
            return False
        push_n = float(np.linalg.norm(self._press.push_n))
        held = self._press.hold_s <= LONG_HOLD_S or self._held_s >= HELD * self._press.hold_s
        return self.most_n >= REACHED * self._press.peak_n and self._push_n >= PUSHED * push_n and held

    def begin_zero(self) -> None:
        """Begin to average the readings of the unloaded cell."""
        self.zeroing = True
        self._zero_sum_n = np.zeros(3)
        self._zero_count = 0

    def end_zero(self) -> None:
        """Take the average as the cell's zero."""
        self.zeroing = False
        if self._zero_count:
            self.zero_n = self._zero_sum_n / self._zero_count
        self._smooth_n = np.zeros(3)

    def begin(self, press: Press) -> None:
        """Wait for `press`."""
        self._press = press
        self._forget()

    def add(self, time_s: float, force_n: Array) -> None:
        """Take a reading.

        Parameters
        ----------
        time_s : float
            When it was taken (s).
        force_n : numpy.ndarray, shape (3,)
            Force on the pad, pad frame (N); NaN is left out.

        Raises
        ------
        CalibrationError
            Far more force than was asked for.
        """
        if not np.isfinite(force_n).all():
            return
        step_s = 0.0 if math.isnan(self._time_s) else max(time_s - self._time_s, 0.0)
        self._time_s = time_s
        self._count += 1
        if self.zeroing:
            self._zero_sum_n += force_n
            self._zero_count += 1
            return
        share = -math.expm1(-step_s / SMOOTHING_S)
        self._smooth_n += share * (force_n - self.zero_n - self._smooth_n)
        if self.size_n > MOST * self._full_n:
            raise CalibrationError(
                f"the force cell reads {self.size_n:.1f} N, more than {MOST:g} times the {self._full_n:g} N asked for; "
                "check the stage"
            )
        self._follow(step_s)

    def strays(self, limit_n: float) -> bool:
        """Return whether more than `limit_n` (N) has been there for a while though nothing was asked for."""
        if self.zeroing or self.size_n < limit_n:
            self._stray_since_s = math.inf
        else:
            self._stray_since_s = min(self._stray_since_s, self._time_s)
        return self._time_s - self._stray_since_s > STRAY_S

    def _forget(self) -> None:
        self.most_n = 0.0
        self._push_n = 0.0
        self._held_s = 0.0

    def _follow(self, step_s: float) -> None:
        self.most_n = max(self.most_n, float(self._smooth_n[2]))
        if self._press is None:
            return
        push = self._press.push_n
        push_n = float(np.linalg.norm(push))
        if push_n > 0.0:
            self._push_n = max(self._push_n, float(self._smooth_n[:2] @ push) / push_n)
        if self._smooth_n[2] > 0.5 * self._press.peak_n:
            self._held_s += step_s
