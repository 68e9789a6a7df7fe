"""The demo's nodes as separate processes on a domain of their own; none of them outlives the demo."""

from __future__ import annotations

import contextlib
import ctypes
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

import yaml

from soft_tactile_node.errors import SoftTactileError

PR_SET_PDEATHSIG = 1
"""Linux, prctl(2): the signal a process gets when its parent dies."""

STOP_WAIT_S = 5.0


def free_domain() -> int:
    """Return a random ROS domain (1 to 101) whose discovery ports nobody on this machine uses."""
    candidates = list(range(1, 102))
    random.SystemRandom().shuffle(candidates)
    for domain in candidates:
        with contextlib.ExitStack() as stack, contextlib.suppress(OSError):
            for port in (7400 + 250 * domain, 7410 + 250 * domain):  # DDS-RTPS 2.2, section 9.6.1.1
                stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)).bind(("", port))
            return domain
    raise SoftTactileError("every ROS domain of this machine is in use: end some of the nodes that run")


def _die_with_parent() -> None:
    """Ask Linux to end this child when the demo dies, even by SIGKILL; elsewhere nothing is asked."""
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


class NodeProcesses:
    """Starts nodes, notices when one ends too early, and ends all of them.

    Parameters
    ----------
    folder : pathlib.Path
        Where parameter files and logs go; made if missing.
    environment : mapping of str to str
        Added to this process's environment for every node.
    """

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self._folder = folder
        self._environment = {**os.environ, **environment, "ROS_LOG_DIR": str(folder)}
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        folder.mkdir(parents=True, exist_ok=True)

    def __enter__(self) -> NodeProcesses:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self, module: str, namespace: str, parameters: Mapping[str, Any]) -> None:
        """Start one node; its output goes to a log file.

        Parameters
        ----------
        module : str
            Module of `ros/nodes`, which is also the node's name.
        namespace : str
            Fully qualified namespace of the node.
        parameters : mapping
            Its parameters.
        """
        name = f"{namespace.rsplit('/', 1)[-1]}.{module}"
        file = self._folder / f"{name}.yaml"
        file.write_text(yaml.safe_dump({f"{namespace}/{module}": {"ros__parameters": dict(parameters)}}))
        command = [sys.executable, "-m", f"soft_tactile_node.ros.nodes.{module}", "--ros-args"]
        command += ["--params-file", str(file), "-r", f"__ns:={namespace}"]
        with (self._folder / f"{name}.log").open("wb") as log:
            self._running[name] = subprocess.Popen(  # noqa: S603 - our own modules, no outside words
                command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                env=self._environment,
                start_new_session=True,  # Ctrl-C reaches the demo alone, which then ends its nodes in order
                preexec_fn=_die_with_parent,
            )

    def check(self) -> None:
        """Raise SoftTactileError if a node has ended by itself."""
        for name, process in self._running.items():
            if process.poll() is not None:
                raise SoftTactileError(f"node {name} ended with {process.returncode}: see {self._folder / name}.log")

    def stop(self) -> dict[str, int]:
        """End every node, politely first; returns exit codes by node, negative = the signal that ended it."""
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGKILL):
            for process in self._running.values():
                if process.poll() is None:
                    process.send_signal(number)
            end_s = time.monotonic() + STOP_WAIT_S
            for process in self._running.values():
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(max(end_s - time.monotonic(), 0.01))
        codes = {name: int(process.returncode or 0) for name, process in self._running.items()}
        self._running.clear()
        return codes
