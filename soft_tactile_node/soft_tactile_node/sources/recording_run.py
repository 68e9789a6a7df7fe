"""Records a source: the first second settles what there is to record and where gauge pressure begins."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.errors import SourceError
from soft_tactile_node.recordings import Layout, RecordingWriter
from soft_tactile_node.sources.protocol import Reading, Source
from soft_tactile_node.sources.rest import what_moves

FIRST_S = 1.0
"""Scans are held back this long: they show what the device sends, and the vented pressure (s)."""

LEAST_VENTED_PA, MOST_VENTED_PA = 50e3, 110e3
"""No vented line on Earth reads anything else (Pa absolute)."""

READ_S = 0.1


@dataclass
class RecordSummary:
    """What was recorded.

    Attributes
    ----------
    rows, channels : int
        Scans, and coils of each.
    duration_s : float
        From the first scan to the last (s).
    atmospheric_pa : float
        What absolute pressure was taken to be gauge from (Pa); NaN = the source gives gauge pressure.
    not_at_rest : str
        What moved in the first second, which is the tare of the recording; empty if nothing did.
    complaint : str
        Why it ended early, or what could not be recorded; empty if all is well.
    """

    rows: int = 0
    channels: int = 0
    duration_s: float = 0.0
    atmospheric_pa: float = math.nan
    not_at_rest: str = ""
    complaint: str = ""


def vented_pressure(readings: list[Reading]) -> float:
    """Return the absolute pressure of the vented line.

    Parameters
    ----------
    readings : list of Reading
        While the finger is vented.

    Returns
    -------
    float
        Mean of the absolute readings (Pa); NaN if there are none.

    Raises
    ------
    SourceError
        The mean is none of a vented line.
    """
    given = [r.pressure_pa for r in readings if r.pressure_is_absolute and math.isfinite(r.pressure_pa)]
    if not given:
        return math.nan
    mean_pa = float(np.mean(given))
    if mean_pa < LEAST_VENTED_PA:
        raise SourceError(
            f"pressure must be absolute, as the device says; got {mean_pa:.0f} Pa while vented: looks like gauge "
            "pressure, let the device say so"
        )
    if mean_pa > MOST_VENTED_PA:
        raise SourceError(
            f"the first second must be vented, <= {MOST_VENTED_PA:g} Pa absolute; got {mean_pa:.0f} Pa: vent the "
            "finger, or give the atmospheric pressure"
        )
    return mean_pa


class Recorder:
    """Takes readings and writes rows; time starts at 0 with the first scan.

    Parameters
    ----------
    writer : RecordingWriter
        Not started yet.
    atmospheric_pa : float
        Absolute pressure of the vented line (Pa); NaN = mean of the first second.
    """

    def __init__(self, writer: RecordingWriter, atmospheric_pa: float = math.nan) -> None:
        self._writer = writer
        self._held: list[Reading] | None = []
        self._layout = Layout(0)
        self._first_s = 0.0
        self.summary = RecordSummary(atmospheric_pa=atmospheric_pa)

    def add(self, readings: list[Reading]) -> None:
        """Record readings.

        Parameters
        ----------
        readings : list of Reading
            The next ones.

        Raises
        ------
        SourceError
            Absolute pressure that cannot be told from gauge.
        RecordingError
            The disk is full.
        """
        if self._held is None:
            for reading in readings:
                self._write(reading)
            return
        self._held += readings
        if self._held and self._held[-1].scan.time_s - self._held[0].scan.time_s >= FIRST_S:
            self.settle()

    def settle(self) -> None:
        """Write what is held back, as at the end of a short recording; errors as in `add`."""
        held, self._held = self._held, None
        if not held:
            return
        first_s = held[0].scan.time_s
        first = [one for one in held if one.scan.time_s < first_s + FIRST_S]
        if math.isnan(self.summary.atmospheric_pa):
            self.summary.atmospheric_pa = vented_pressure(first)
        self.summary.not_at_rest = what_moves(first, self.summary.atmospheric_pa)
        scans = [reading.scan for reading in held]
        self._first_s = first_s
        self._layout = Layout(
            channels=scans[0].inductance_h.size,
            temperature=any(math.isfinite(scan.temperature_c) for scan in scans),
            loss=any(scan.loss_ohm is not None for scan in scans),
            acceleration=any(scan.acceleration_m_s2 is not None for scan in scans),
            atmospheric_pa=self.summary.atmospheric_pa,
        )
        self.summary.channels = self._layout.channels
        self._writer.start(self._layout)
        for reading in held:
            self._write(reading)

    def complain(self, text: str) -> None:
        """Add `text` to what is not as it should be, once."""
        said = self.summary.complaint
        if text not in said:
            self.summary.complaint = f"{said}; {text}" if said else text

    def _write(self, reading: Reading) -> None:
        scan, summary = reading.scan, self.summary
        pressure_pa = reading.pressure_pa - (summary.atmospheric_pa if reading.pressure_is_absolute else 0.0)
        time_s = round(scan.time_s - self._first_s, 9)
        shifted = type(scan)(time_s, scan.inductance_h, scan.temperature_c, scan.loss_ohm, scan.acceleration_m_s2)
        self._writer.add(shifted, pressure_pa)
        summary.rows += 1
        summary.duration_s = time_s
        late = [
            name
            for name, has, came in (
                ("temperature", self._layout.temperature, math.isfinite(scan.temperature_c)),
                ("loss", self._layout.loss, scan.loss_ohm is not None),
            )
            if came and not has
        ]
        if late:
            what = " and ".join(late)
            self.complain(f"{what} came only after the first second and is not recorded; start when it comes")


def record(
    source: Source,
    recorder: Recorder,
    *,
    duration_s: float = math.inf,
    patience_s: float = 10.0,
    progress: Callable[[RecordSummary, str], None] = lambda _summary, _fault: None,
    clock: Callable[[], float] = time.monotonic,
) -> RecordSummary:
    """Record an open source until it ends, has been recorded for long enough, or is silent for too long.

    Parameters
    ----------
    source : Source
        Open.
    recorder : Recorder
        Takes the readings; left for the caller to finish.
    duration_s : float
        Time to record (s), by the stamps.
    patience_s : float
        Longest silence (s).
    progress : callable
        Told after each read how much there is, and what is wrong with the source.
    clock : callable
        Steady clock (s).

    Returns
    -------
    RecordSummary
        `complaint` says why it ended early.
    """
    heard_s = clock()
    first_s = math.nan
    while not source.ended:
        readings = source.read(READ_S)
        if readings:
            heard_s = clock()
            first_s = readings[0].scan.time_s if math.isnan(first_s) else first_s
            wanted = [reading for reading in readings if reading.scan.time_s - first_s < duration_s]
            recorder.add(wanted)
            if len(wanted) < len(readings):
                break
        elif clock() - heard_s > patience_s:
            recorder.complain(source.fault or f"{source.name}: nothing came for {patience_s:g} s")
            break
        progress(recorder.summary, "" if source.ended else source.fault)
    recorder.settle()
    return recorder.summary
