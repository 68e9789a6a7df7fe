"""Scans from a recording or from the simulated finger, at the pace they were taken or as fast as they are read."""

from __future__ import annotations

import math
import time
from abc import abstractmethod
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from soft_tactile_node.errors import SourceError
from soft_tactile_node.recordings import Recording, load_recording
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources.kinds import MakeOptions, Setting, SourceKind, SourceName
from soft_tactile_node.sources.protocol import Counters, Reading

MOST_AT_ONCE = 500
"""Rows handed out by one read."""

LONGEST_NAP_S = 0.01
"""The clock is looked at again after this at the latest, for it may not be the one of the wall (s)."""

CLOCK_JUMP_S = 5.0
"""A clock this far from where it should be was set: the recording goes on from there (s)."""

LONGEST_GAP_S = 3600.0
"""A recording may pause for this long; more is a slip of its stamps (s)."""


class RecordedSource:
    """Plays a recording.

    Parameters
    ----------
    name : str
        How the source is named.
    load : callable
        Returns the recording; called by the first `open`.
    clock : callable
        Clock to pace by and to stamp with (s).
    paced : bool
        True hands each row out when it is due: `time_s` of its first row is the moment of opening, on `clock`. False
        hands rows out as fast as they are read, with their stamps as recorded.
    sleep : callable
        Waits for a time (s).
    """

    def __init__(
        self,
        name: str,
        load: Callable[[], Recording],
        *,
        clock: Callable[[], float] = time.time,
        paced: bool = True,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.name = name
        self.counters = Counters()
        self._load, self._clock, self._paced, self._sleep = load, clock, paced, sleep
        self._recording: Recording | None = None
        self._is_open = False
        self._row = 0
        self._shift_s = 0.0

    @property
    def fault(self) -> str:
        """Says when it has come to its end."""
        return f"{self.name}: has come to its end; open it again" if self.ended else ""

    @property
    def ended(self) -> bool:
        """Whether all rows have been handed out."""
        return self._recording is not None and self._row >= len(self._recording)

    def open(self) -> None:
        """Load the recording and start at its first row.

        Raises
        ------
        RecordingError
            It cannot be read.
        SourceError
            Its stamps leave a gap of an hour or more, which nobody would wait for.
        """
        if self._recording is None:
            recording = self._load()
            gap_s = float(np.max(np.diff(recording.time_s), initial=0.0))
            if self._paced and gap_s > LONGEST_GAP_S:
                raise SourceError(f"{self.name}: time_s leaves a gap of {gap_s:.0f} s; cut the recording there")
            self._recording = recording
        self._row = 0
        self._shift_s = self._clock() - float(self._recording.time_s[0]) if self._paced else 0.0
        self._is_open = True

    def read(self, timeout_s: float) -> list[Reading]:
        """Return the rows due within `timeout_s` (s), in order; SourceError where it is not open."""
        recording = self._recording
        if recording is None or not self._is_open:
            raise SourceError(f"{self.name}: is not open")
        if self.ended:
            self._sleep(timeout_s)
            return []
        if not self._paced:
            rows = range(self._row, min(self._row + MOST_AT_ONCE, len(recording)))
        else:
            self._follow_clock(recording)
            rows = self._due(recording)
        if not rows:
            missing_s = self._due_s(recording, self._row) - self._clock()
            self._sleep(max(min(timeout_s, missing_s, LONGEST_NAP_S), 0.0))
            rows = self._due(recording)
        self._row = rows.stop
        self.counters.scans += len(rows)
        return [self._reading(recording, row) for row in rows]

    def close(self) -> None:
        """Stop."""
        self._is_open = False

    def _due_s(self, recording: Recording, row: int) -> float:
        """Return when a row is due, on the clock."""
        return float(recording.time_s[row]) + self._shift_s

    def _follow_clock(self, recording: Recording) -> None:
        """Go on from where the clock is when it was set, as a simulated one is when it starts."""
        late_s = self._clock() - self._due_s(recording, self._row)
        before_s = float(recording.time_s[self._row] - recording.time_s[max(self._row - 1, 0)])
        if late_s > CLOCK_JUMP_S:
            self._shift_s += late_s
        elif -late_s > max(before_s, 0.0) + CLOCK_JUMP_S:
            self._shift_s += late_s + max(before_s, 0.0)

    def _due(self, recording: Recording) -> range:
        now_s = self._clock()
        stop = self._row
        while stop < len(recording) and stop - self._row < MOST_AT_ONCE and self._due_s(recording, stop) <= now_s:
            stop += 1
        return range(self._row, stop)

    def _reading(self, recording: Recording, row: int) -> Reading:
        loss, acceleration = recording.loss_ohm, recording.acceleration_m_s2
        scan = Scan(
            time_s=self._due_s(recording, row),
            inductance_h=recording.inductance_h[row].copy(),
            temperature_c=float(recording.temperature_c[row]),
            loss_ohm=None if loss is None else loss[row].copy(),
            acceleration_m_s2=None if acceleration is None else acceleration[row].copy(),
        )
        pressure_pa = float(recording.pressure_pa[row])
        return Reading(scan, row, pressure_pa if math.isfinite(pressure_pa) else math.nan)


class Played(SourceKind):
    """A kind of source that plays a whole recording."""

    @abstractmethod
    def load(self, target: str) -> Recording:
        """Return all that `target` names; RecordingError says file, row and column."""

    def make(self, name: SourceName, options: MakeOptions) -> RecordedSource:
        """Return the player of `name` at the pace and on the clock of `options`."""
        return RecordedSource(str(name), lambda: self.load(name.target), clock=options.clock, paced=options.paced)


class RecordingFile(Played):
    """Source `recording:FILE`."""

    settings = (Setting("recording_file", "", "Recording to play at its own pace (source `recording`)."),)
    opened_to_check = True
    not_led = "a recording cannot be led through a calibration; use soft-tactile calibrate"

    def parse(self, text: str, target: str) -> SourceName:  # noqa: ARG002 - any name may be that of a file
        """Return the file `target` of the source string `text`."""
        return SourceName("recording", target)

    def load(self, target: str) -> Recording:
        """Return the recording in the file `target`."""
        return load_recording(target, reference=False)

    def named_by(self, settings: Mapping[str, Any]) -> SourceName:
        """Return the file that the `settings` of a node name."""
        file = settings["recording_file"]
        if not file:
            raise SourceError("parameter 'recording_file' must name a recording with source: recording; got ''")
        return SourceName("recording", file)


SOURCE = RecordingFile()
"""The kind."""
