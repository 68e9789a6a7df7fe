"""A live graph for a test: own context, nodes of this process and of others, waits that end."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import rclpy
from lifecycle_msgs.msg import State, Transition
from lifecycle_msgs.srv import ChangeState, GetState
from rcl_interfaces.srv import SetParameters
from rclpy.context import Context
from rclpy.executors import SingleThreadedExecutor
from rclpy.node import Node
from rclpy.parameter import Parameter

WAIT_S = 60.0
"""Longest wait for anything; a machine that is busy is no failure, one that hangs is."""

END_S = 10.0
"""Longest time a process has for its end before it is killed."""

LATE_ROUNDS = 50
"""Callbacks that are still run when the time of a wait is over."""

UNCONFIGURED, INACTIVE, ACTIVE, FINALIZED = (
    State.PRIMARY_STATE_UNCONFIGURED,
    State.PRIMARY_STATE_INACTIVE,
    State.PRIMARY_STATE_ACTIVE,
    State.PRIMARY_STATE_FINALIZED,
)
CONFIGURE, ACTIVATE, DEACTIVATE, CLEANUP = (
    Transition.TRANSITION_CONFIGURE,
    Transition.TRANSITION_ACTIVATE,
    Transition.TRANSITION_DEACTIVATE,
    Transition.TRANSITION_CLEANUP,
)
SHUTDOWN_OF = {
    UNCONFIGURED: Transition.TRANSITION_UNCONFIGURED_SHUTDOWN,
    INACTIVE: Transition.TRANSITION_INACTIVE_SHUTDOWN,
    ACTIVE: Transition.TRANSITION_ACTIVE_SHUTDOWN,
}


class Graph:
    """The context of one test module, its nodes and one client that looks at them from outside."""

    def __init__(self) -> None:
        self.context = Context()
        rclpy.init(context=self.context)
        self.executor = SingleThreadedExecutor(context=self.context)
        self.client = Node("client", context=self.context)
        self.executor.add_node(self.client)
        self.clients: dict[str, Any] = {}
        self.nodes: list[Node] = []
        self.processes: list[subprocess.Popen[str]] = []

    def add(self, make: Callable[..., Node], **options: Any) -> Any:
        """Make a node in this process; `parameters` are given as overrides."""
        parameters = options.pop("parameters", {})
        overrides = [Parameter(name, value=value) for name, value in parameters.items()]
        node = make(context=self.context, parameter_overrides=overrides, **options)
        self.nodes.append(node)
        self.executor.add_node(node)
        return node

    def remove(self, node: Node) -> None:
        """Take a node away."""
        self.nodes.remove(node)
        self.executor.remove_node(node)
        node.destroy_node()

    def start(self, module: str, *arguments: str, names: Sequence[str] = ()) -> subprocess.Popen[str]:
        """Start a node of this package as a process of its own; `names` stand before the ROS arguments."""
        command = [sys.executable, "-m", f"soft_tactile_node.ros.nodes.{module}", *names, "--ros-args", *arguments]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        self.processes.append(process)
        return process

    def stop(self, process: subprocess.Popen[str], number: int = signal.SIGINT) -> tuple[int, str]:
        """End a process by a signal; returns exit code and output."""
        process.send_signal(number)
        output, _ = process.communicate(timeout=WAIT_S)
        self.processes.remove(process)
        return process.returncode, output

    def wait(self, condition: Callable[[], Any], what: str, limit_s: float = WAIT_S) -> Any:
        """Run the graph until a condition holds; returns its value.

        When the time is over, what has come meanwhile is still taken: a machine that stood still is no failure.
        """
        end = time.monotonic() + limit_s
        late = 0
        while not (value := condition()):
            late += time.monotonic() > end
            assert late < LATE_ROUNDS, f"not within {limit_s:g} s: {what}"
            self.executor.spin_once(timeout_sec=0.02)
        return value

    def run(self, duration_s: float) -> None:
        """Run the graph for a while, to see that something does not happen."""
        end = time.monotonic() + duration_s
        while time.monotonic() < end:
            self.executor.spin_once(timeout_sec=0.02)

    def call(self, service: type, name: str, request: Any) -> Any:
        """Call a service and return the response."""
        if name not in self.clients:  # one client each, to be found once
            self.clients[name] = self.client.create_client(service, name)
        client = self.clients[name]
        self.wait(client.service_is_ready, f"service {name}")
        future = client.call_async(request)
        self.wait(future.done, f"answer of {name}")
        return future.result()

    def transition(self, node: str, transition: int) -> bool:
        """Ask a node for a lifecycle transition; returns whether it was made."""
        request = ChangeState.Request()
        request.transition.id = transition
        return bool(self.call(ChangeState, f"{node}/change_state", request).success)

    def state(self, node: str) -> int:
        """Return the lifecycle state of a node."""
        return int(self.call(GetState, f"{node}/get_state", GetState.Request()).current_state.id)

    def set(self, node: str, **values: Any) -> list[Any]:
        """Set parameters of a node; returns one result each."""
        parameters = [Parameter(name, value=value).to_parameter_msg() for name, value in values.items()]
        return list(
            self.call(SetParameters, f"{node}/set_parameters", SetParameters.Request(parameters=parameters)).results
        )

    def listen(self, message: type, topic: str, profile: Any) -> list[Any]:
        """Subscribe and return the list that messages are appended to; waits for a publisher."""
        heard: list[Any] = []
        subscription = self.client.create_subscription(message, topic, heard.append, profile)
        self.wait(lambda: self.client.count_publishers(subscription.topic_name), f"publisher of {topic}")
        return heard

    def close(self) -> None:
        """End the processes, then destroy everything.

        They are told to end, not killed: one killed while it writes to the memory it shares with this process has
        Fast DDS 2.14 map that memory anew, and a participant destroyed at that moment crashes the interpreter (4 in
        100 teardowns with four busy publishers killed, none with the same four told to end).
        """
        for process in self.processes:
            process.send_signal(signal.SIGCONT)
            process.send_signal(signal.SIGINT)
        for process in self.processes:
            _await_end(process)
        for node in [*self.nodes, self.client]:
            self.executor.remove_node(node)
            node.destroy_node()
        del node
        self.nodes.clear()
        self.clients.clear()
        self.executor.shutdown()
        self.context.try_shutdown()
        # A lifecycle node lives on in DDS, services and all, until it is collected: until then a client of the next
        # graph may meet the services of the last one and never find its own.
        gc.collect()


def _await_end(process: subprocess.Popen[str]) -> None:
    """Wait for the end of a process; one that does not end is killed."""
    try:
        process.communicate(timeout=END_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()


@contextlib.contextmanager
def graph() -> Iterator[Graph]:
    """Give a graph and take it down whatever happens."""
    made = Graph()
    try:
        yield made
    finally:
        made.close()


def logged(caplog_lines: Sequence[str], *parts: str) -> bool:
    """Return whether one line has all the parts."""
    return any(all(part in line for part in parts) for line in caplog_lines)


def domain_of_this_process() -> str:
    """Return the domain the tests of this process run on."""
    return os.environ.get("ROS_DOMAIN_ID", "0")
