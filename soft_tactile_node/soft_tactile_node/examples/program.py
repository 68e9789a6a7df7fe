"""What the examples share: a node with a hand, a coroutine on it, an arm that moves the gripper up and down."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Coroutine, Sequence

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.node import Node
from rclpy.task import Future
from rclpy.utilities import remove_ros_args
from std_msgs.msg import Float64

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.grasping import Hand

TICK_S = 0.02


class Arm:
    """Moves the gripper above the tray; a real one would stand behind the same two verbs.

    Parameters
    ----------
    node : rclpy.node.Node
        Node to work from.
    gripper : str
        Namespace of the gripper; heights go to its topic `lift_command` (m).
    """

    def __init__(self, node: Node, gripper: str) -> None:
        self._node = node
        self._commands = node.create_publisher(Float64, f"{gripper}/lift_command", 10)
        self.height_m = 0.0
        self.waits = False

    async def move_to(self, height_m: float, speed_m_s: float = 0.04) -> None:
        """Go to a height (m) at a speed (m/s), standing still whenever `waits` is set."""
        while self.height_m != height_m:
            await sleep(self._node, TICK_S)
            if not self.waits:
                step_m = speed_m_s * TICK_S
                self.height_m += min(max(height_m - self.height_m, -step_m), step_m)
            self._commands.publish(Float64(data=self.height_m))


async def sleep(node: Node, duration_s: float) -> None:
    """Wait on the node's clock (s)."""
    over: Future[None] = Future(executor=node.executor)
    timer = node.create_timer(duration_s, lambda: over.done() or over.set_result(None))
    try:
        await over
    finally:
        node.destroy_timer(timer)


def options(description: str, args: Sequence[str] | None) -> tuple[argparse.ArgumentParser, list[str]]:
    """Return a parser with what all examples take, and the arguments that are not for ROS."""
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.ArgumentDefaultsHelpFormatter)
    parser.add_argument("--gripper", default="/gripper", help="namespace of monitor and controller")
    parser.add_argument("--fingers", default="left_finger,right_finger", help="fingers, with commas")
    return parser, remove_ros_args([sys.argv[0], *(sys.argv[1:] if args is None else args)])[1:]


def run(
    name: str,
    given: argparse.Namespace,
    work: Callable[[Node, Hand], Coroutine[None, None, int]],
    args: Sequence[str] | None,
) -> int:
    """Run a coroutine on a node with a hand.

    Parameters
    ----------
    name : str
        Name of the node.
    given : argparse.Namespace
        With `gripper` and `fingers`.
    work : callable
        Takes node and hand; returns the exit code.
    args : sequence of str or None
        Command line for ROS; None = of this process.

    Returns
    -------
    int
        Exit code of the work; 1 with one line on stderr where it met a SoftTactileError.
    """
    rclpy.init(args=None if args is None else [sys.argv[0], *args])
    node = Node(name)
    executor = SingleThreadedExecutor()
    executor.add_node(node)
    hand = Hand(node, given.fingers.split(","), given.gripper)
    try:
        task = executor.create_task(work(node, hand))
        executor.spin_until_future_complete(task)
        return int(task.result() or 0)
    except SoftTactileError as error:
        print(f"{name}: {error}", file=sys.stderr)
        return 1
    except (KeyboardInterrupt, ExternalShutdownException):
        return 130
    finally:
        hand.close()
        executor.remove_node(node)
        node.destroy_node()
        executor.shutdown()
        rclpy.try_shutdown()
