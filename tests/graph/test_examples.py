from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from soft_tactile_msgs.msg import GraspState

from graph.finger_driver import LEFT
from graph.graph_tools import graph
from graph.stepped_gripper import RATE_HZ, Gripped
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.examples.sort_by_compliance import doubt_of, name_of
from soft_tactile_node.simulation.gripper import Gripper


@pytest.fixture(scope="module")
def gripped() -> Iterator[Gripped]:
    """Give one gripper to all tests of this file: it puts down what it picks."""
    warm_up(load_calibration(LEFT))
    Gripper(rate_hz=RATE_HZ).step([0.0, 0.0])
    with graph() as live:
        yield Gripped(live)


def test_pick_gently_never_squeezes_a_bun_above_its_limit(gripped: Gripped) -> None:
    """The choux bun is lifted and put down, and the true force on it never exceeds the limit of 0.8 N."""
    gripped.put("bun")
    code, output = gripped.run("pick_gently", "--force", "0.3", "--most", "0.8")
    assert code == 0, output
    assert "touched first" in output
    assert "put down" in output
    heights = gripped.heights_m()
    assert max(heights) > 0.04, "it was lifted"
    assert heights[-1] < 1e-3, "it was put down"
    strongest = max(math.hypot(t.wrench.force.x, t.wrench.force.z) for ts in gripped.truths.values() for t in ts)
    assert 0.2 < strongest <= 0.8, output


def test_pick_gently_says_what_it_lost(gripped: Gripped) -> None:
    """A jar is too heavy for the force that is allowed: it is not said to be put down, and the exit status is 1."""
    gripped.put("jar")
    code, output = gripped.run("pick_gently", "--force", "0.3", "--most", "0.8")
    assert code == 1, output
    assert output.endswith("the object is gone\n")


def test_stop_on_slip_catches_the_jar(gripped: Gripped) -> None:
    """The jar slips at first, the arm stops, the grip gets firmer, and the jar arrives without having fallen."""
    gripped.put("jar")
    code, output = gripped.run("stop_on_slip", "--force", "0.8")
    assert code == 0, output
    assert "the arm stops" in output
    assert "the arm goes on" in output
    truths = [truth for ts in gripped.truths.values() for truth in ts]
    assert any(truth.slip for truth in truths), "it truly slipped"
    assert not any(truth.object_dropped for truth in truths), output
    assert max(gripped.heights_m()) > 0.03, "it was lifted"
    assert any(grasp.state == GraspState.SLIPPING for grasp in gripped.grasps)


@pytest.mark.parametrize(("item", "name"), [("bun", "choux bun"), ("roll", "rye roll"), ("jar", "jam jar")])
def test_sort_by_compliance_is_right(gripped: Gripped, item: str, name: str) -> None:
    """Each bakery item is called by its name."""
    gripped.put(item)
    code, output = gripped.run("sort_by_compliance")
    assert code == 0, output
    assert output.splitlines()[-1].startswith(name), output


def test_names_and_doubts() -> None:
    """The limits between the kinds, and a word of doubt where another kind is within one standard uncertainty."""
    assert [name_of(value) for value in (5e-3, 2e-3, 1.5e-3, 1.1e-3, 1e-4, -1e-3)] == [
        "choux bun", "choux bun", "rye roll", "rye roll", "jam jar", "jam jar",
    ]  # fmt: skip
    assert doubt_of(1.15e-3, 0.1e-3) == " (or jam jar)"
    assert doubt_of(1.5e-3, 0.1e-3) == ""
    assert doubt_of(1.5e-3, 2e-3) == " (or choux bun or jam jar)"
