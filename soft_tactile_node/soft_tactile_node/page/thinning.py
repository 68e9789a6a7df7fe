"""Signals thinned for a screen: smallest and largest value of each column of pixels, as bytes for the browser."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.page.ring import Ring

COLUMNS = 480
"""Columns of a chart, whatever its span."""


class Thinner:
    """Follows one ring for one browser.

    Parameters
    ----------
    finger : int
        Number of the finger, handed on (1).
    ring : Ring
        What its process writes.
    span_s : float
        What the chart shows (s).
    """

    def __init__(self, finger: int, ring: Ring, span_s: float) -> None:
        self._finger, self._ring = finger, ring
        self._column_s = span_s / COLUMNS
        self._next = ring.first_since(ring.last_s - span_s)

    def take(self) -> bytes:
        """Return the columns that are new or have grown since the last call; empty = none.

        Returns
        -------
        bytes
            Little endian: finger, channels, columns n and signals m as uint32, the n numbers of the columns as int32,
            then n x m pairs of smallest and largest value as float32; NaN where nothing is known.
        """
        first, time_s, rows = self._ring.read(self._next)
        if not time_s.size:
            return b""
        column = np.floor(time_s / self._column_s).astype(np.int32)
        starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
        pairs = np.stack([np.fmin.reduceat(rows, starts), np.fmax.reduceat(rows, starts)], axis=-1)
        self._next = first + int(starts[-1])  # the last column may grow and is sent again then
        head = np.array([self._finger, self._ring.channels, starts.size, rows.shape[1]], dtype="<u4")
        return head.tobytes() + column[starts].astype("<i4").tobytes() + pairs.astype("<f4").tobytes()
