"""The fit of a guided calibration in its own process: whole files or none."""

from __future__ import annotations

import errno
import time
from datetime import datetime, timezone
from pathlib import Path

import pytest

from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.fitting import fit_process
from soft_tactile_node.fitting.fit_job import FitJob, FitRequest, make_scratch
from soft_tactile_node.simulation import simulate

CALIBRATION = Path(__file__).resolve().parents[2] / "config" / "calibrations" / "left_finger.yaml"


def request_of(folder: Path, *, press_s: float = 60.0, judge: bool = False) -> FitRequest:
    """Return a request whose target holds an older calibration."""
    target = folder / "finger.yaml"
    target.write_text(CALIBRATION.read_text())
    free, _ = simulate("free-bend", seed=1, rate_hz=50.0, duration_s=60.0)
    press, _ = simulate("press", seed=1, rate_hz=50.0, duration_s=press_s)
    now = datetime(2026, 1, 2, 3, 4, 5, tzinfo=timezone.utc)
    return FitRequest((free,), None if judge else press, target, make_scratch(target), PadInfo(), now)


def last_word(job: FitJob) -> dict[str, object]:
    """Return the last word of a fit, which comes within two minutes."""
    end = time.monotonic() + 120.0
    while time.monotonic() < end:
        for said in job.news():
            if "done" in said or "refused" in said:
                return said
        time.sleep(0.05)  # another process: nothing to wait on
    raise AssertionError("no last word")


def test_sweeps_are_judged_before_anybody_presses(tmp_path: Path) -> None:
    """The first fit tells the residual of the sweeps and writes nothing."""
    request = request_of(tmp_path, judge=True)
    said = last_word(FitJob(request))
    assert 0.0 < said["done"]["residual"] < 0.01  # type: ignore[index]
    assert {path.name for path in tmp_path.iterdir() if path != request.scratch} == {"finger.yaml"}


def test_a_refused_fit_keeps_recordings_and_the_old_calibration(tmp_path: Path) -> None:
    """Too short a press recording is refused with the reason; what was recorded is kept, the old file stays."""
    request = request_of(tmp_path, press_s=20.0)
    job = FitJob(request)
    said = last_word(job)
    assert "press recordings must last at least 30 s" in str(said["refused"])
    assert "the recordings are kept" in str(said["refused"])
    job.stop()
    assert {path.name for path in tmp_path.iterdir()} == {
        "finger.yaml", "finger_20260102T030405_simulated:free-bend.csv", "finger_20260102T030405_simulated:press.csv",
    }  # fmt: skip
    assert request.target.read_text() == CALIBRATION.read_text()


def test_a_stopped_fit_leaves_nothing(tmp_path: Path) -> None:
    """A fit that is stopped is gone with all its files; the old calibration stays."""
    request = request_of(tmp_path)
    job = FitJob(request)
    job.stop()
    assert {path.name for path in tmp_path.iterdir()} == {"finger.yaml"}
    assert load_calibration(request.target) == load_calibration(CALIBRATION)


def test_a_full_disk_is_said_and_the_old_calibration_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No space on the disk is a refusal in words."""
    request = request_of(tmp_path)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(fit_process, "save_recording", full)
    assert "No space left on device" in fit_process.run(request)["refused"]
    assert request.target.read_text() == CALIBRATION.read_text()


def test_what_a_killed_node_left_is_cleared(tmp_path: Path) -> None:
    """Scratch folders of a run that was killed go when the next one begins."""
    target = tmp_path / "finger.yaml"
    left = make_scratch(target)
    (left / "half.csv").write_text("time_s")
    scratch = make_scratch(target)
    assert list(tmp_path.iterdir()) == [scratch]
