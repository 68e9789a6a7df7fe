from __future__ import annotations

import math
from types import SimpleNamespace

import pytest

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.hold_sequence import HoldGoal
from soft_tactile_node.ros.gripper import gripper_command

LIMITS = HoldGoal(normal_n=0.5, max_normal_n=4.0, max_pressure_pa=55e3)


def command(position_m: float, effort_n: float = 1.0) -> SimpleNamespace:
    """Return a stand-in for control_msgs/GripperCommand: the two fields of that message."""
    return SimpleNamespace(position=position_m, max_effort=effort_n)


def test_a_wide_position_opens() -> None:
    """From the open position on there is nothing to hold."""
    assert gripper_command.wish_of(command(0.08), 0.08, LIMITS) is None


def test_a_narrow_position_holds_with_the_effort() -> None:
    """max_effort is the normal force of each finger; the goal ends as soon as it is reached, the hold goes on."""
    goal = gripper_command.wish_of(command(0.03, 1.2), 0.08, LIMITS)
    assert goal == HoldGoal(1.2, 4.0, 55e3, 0.0, release=False)
    goal.check()


def test_effort_zero_is_the_default_force_and_too_much_is_the_limit() -> None:
    """0 means the controller's own force, as is usual for this action; more than the limit is the limit."""
    assert gripper_command.wish_of(command(0.03, 0.0), 0.08, LIMITS).normal_n == 0.5
    assert gripper_command.wish_of(command(0.03, 99.0), 0.08, LIMITS).normal_n == 4.0


@pytest.mark.parametrize(
    ("position_m", "effort_n", "said"),
    [
        (math.nan, 1.0, "position must be a finite width in m; got nan"),
        (0.03, -1.0, "max_effort must be >= 0 N; got -1"),
        (0.03, math.nan, "max_effort must be >= 0 N; got nan"),
    ],
)
def test_refuses_what_cannot_be_meant(position_m: float, effort_n: float, said: str) -> None:
    """NaN and negative effort are refused by name."""
    with pytest.raises(RangeError) as caught:
        gripper_command.wish_of(command(position_m, effort_n), 0.08, LIMITS)
    assert str(caught.value) == said


def test_stalled_is_holding() -> None:
    """The four fields of result and feedback: width, mean normal force, stalled = holding, goal reached."""
    filled = gripper_command.fill(SimpleNamespace(), 0.06, 0.9, holding=True, reached=False)
    assert vars(filled) == {"position": 0.06, "effort": 0.9, "stalled": True, "reached_goal": False}
