from __future__ import annotations

import math

import pytest

from soft_tactile_node.errors import RangeError
from soft_tactile_node.simulation.valve import Valve

S = 1_000_000_000


def test_holds_the_command_until_the_timeout_then_vents() -> None:
    """Without new commands the pressure stays for the timeout and is let out after it."""
    valve = Valve(timeout_s=0.5, vents=True, most_pa=60e3)
    valve.command(20e3, now_ns=10 * S)
    assert valve.opening_pa(10 * S + S // 2) == 20e3
    assert valve.opening_pa(10 * S + S // 2 + 1) == 0.0


def test_holds_on_if_told_so() -> None:
    """With `hold`, the last command stays whatever happens."""
    valve = Valve(timeout_s=0.5, vents=False, most_pa=60e3)
    valve.command(20e3, now_ns=0)
    assert valve.opening_pa(100 * S) == 20e3


def test_a_standstill_of_its_own_is_no_silence_of_the_controller() -> None:
    """A simulator that stood still, like its machine, lets go of nothing; silence after that counts as ever."""
    valve = Valve(timeout_s=0.5, vents=True, most_pa=60e3)
    valve.command(20e3, now_ns=10 * S)
    valve.stood_still(30 * S)
    assert valve.opening_pa(40 * S + S // 4) == 20e3
    assert valve.opening_pa(41 * S) == 0.0


def test_is_vented_before_the_first_command() -> None:
    """Nobody has asked for pressure yet: there is none."""
    assert Valve(0.5, False, 60e3).opening_pa(5 * S) == 0.0


@pytest.mark.parametrize("gauge_pa", [60001.0, -1001.0, math.nan, math.inf])
def test_refuses_and_keeps_the_last_command(gauge_pa: float) -> None:
    """A command above the limit, below the vented line or not finite changes nothing and is named."""
    valve = Valve(timeout_s=0.5, vents=True, most_pa=60e3)
    valve.command(10e3, now_ns=0)
    with pytest.raises(RangeError, match="pressure_command must be"):
        valve.command(gauge_pa, now_ns=S // 4)
    assert valve.opening_pa(S // 4) == 10e3
    assert valve.opening_pa(S) == 0.0, "a refused command must not keep an old one alive"
