"""Runs a node as a process: executor, signals, exit code."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence

import rclpy
import rclpy.utilities
from rclpy.executors import ExternalShutdownException
from rclpy.experimental import EventsExecutor
from rclpy.task import Future

from soft_tactile_node.ros.managed_node import ManagedNode

_LONG_S = 1e8  # three years: the events executor never delivers anything when told to spin without an end


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
    rclpy.init(args=None if args is None else [sys.argv[0], *args])
    executor = EventsExecutor()
    try:
        for make in makers:
            nodes.append(make())
            executor.add_node(nodes[-1])
            nodes[-1].start_by_itself()
        executor.spin_until_future_complete(Future(), _LONG_S)
    except (KeyboardInterrupt, ExternalShutdownException):
        pass
    finally:
        for node in nodes:
            executor.remove_node(node)
            node.destroy_node()
        executor.shutdown()
        rclpy.try_shutdown()
    return 0


def plain_arguments(args: Sequence[str] | None = None) -> list[str]:
    """Return the command line without the program's name and without ROS arguments."""
    given = list(sys.argv if args is None else [sys.argv[0], *args])
    return rclpy.utilities.remove_ros_args(given)[1:]
