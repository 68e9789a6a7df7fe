"""The last minutes of a finger in shared memory: its process writes, the server reads, neither waits for the other."""

from __future__ import annotations

from collections.abc import Sequence
from multiprocessing.context import SpawnContext
from typing import Any

import numpy as np
from numpy.typing import NDArray

from soft_tactile_node.samples import MAX_CHANNELS, Array

ROWS = 1 << 17
"""Scans kept: two minutes at 1 kHz."""

SAFETY_ROWS = 1 << 10
"""Oldest rows that are not handed out, because they may be written over meanwhile."""

PARTS = ("raw", "bending", "contact")
"""Signals there is one of for each channel: inductance (H), and the split change (1)."""

VALUES = (
    "force_x", "force_y", "force_z", "sigma_x", "sigma_y", "sigma_z",
    "probability", "in_contact", "bend", "pressure",
)  # fmt: skip
"""Signals of the whole finger: N, their standard deviations, 1, 1, rad, gauge Pa."""

WIDTH = len(PARTS) * MAX_CHANNELS + len(VALUES)


class Ring:
    """Rows of signals with their times; one writer, any number of readers.

    Times never fall. A row holds `PARTS` of each channel, part by part, then `VALUES`; NaN = not known.

    Parameters
    ----------
    context : multiprocessing.context.SpawnContext
        Context of the process that writes.
    """

    def __init__(self, context: SpawnContext) -> None:
        self._counts: Any = context.RawArray("q", 2)  # rows ever written, channels
        self._time: Any = context.RawArray("d", ROWS)
        self._table: Any = context.RawArray("f", ROWS * WIDTH)
        self._views()

    def __getstate__(self) -> tuple[Any, Any, Any]:
        return self._counts, self._time, self._table

    def __setstate__(self, state: tuple[Any, Any, Any]) -> None:
        self._counts, self._time, self._table = state
        self._views()

    def _views(self) -> None:
        self._time_s = np.frombuffer(self._time, dtype=np.float64)
        self._rows = np.frombuffer(self._table, dtype=np.float32).reshape(ROWS, WIDTH)

    @property
    def written(self) -> int:
        """Rows ever written."""
        return int(self._counts[0])

    @property
    def channels(self) -> int:
        """Channels of the finger; 0 before the first row."""
        return int(self._counts[1])

    @property
    def last_s(self) -> float:
        """Time of the newest row (s); 0 before the first."""
        return float(self._time_s[(self.written - 1) % ROWS]) if self.written else 0.0

    def add(self, time_s: float, channels: int, values: Sequence[float]) -> None:
        """Write a row.

        Parameters
        ----------
        time_s : float
            Its time (s), not before that of the last row.
        channels : int
            Channels of the finger (1).
        values : sequence of float
            `signal_count(channels)` numbers, see Ring.
        """
        row = int(self._counts[0]) % ROWS
        self._time_s[row] = time_s
        self._rows[row, : len(values)] = values
        self._counts[1] = channels
        self._counts[0] += 1  # last: a reader trusts what is below the count

    def read(self, first: int) -> tuple[int, Array, NDArray[np.float32]]:
        """Return the rows from a number on.

        Parameters
        ----------
        first : int
            Number of the first row wanted, counted from the start; rows that are no longer kept are left out.

        Returns
        -------
        first : int
            Number of the first row there is.
        time_s : numpy.ndarray, shape (n,)
            Times (s).
        rows : numpy.ndarray, shape (n, signal_count(c))
            Signals, in the units of `PARTS` and `VALUES`.
        """
        stop = self.written
        first = min(max(first, stop - ROWS + SAFETY_ROWS, 0), stop)
        index = np.arange(first, stop) % ROWS
        return first, self._time_s[index], self._rows[index, : signal_count(self.channels)]

    def first_since(self, time_s: float) -> int:
        """Return the number of the first row at `time_s` (s) or later."""
        first, times, _ = self.read(0)
        return first + int(np.searchsorted(times, time_s))


def signal_count(channels: int) -> int:
    """Return how many numbers the row of a finger with so many channels holds (1)."""
    return len(PARTS) * channels + len(VALUES)
