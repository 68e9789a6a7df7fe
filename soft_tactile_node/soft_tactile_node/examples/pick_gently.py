"""Example: pick something that must not be squeezed, with a force limit, and put it down again."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from rclpy.node import Node

from soft_tactile_node.examples.program import Arm, give_up, options, prepare, run
from soft_tactile_node.grasping import Hand, pause


async def pick_gently(node: Node, hand: Hand, given: argparse.Namespace) -> int:
    """Close until the first touch, hold with `given.force`, lift, lower, let go; returns the exit code."""
    arm = Arm(node, hand.gripper)
    await prepare(node, hand, given.wait)
    touch = hand.first_contact()
    hold = hand.hold_force(given.force, max_normal_n=given.most)
    if not await hold.held:
        return await give_up(hand, hold)
    first = await touch
    print(f"{first.finger} touched first, with {first.force_n[2]:.2f} N", flush=True)
    await arm.move_to(given.height)
    await pause(node, 1.0)
    lost = hold.result.done()
    await arm.move_to(0.0)
    result = await hold.cancel()
    forces = " and ".join(f"{value:.2f}" for value in result.normal_n)
    end = result.message if lost else "put down"
    print(f"held with {forces} N, {result.width_m * 1e3:.1f} mm wide, {result.slips} slips; {end}")
    return int(lost)


def main(args: Sequence[str] | None = None) -> int:
    """Run the example."""
    parser, words = options("Pick something soft with a force limit.", args)
    parser.add_argument("--force", type=float, default=0.3, help="normal force of each finger, N")
    parser.add_argument("--most", type=float, default=0.8, help="most that a slip may raise it to, N")
    parser.add_argument("--height", type=float, default=0.05, help="how high to lift, m")
    given = parser.parse_args(words)
    return run("pick_gently", given, lambda node, hand: pick_gently(node, hand, given), args)


if __name__ == "__main__":
    raise SystemExit(main())
