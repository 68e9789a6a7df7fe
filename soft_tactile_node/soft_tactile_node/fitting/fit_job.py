"""Starts the fit of a guided calibration in a process of its own and listens to it.

What the fit itself needs is not imported here: the reader of a finger would carry it for nothing.
"""

from __future__ import annotations

import json
import pickle
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.recordings import Recording

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
