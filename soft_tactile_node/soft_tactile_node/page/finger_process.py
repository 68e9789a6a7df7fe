"""The process of one finger, and the server's end of it."""

from __future__ import annotations

import os
import signal
import time
from collections import deque
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from soft_tactile_node.errors import SourceError
from soft_tactile_node.page.finger_loop import FingerLoop, FingerSetup
from soft_tactile_node.page.ring import Ring

EVENTS = 300
"""Lines of the event list that are kept."""

STOP_S = 10.0
"""Longest wait for a process to finish its recording (s)."""


class FingerProcess:
    """Starts the process of a finger and keeps what it tells.

    Parameters
    ----------
    setup : FingerSetup
        Which finger.
    """

    def __init__(self, setup: FingerSetup) -> None:
        context = get_context("spawn")
        self.setup = setup
        self.ring = Ring(context)
        self.status: dict[str, Any] = {}
        self.events: deque[dict[str, Any]] = deque(maxlen=EVENTS)
        self.reports: set[str] = set()
        self.failure = ""
        self._pipe, other = context.Pipe()
        self._process = context.Process(
            target=run, args=(setup, self.ring, other), name=f"finger {setup.name}", daemon=True
        )
        self._process.start()
        other.close()  # so that the end of the process ends the pipe

    def start(self) -> None:
        """Wait until scans can come; SourceError: source, calibration or force cell cannot be used."""
        while not self.status and not self.failure:
            self._pipe.poll(None)
            self.listen()
        if self.failure:
            raise SourceError(self.failure)

    def listen(self) -> None:
        """Take up what the process has told."""
        try:
            while self._pipe.poll():
                self._take(self._pipe.recv())
        except (EOFError, OSError):
            self.failure = self.failure or f"the process of {self.setup.name} has ended; start the page again"

    def send(self, command: dict[str, Any]) -> None:
        """Hand on what the page asks; nothing where the process has gone."""
        try:
            self._pipe.send(command)
        except OSError:
            self.listen()

    def stop(self) -> None:
        """End the process; a recording under way is finished."""
        self.send({"do": "end"})
        end_s = time.monotonic() + STOP_S
        while self._process.is_alive() and time.monotonic() < end_s:
            self.listen()  # a full pipe would hold it up
            self._process.join(0.05)
        self._process.kill()
        self._process.join()
        self._pipe.close()

    def _take(self, told: dict[str, Any]) -> None:
        self.failure = told.get("failed", self.failure)
        if "event" in told:
            number = self.events[-1]["number"] + 1 if self.events else 1
            self.events.append({"number": number, **told["event"]})
        if "status" in told:
            self.status = told["status"]
            if self.status["report"]:
                self.reports.add(self.status["report"])


def run(setup: FingerSetup, ring: Ring, pipe: Connection) -> None:
    """Read one finger until the page ends; the work of its process.

    Parameters
    ----------
    setup : FingerSetup
        Which finger.
    ring : Ring
        Where rows go.
    pipe : multiprocessing.connection.Connection
        Commands in, news out.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the page decides when a recording ends
    try:
        loop = FingerLoop(setup, ring, pipe.send)
    except Exception as error:
        pipe.send({"failed": _in_a_line(error)})
        return
    try:
        while _obey_all(loop, pipe):
            loop.turn()
    except (EOFError, BrokenPipeError):
        pass  # the page has gone
    except Exception as error:
        pipe.send({"failed": _in_a_line(error)})
    finally:
        try:
            loop.close()
        except BrokenPipeError:
            os._exit(1)


def _obey_all(loop: FingerLoop, pipe: Connection) -> bool:
    """Do what was asked; returns whether to go on."""
    while pipe.poll():
        command = pipe.recv()
        if command["do"] == "end":
            return False
        loop.obey(command)
    return True


def _in_a_line(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__
