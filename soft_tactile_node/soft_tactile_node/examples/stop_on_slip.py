"""Example: lift something slippery; the arm stops at a slip, the grip gets firmer, the arm goes on."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from rclpy.node import Node

from soft_tactile_node.examples.program import Arm, give_up, options, prepare, run
from soft_tactile_node.grasping import Hand, Touch, pause

CALM_S = 0.6
"""The arm goes on when there was no slip for this long."""


async def stop_on_slip(node: Node, hand: Hand, given: argparse.Namespace) -> int:
    """Hold with `given.force`, lift and stand still at every slip, put it down; returns the exit code."""
    arm = Arm(node, hand.gripper)
    slips: list[float] = []

    def now_s() -> float:
        return float(node.get_clock().now().nanoseconds) * 1e-9

    def stop(slip: Touch) -> None:
        arm.waits = True
        slips.append(now_s())
        print(f"slip on {slip.finger} at {arm.height_m * 1e3:.0f} mm: the arm stops", flush=True)

    def look() -> None:
        if arm.waits and now_s() - slips[-1] > CALM_S:
            arm.waits = False
            print("calm: the arm goes on", flush=True)

    await prepare(node, hand, given.wait)
    hold = hand.hold_force(given.force, max_normal_n=given.most)
    if not await hold.held:
        return await give_up(hand, hold)
    hand.on_slip(stop)
    node.create_timer(0.05, look)
    await arm.move_to(given.height)
    await pause(node, 1.0)
    lost = hold.result.done()
    await arm.move_to(0.0)
    result = await hold.cancel()
    print(f"{result.outcome if lost else 'put down'} after {result.slips} slips")
    return 1 if lost else 0


def main(args: Sequence[str] | None = None) -> int:
    """Run the example."""
    parser, words = options("Lift something slippery and stop at every slip.", args)
    parser.add_argument("--force", type=float, default=0.8, help="normal force of each finger to begin with, N")
    parser.add_argument("--most", type=float, default=4.0, help="most that slips may raise it to, N")
    parser.add_argument("--height", type=float, default=0.05, help="how high to lift, m")
    given = parser.parse_args(words)
    return run("stop_on_slip", given, lambda node, hand: stop_on_slip(node, hand, given), args)


if __name__ == "__main__":
    raise SystemExit(main())
