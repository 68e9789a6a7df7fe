"""A guided calibration from the page: the bench protocol in words, its recordings, the fit, the report."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.errors import CalibrationError, SoftTactileError
from soft_tactile_node.fitting.calibration_fit import CalibrationFit
from soft_tactile_node.merging import MOST_VENTED_PA
from soft_tactile_node.page.live_finger import known
from soft_tactile_node.protocol.guidance import BenchLimits, Phase, Wanted
from soft_tactile_node.protocol.guided import KEEP_OFF, GuidedCalibration
from soft_tactile_node.samples import Array
from soft_tactile_node.sources import Reading

PHASE_WORDS = {
    Phase.FREE_BEND: "bending freely",
    Phase.PRESS: "presses",
    Phase.FITTING: "fitting the calibration",
    Phase.VENTING: "vented, at rest",
}
SILENCE_S = 1.0
"""Longest pause of the scans (s)."""

FIT_SHARE = 0.9
"""Share of the whole at which all is recorded (1)."""


class GuidedSession:
    """Takes readings and references until a calibration is written or refused.

    Parameters
    ----------
    limits : BenchLimits
        What may be asked for.
    channels : int
        Coil channels (1).
    target : pathlib.Path
        Calibration to write; recordings and report go beside it.
    info : PadInfo
        What is known of the pad.
    pressure_is_gauge : bool
        True if pressure readings are gauge already.
    by_hand : bool
        True where a person sets the pressure and presses, False where the bench does what is wanted.
    """

    def __init__(
        self,
        limits: BenchLimits,
        channels: int,
        target: Path,
        info: PadInfo,
        *,
        pressure_is_gauge: bool,
        by_hand: bool,
    ) -> None:
        self._guide = GuidedCalibration(limits, channels, pressure_is_gauge=pressure_is_gauge)
        self._is_gauge, self._by_hand = pressure_is_gauge, by_hand
        self._fit = CalibrationFit(target, info)
        self._force_n = np.full(3, np.nan)
        self._pressure_pa = math.nan
        self._fitting = False
        self.wanted: Wanted | None = None
        self.refusal = ""

    @property
    def target(self) -> Path:
        """The calibration it writes."""
        return self._fit.target

    @property
    def is_recording(self) -> bool:
        """Whether readings are still wanted."""
        return not self._guide.finished and not self.refusal

    @property
    def files(self) -> list[str]:
        """What was written beside the calibration; empty while it is not done."""
        return [] if self._fit.summary is None else [str(file) for file in self._fit.summary["files"]]

    @property
    def remarks(self) -> list[str]:
        """What a finished calibration could not identify."""
        return self._fit.not_identified

    def add(self, reading: Reading) -> None:
        """Take a reading; see `refusal` afterwards."""
        if not self.is_recording:
            return
        try:
            self._add(reading)
        except SoftTactileError as error:
            self.give_up(str(error))

    def add_force(self, time_s: float, force_n: Array) -> None:
        """Take a force cell reading: `force_n`, pad frame (N), shape (3,), at `time_s` on the scans' clock (s)."""
        if self.is_recording:
            self._force_n = force_n
            try:
                self._guide.add_force(time_s, force_n)
            except SoftTactileError as error:
                self.give_up(str(error))

    def add_bend(self, time_s: float, bend_rad: float) -> None:
        """Take a reading of the bend angle (rad) at `time_s` (s)."""
        if self.is_recording:
            self._guide.add_bend(time_s, bend_rad)

    def check_silence(self, silent_s: float) -> None:
        """Give up where scans have stopped for `silent_s` (s)."""
        if self.is_recording and silent_s > SILENCE_S:
            self.give_up("scans have stopped; check cable and device")

    def listen(self) -> bool:
        """Take up what the fit says; returns whether the calibration is written."""
        self._fit.listen()
        if self._fit.refusal and not self.refusal:
            self.give_up(self._fit.refusal)
        return self._fit.summary is not None and not self.refusal

    def give_up(self, reason: str) -> None:
        """End it; nothing under way is left."""
        self.refusal = reason
        self._fit.stop()

    def close(self) -> None:
        """End what is still under way."""
        self._fit.stop()

    def describe(self) -> dict[str, Any]:
        """Return what is to be done and how far it is, for the page."""
        wanted = self.wanted
        phase = Phase.FITTING if self._fitting else (Phase.VENTING if wanted is None else wanted.phase)
        instruction = KEEP_OFF if wanted is None else wanted.instruction
        fraction = FIT_SHARE * (0.0 if wanted is None else wanted.fraction)
        if self._fitting:
            instruction, fraction = self._fit.phase or "reading the recordings", FIT_SHARE
        return {
            "phase": PHASE_WORDS[phase],
            "by_hand": self._by_hand,
            "instruction": instruction,
            "fraction": fraction,
            "wanted_pressure_pa": 0.0 if wanted is None or self._fitting else wanted.pressure_pa,
            "pressure_pa": known(self._pressure_pa),
            "wanted_force_n": None
            if wanted is None or wanted.force_n is None or self._fitting
            else list(wanted.force_n),
            "force_n": [known(value) for value in self._force_n.tolist()],
        }

    def _add(self, reading: Reading) -> None:
        if math.isfinite(reading.pressure_pa):
            if reading.pressure_is_absolute == self._is_gauge:
                raise CalibrationError("the device changed between gauge and absolute pressure; start again")
            if not self._is_gauge and math.isnan(self._guide.atmospheric_pa) and reading.pressure_pa > MOST_VENTED_PA:
                raise CalibrationError(
                    f"the finger must be vented to begin; pressure reads {reading.pressure_pa / 1000:.1f} kPa absolute"
                )
            self._guide.add_pressure(reading.scan.time_s, reading.pressure_pa)
            self._pressure_pa = reading.pressure_pa - self._guide.atmospheric_pa
        self.wanted = self._guide.advance(reading.scan)
        if self._guide.finished:
            self._fitting = True
            self._fit.fit(self._guide.free_bend(), self._guide.press())
        elif self._guide.sweeps_done and self._by_hand:
            self._fit.judge(self._guide.free_bend)
