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
import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from soft_tactile_node.calibration.base_fit import fit_base
from soft_tactile_node.calibration.preparation import prepare
from soft_tactile_node.calibration.refusals import check_free_bend
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.calibration.to_file import calibrate_to_file
from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.fitting.fit_job import FitRequest
from soft_tactile_node.recordings import Recording, load_recording, save_recording
from soft_tactile_node.reports.calibration_report import write_calibration_report

NICENESS = 5
"""The fit stands back behind what reads the finger."""


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
