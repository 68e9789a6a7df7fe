"""Example: squeeze gently and tell choux buns, rye rolls and jam jars apart by how much they give way."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence

from rclpy.node import Node

from soft_tactile_node.examples.program import give_up, options, prepare, run
from soft_tactile_node.grasping import Hand, pause

SOFTEST_FIRST = ((2.0e-3, "choux bun"), (1.1e-3, "rye roll"), (-math.inf, "jam jar"))
"""From which compliance on (m/N) an item is taken for what; the items and numbers of the bench are invented."""


def name_of(compliance_m_n: float) -> str:
    """Return what an item of a compliance (m/N) is taken for."""
    return next(name for least, name in SOFTEST_FIRST if compliance_m_n >= least)


def doubt_of(compliance_m_n: float, deviation_m_n: float) -> str:
    """Return a word of doubt where another kind lies within one standard uncertainty (m/N)."""
    others = {name_of(compliance_m_n - deviation_m_n), name_of(compliance_m_n + deviation_m_n)}
    others.discard(name_of(compliance_m_n))
    return f" (or {' or '.join(sorted(others))})" if others else ""


async def sort_by_compliance(node: Node, hand: Hand, given: argparse.Namespace) -> int:
    """Squeeze up to `given.force`, read the compliance, let go, say what it is; returns the exit code."""
    await prepare(node, hand, given.wait)
    hold = hand.hold_force(given.force)
    if not await hold.held:
        return await give_up(hand, hold)
    await pause(node, 0.3)
    grasp = hand.grasp
    await hold.cancel()
    if grasp is None or not math.isfinite(grasp.compliance):
        print("compliance not known: grasp_monitor needs the lengths of the palm and pad_compliance")
        return 1
    deviation_m_n = math.sqrt(grasp.compliance_variance)
    print(
        f"{name_of(grasp.compliance)}{doubt_of(grasp.compliance, deviation_m_n)}: "
        f"{grasp.compliance * 1e3:.2f} +- {deviation_m_n * 1e3:.2f} mm/N, {grasp.width * 1e3:.1f} mm wide"
    )
    return 0


def main(args: Sequence[str] | None = None) -> int:
    """Run the example."""
    parser, words = options("Tell bakery items apart by their compliance.", args)
    parser.add_argument("--force", type=float, default=1.0, help="normal force of each finger to squeeze with, N")
    given = parser.parse_args(words)
    return run("sort_by_compliance", given, lambda node, hand: sort_by_compliance(node, hand, given), args)


if __name__ == "__main__":
    raise SystemExit(main())
