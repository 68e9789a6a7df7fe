"""The highest pressure of a calibration on the robot."""

from __future__ import annotations

import math

import pytest

from soft_tactile_node.errors import RangeError
from soft_tactile_node.protocol.plausible import choose_pressure


def test_a_goal_takes_what_the_finger_stands_or_less() -> None:
    """A pressure within the limit is taken as it is, and no number means the limit."""
    assert choose_pressure(20e3, 30e3) == 20e3
    assert choose_pressure(math.nan, 30e3) == 30e3


@pytest.mark.parametrize(
    ("asked_pa", "most_pa", "said"),
    [
        (20e3, math.nan, "parameter 'max_pressure' must say what the finger stands, and does not: nothing moves"),
        (math.nan, math.nan, "nothing moves$"),
        (30001.0, 30e3, r"max_pressure must be 3 kPa to 30 kPa \(parameter 'max_pressure'\); got 30001 Pa$"),
        (30.0, 30e3, "got 30 Pa: for 30 kPa give 30000$"),
        (-1.0, 30e3, "got -1 Pa$"),
        (math.inf, 30e3, "got inf Pa$"),
    ],
)
def test_what_would_be_too_much_moves_nothing(asked_pa: float, most_pa: float, said: str) -> None:
    """More than the finger stands, another unit, and a finger of which nobody has said what it stands are refused."""
    with pytest.raises(RangeError, match=said):
        choose_pressure(asked_pa, most_pa)
