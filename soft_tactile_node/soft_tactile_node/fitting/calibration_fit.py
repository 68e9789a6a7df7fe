"""The fits of one guided calibration: a first judgement of the sweeps while the presses go on, then the calibration."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.fitting.fit_job import FitJob, FitRequest, make_scratch
from soft_tactile_node.recordings import Recording


class CalibrationFit:
    """Runs the fits in processes of their own and collects what they say.

    Parameters
    ----------
    target : pathlib.Path
        Calibration to write.
    info : PadInfo
        What only the user knows.
    """

    def __init__(self, target: Path, info: PadInfo) -> None:
        try:
            make_scratch(target).rmdir()
        except OSError as error:
            raise CalibrationError(f"{target.parent}: cannot be written ({error.strerror}); check its rights") from None
        self.target = target
        self._info = info
        self._judged = False
        self._job: FitJob | None = None
        self._has_bend = False
        self.residual = math.nan
        self.refusal = ""
        self.phase = ""
        self.summary: dict[str, Any] | None = None

    def judge(self, free_bend: Callable[[], tuple[Recording, ...]]) -> None:
        """Judge the sweeps, once: bad ones are refused before anybody has pressed for minutes."""
        if not self._judged:
            self._judged = True
            self._start(free_bend(), None)

    def fit(self, free_bend: tuple[Recording, ...], press: Recording) -> None:
        """Fit and write the calibration."""
        self.stop()
        self._has_bend = any(recording.bend_rad is not None for recording in free_bend)
        self._start(free_bend, press)

    def stop(self) -> None:
        """End what is under way; nothing of it is left."""
        if self._job is not None:
            self._job.stop()
            self._job = None

    def listen(self) -> None:
        """Take up what the process has said."""
        for said in self._job.news() if self._job is not None else ():
            self.phase = said.get("phase", self.phase)
            self.refusal = said.get("refused", self.refusal)
            done = said.get("done", {})
            self.residual = done.get("residual", self.residual)
            if "calibration_id" in done:
                self.summary = done

    @property
    def not_identified(self) -> list[str]:
        """What a finished fit could not identify, one sentence each."""
        assert self.summary is not None
        notes = list(self.summary["not_identified"])
        return notes if self._has_bend else [*notes, "no bend reference: bend angle unknown"]

    def _start(self, free_bend: tuple[Recording, ...], press: Recording | None) -> None:
        made_at = datetime.now(timezone.utc).astimezone()
        try:
            scratch = make_scratch(self.target)
        except OSError as error:
            self.refusal = f"{self.target.parent}: cannot be written ({error.strerror}); check its rights and space"
            return
        self._job = FitJob(FitRequest(free_bend, press, self.target, scratch, self._info, made_at))
