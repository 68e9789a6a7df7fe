"""The fit of a guided calibration in a process of its own, so that reading goes on: files in, one calibration out.

Run as `python -m soft_tactile_node.fitting.fit_process`: a pickled FitRequest on standard input, lines of JSON on
standard output. Everything is written into a scratch folder beside the target first; the calibration is put in place
last.
"""

from __future__ import annotations

import json
import math
import os
import pickle
import queue
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from soft_tactile_node.calibration.base_fit import fit_base
from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.calibration.preparation import prepare
from soft_tactile_node.calibration.refusals import check_free_bend
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.calibration.to_file import calibrate_to_file
from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.recordings import Recording, load_recording, save_recording
from soft_tactile_node.reports.calibration_report import write_calibration_report

NICENESS = 5
"""The fit stands back behind what reads the finger."""

STOP_S = 5.0
"""Longest wait for the process to end after it was told to (s)."""


@dataclass(frozen=True)
class FitRequest:
    """What to fit.

    Attributes
    ----------
    free_bend : tuple of Recording
        Sweeps without contact.
    press : Recording or None
        Presses; None = only judge the sweeps.
    target : pathlib.Path
        Calibration to write.
    scratch : pathlib.Path
        Folder for work under way, on the same disk as the target.
    info : PadInfo
        What only the user knows.
    made_at : datetime.datetime
        Goes into the calibration and into the names of recordings and report.
    """

    free_bend: tuple[Recording, ...]
    press: Recording | None
    target: Path
    scratch: Path
    info: PadInfo
    made_at: datetime

    def name(self, part: str) -> str:
        """Return the name of a file that goes with the calibration."""
        return f"{self.target.stem}_{self.made_at:%Y%m%dT%H%M%S}{part}"


def make_scratch(target: Path) -> Path:
    """Return a new scratch folder beside a file that is to be written, after clearing what a killed run left there.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    prefix = f".{target.stem}.calibrating."
    for left in target.parent.glob(f"{prefix}*"):
        shutil.rmtree(left, ignore_errors=True)
    return Path(tempfile.mkdtemp(prefix=prefix, dir=target.parent))


class FitJob:
    """A fit under way in a process of its own.

    Parameters
    ----------
    request : FitRequest
        What to fit; its scratch folder is removed at the end.
    """

    def __init__(self, request: FitRequest) -> None:
        self._request = request
        self._news: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._stopped = False
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._work, name="fit", daemon=True)
        self._thread.start()

    def news(self) -> list[dict[str, Any]]:
        """Return what the process said since the last call; the last word has the key `done` or `refused`."""
        found = []
        with suppress(queue.Empty):
            while True:
                found.append(self._news.get_nowait())
        return found

    def stop(self) -> None:
        """End the process and remove what it has written; returns when it is gone."""
        with self._lock:
            self._stopped = True
            if self._process is not None:
                with suppress(OSError):
                    self._process.kill()
        self._thread.join(STOP_S)

    def _work(self) -> None:
        """Feed the process and listen to it, in a thread: neither may hold up the reader."""
        try:
            with self._lock:
                if self._stopped:
                    return
                self._process = subprocess.Popen(
                    [sys.executable, "-m", "soft_tactile_node.fitting.fit_process"],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                )
            self._news.put(self._listen(self._process))
        except Exception as error:
            self._news.put({"refused": f"the fit could not run: {error}"})
        finally:
            shutil.rmtree(self._request.scratch, ignore_errors=True)

    def _listen(self, process: subprocess.Popen[bytes]) -> dict[str, Any]:
        """Return the last word of the process; what it says before is passed on."""
        assert process.stdin is not None
        assert process.stdout is not None
        last: dict[str, Any] = {}
        with process:
            with suppress(BrokenPipeError):
                pickle.dump(self._request, process.stdin)
                process.stdin.close()
            for line in process.stdout:
                said: dict[str, Any] = json.loads(line)
                if "done" in said or "refused" in said:
                    last = said
                else:
                    self._news.put(said)
        return last or {"refused": f"the fit ended with exit code {process.returncode} and no result"}


def run(request: FitRequest) -> dict[str, Any]:
    """Do what a request asks and return the last word: `done` with a summary, or `refused` with the reason."""
    try:
        return _judge_sweeps(request) if request.press is None else _fit(request, request.press)
    except (SoftTactileError, OSError) as error:
        return {"refused": str(error)}


def _judge_sweeps(request: FitRequest) -> dict[str, Any]:
    prepared = [prepare(recording) for recording in request.free_bend]
    check_free_bend(request.free_bend, prepared)
    fit = fit_base(prepared, max(float(np.quantile(item.pressure_pa, 0.999)) for item in prepared))
    residual = np.concatenate([part.ravel() for part in fit.residuals])
    return {"done": {"residual": float(np.sqrt(np.nanmean(residual**2)))}}


def _fit(request: FitRequest, press: Recording) -> dict[str, Any]:
    free_files = [_save(request, recording) for recording in request.free_bend]
    press_file = _save(request, press)
    calibration, report = request.scratch / request.target.name, request.scratch / request.name(".html")
    try:
        free_bend, presses = [load_recording(file) for file in free_files], [load_recording(press_file)]
        record = calibrate_to_file(
            free_bend,
            presses,
            calibration,
            info=request.info,
            made_on=request.made_at.date(),
            progress=lambda phase: _say({"phase": phase}),
        )
        _say({"phase": "writing the report"})
        write_calibration_report(report, record, free_bend, presses)
    except SoftTactileError as error:
        kept = [_put_in_place(path, request.target.parent) for path in (*free_files, press_file)]
        return {"refused": f"{error} (the recordings are kept: {', '.join(str(path) for path in kept)})"}
    _say({"phase": "writing the calibration"})  # fails if the reader is gone, before anything is in place
    files = [str(_put_in_place(path, request.target.parent)) for path in (*free_files, press_file, report)]
    calibration.replace(request.target)
    figures = {
        name: (figure.value, math.nan if figure.uncertainty is None else figure.uncertainty, figure.unit)
        for name, figure in record.figures.items()
    }
    return {
        "done": {
            "calibration_id": calibration_id(record),
            "files": files,
            "figures": figures,
            "not_identified": list(record.not_identified),
        }
    }


def _save(request: FitRequest, recording: Recording) -> Path:
    file = request.scratch / request.name(f"_{recording.source}.csv")
    save_recording(recording, file)
    return file


def _put_in_place(path: Path, folder: Path) -> Path:
    return path.replace(folder / path.name)


def _say(word: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(word) + "\n")
    sys.stdout.flush()


def main() -> int:
    """Serve one request from standard input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the reader decides when its fit ends
    os.nice(NICENESS)
    request: FitRequest = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the program that started this process
    with suppress(BrokenPipeError):
        _say(run(request))
    return 0


if __name__ == "__main__":
    sys.exit(main())
