"""What the examples share: a node with a hand, a coroutine on it, an arm that moves the gripper up and down."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Coroutine, Sequence

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.node import Node
from rclpy.utilities import remove_ros_args
from std_msgs.msg import Float64

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.grasping import Hand, Hold, NoAnswerError, pause

SIMULATED = "/sim/gripper"
"""Where the simulated gripper is; a real one has to be named."""

TICK_S = 0.02

LONGEST_STOP_S = 20.0
"""The arm gives up after it has stood still for this long (s)."""

TARE_TRIES, TARE_PAUSE_S = 10, 1.0
"""A finger that has just let go may need a moment until it is at rest."""


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
        """Go to a height (m) at a speed (m/s), standing still whenever `waits` is set, though not for ever."""
        stopped_s = 0.0
        while self.height_m != height_m:
            await pause(self._node, TICK_S)
            stopped_s = stopped_s + TICK_S if self.waits else 0.0
            if stopped_s > LONGEST_STOP_S:
                raise NoAnswerError(f"the arm was kept waiting for {LONGEST_STOP_S:g} s, {self.height_m:.3f} m up")
            if not self.waits:
                step_m = speed_m_s * TICK_S
                self.height_m += min(max(height_m - self.height_m, -step_m), step_m)
            self._commands.publish(Float64(data=self.height_m))


async def prepare(node: Node, hand: Hand, wait_s: float) -> None:
    """Wait for the gripper (s) and tare its fingers; one that refuses for a moment is asked again."""
    await hand.ready(wait_s)
    for _ in range(TARE_TRIES - 1):
        if not await refusal_of(hand):
            return
        await pause(node, TARE_PAUSE_S)
    await hand.tare()


async def refusal_of(hand: Hand) -> str:
    """Tare the fingers; returns why one refuses, or nothing. What does not answer is an error all the same."""
    try:
        await hand.tare()
    except NoAnswerError:
        raise
    except SoftTactileError as error:
        return str(error)
    return ""


async def give_up(hand: Hand, hold: Hold) -> int:
    """Say why nothing is held and let go; returns the exit code."""
    print(f"not held: {(await hold.result).message}", flush=True)
    await hand.release()
    return 1


def options(description: str, args: Sequence[str] | None) -> tuple[argparse.ArgumentParser, list[str]]:
    """Return a parser with what all examples take, and the arguments that are not for ROS."""
    description += " It moves the gripper: read shared/docs/safety.md before something real moves."
    parser = argparse.ArgumentParser(description=description, formatter_class=argparse.ArgumentDefaultsHelpFormatter)
    parser.add_argument("--gripper", default=SIMULATED, help="namespace of monitor and controller")
    parser.add_argument("--fingers", default="left_finger,right_finger", help="fingers, with commas")
    parser.add_argument("--wait", type=float, default=60.0, help="longest wait for the gripper to be there, s")
    return parser, remove_ros_args([sys.argv[0], *(sys.argv[1:] if args is None else args)])[1:]


def run(
    name: str,
    given: argparse.Namespace,
    work: Callable[[Node, Hand], Coroutine[None, None, int]],
    args: Sequence[str] | None,
) -> int:
    """Run a coroutine on a node with a hand, which meets this machine alone unless the environment says otherwise.

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
    os.environ.setdefault("ROS_AUTOMATIC_DISCOVERY_RANGE", "LOCALHOST")
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
