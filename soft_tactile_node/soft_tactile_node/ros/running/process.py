"""Runs nodes as a process: executor, signals, exit code."""

from __future__ import annotations

import gc
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

import rclpy
import rclpy.utilities
from rclpy.executors import ExternalShutdownException
from rclpy.experimental import EventsExecutor
from rclpy.signals import SignalHandlerOptions
from rclpy.task import Future

from soft_tactile_node.ros.running.managed_node import ManagedNode

LONG_S = 1e8
"""Three years: told to spin without an end, the events executor of some builds never delivers anything."""

START_GRACE_S = 0.5
"""How long a node that is still starting may go on after it was asked to end (s)."""

END_SIGNALS = (signal.SIGINT, signal.SIGTERM)


def run(makers: Sequence[Callable[[], ManagedNode]], args: Sequence[str] | None = None) -> int:
    """Run nodes in one process until SIGINT, SIGTERM or the end of the context.

    Parameters
    ----------
    makers : sequence of callable
        Each makes one node.
    args : sequence of str, optional
        Command line, ROS arguments included; None = of this process.

    Returns
    -------
    int
        Exit code: 0 after a clean end.
    """
    os.environ.setdefault("AMENT_PREFIX_PATH", sys.prefix)
    nodes: list[ManagedNode] = []
    with _end_by_signal() as asked:
        rclpy.init(
            args=None if args is None else [sys.argv[0], *args],
            # rclpy's own handlers pull the context from under a callback that is publishing.
            signal_handler_options=SignalHandlerOptions.NO,
        )
        executor = asked.executor = EventsExecutor()
        try:
            for make in makers:
                nodes.append(make())
                executor.add_node(nodes[-1])
                nodes[-1].start_by_itself()
            asked.started.set()
            executor.spin_until_future_complete(asked.end, LONG_S)
        except ExternalShutdownException:
            pass
        finally:
            for node in nodes:
                executor.remove_node(node)
                node.destroy_node()
            executor.shutdown()
            rclpy.try_shutdown()
            # Else the interpreter searches all that was loaded for garbage before it ends: seconds on a busy machine.
            gc.freeze()
    return 0


class _Asked:
    """What the signal thread and the main thread share."""

    def __init__(self) -> None:
        self.end: Future[None] = Future()
        self.started = threading.Event()
        self.executor: EventsExecutor | None = None


@contextmanager
def _end_by_signal() -> Iterator[_Asked]:
    """Complete a future when a signal asks for the end; a thread hears of it, so that no callback is cut in two."""
    asked = _Asked()
    here, there = socket.socketpair()
    there.setblocking(False)

    def wait_for_signal() -> None:
        if not here.recv(1):
            return  # the end has come without a signal
        asked.end.set_result(None)
        if not asked.started.wait(START_GRACE_S):
            os._exit(0)  # still compiling or loading: nothing is under way that could be left half-done
        if asked.executor is not None:
            asked.executor.wake()

    handlers = {number: signal.signal(number, _do_nothing) for number in END_SIGNALS}
    wakeup = signal.set_wakeup_fd(there.fileno(), warn_on_full_buffer=False)
    listener = threading.Thread(target=wait_for_signal, name="signals", daemon=True)
    listener.start()
    try:
        yield asked
    finally:
        signal.set_wakeup_fd(wakeup)
        for number, handler in handlers.items():
            signal.signal(number, handler)
        there.close()
        listener.join(START_GRACE_S)
        here.close()


def _do_nothing(_number: int, _frame: FrameType | None) -> None:
    """Stand in for the default action; the byte that Python writes on a signal does the work."""


def split_namespace(args: Sequence[str] | None = None) -> tuple[str, list[str] | None]:
    """Take a namespace for the whole process out of a command line, so that each node can have one of its own below it.

    Parameters
    ----------
    args : sequence of str, optional
        Command line; None = of this process.

    Returns
    -------
    namespace : str
        "/cell_1" of `-r __ns:=/cell_1`, "" where none is given.
    args : list of str or None
        The command line without it; None where it was None and had none.
    """
    given = list(sys.argv[1:] if args is None else args)
    for place, word in enumerate(given):
        if word.startswith("__ns:=") and place and given[place - 1] in ("-r", "--remap"):
            return "/" + word.removeprefix("__ns:=").strip("/"), given[: place - 1] + given[place + 1 :]
    return "", None if args is None else given


def plain_arguments(args: Sequence[str] | None = None) -> list[str]:
    """Return the command line without the program's name and without ROS arguments."""
    given = list(sys.argv if args is None else [sys.argv[0], *args])
    return list(rclpy.utilities.remove_ros_args(given)[1:])
