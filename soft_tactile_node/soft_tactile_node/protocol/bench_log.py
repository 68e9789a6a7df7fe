"""What a guided calibration records: scans as they come, pressure and references on clocks of their own."""

from __future__ import annotations

from array import array
from collections.abc import Sequence

import numpy as np

from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Array, Scan


class Track:
    """Readings of one quantity with their stamps.

    Parameters
    ----------
    width : int
        Numbers in one reading (1).
    """

    def __init__(self, width: int = 1) -> None:
        self._width = width
        self._time_s = array("d")
        self._values = array("d")

    def __len__(self) -> int:
        return len(self._time_s)

    def add(self, time_s: float, values: Sequence[float]) -> None:
        """Keep the reading of `time_s` (s): `values`, `width` numbers in any unit."""
        self._time_s.append(time_s)
        self._values.extend(float(value) for value in values)

    def merged(self, time_s: Array) -> Array:
        """Return the readings beside scans, by the rule that also merges pressure live.

        Parameters
        ----------
        time_s : numpy.ndarray, shape (n,)
            Stamps of the scans (s).

        Returns
        -------
        numpy.ndarray, shape (n, width)
            Newest reading not younger than the scan that no scan before it got (unit as given); NaN = none is new.
        """
        stamps = np.array(self._time_s)
        order = np.argsort(stamps, kind="stable")
        newest = np.maximum.accumulate(np.searchsorted(stamps[order], time_s, side="right") - 1)
        is_new = np.diff(newest, prepend=-1) > 0
        out = np.full((len(time_s), self._width), np.nan)
        out[is_new] = np.array(self._values).reshape(-1, self._width)[order[newest[is_new]]]
        return out


class BenchLog:
    """One recording in the making.

    Parameters
    ----------
    channels : int
        Coil channels.
    """

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._scans = array("d")
        self._loss: array[float] | None = array("d")
        self._acceleration: array[float] | None = array("d")
        self.pressure_pa = Track()
        self.force_n = Track(3)
        self.bend_rad = Track()

    @property
    def scans(self) -> int:
        """Number of scans so far."""
        return len(self._scans) // (2 + self._channels)

    def add_scan(self, scan: Scan) -> None:
        """Keep `scan`; loss and acceleration are kept only if every scan has them."""
        self._scans.extend((scan.time_s, scan.temperature_c, *scan.inductance_h.tolist()))
        self._loss = _extended(self._loss, scan.loss_ohm)
        self._acceleration = _extended(self._acceleration, scan.acceleration_m_s2)

    def recording(self, source: str, *, atmospheric_pa: float = 0.0, zero_n: Array | None = None) -> Recording:
        """Return what was recorded.

        Parameters
        ----------
        source : str
            Name for messages and for the calibration's list of sources.
        atmospheric_pa : float
            Taken off the pressure readings (Pa); 0 where they are gauge.
        zero_n : numpy.ndarray, shape (3,), optional
            Reading of the unloaded force cell (N), taken off; None = no force column.

        Returns
        -------
        Recording
            Times count from the first scan; a bend column only if there were readings of it.
        """
        table = np.array(self._scans).reshape(-1, 2 + self._channels)
        time_s = table[:, 0]
        return Recording(
            time_s=np.round(time_s - time_s[0], 9),
            pressure_pa=self.pressure_pa.merged(time_s)[:, 0] - atmospheric_pa,
            inductance_h=table[:, 2:],
            temperature_c=table[:, 1],
            loss_ohm=None if not self._loss else np.array(self._loss).reshape(-1, self._channels),
            acceleration_m_s2=None if not self._acceleration else np.array(self._acceleration).reshape(-1, 3),
            force_n=None if zero_n is None else self.force_n.merged(time_s) - zero_n,
            bend_rad=self.bend_rad.merged(time_s)[:, 0] if len(self.bend_rad) else None,
            source=source,
        )


def _extended(column: array[float] | None, values: Array | None) -> array[float] | None:
    """Return a column with one more reading, or None as soon as one is missing."""
    if column is None or values is None:
        return None
    column.extend(values.tolist())
    return column
