from __future__ import annotations

import math

import pytest

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.pressure_lease import NUMBERS, LeaseLimits, PressureLease, PressureRequest

S = 1_000_000_000


def lease(**limits: object) -> PressureLease:
    """Return the valve side of a finger with a limit of 60 kPa and leases of at most half a second."""
    return PressureLease(LeaseLimits(**{"most_pa": 60e3, "longest_lease_s": 0.5, **limits}))


def command(owner: str, number: int, gauge_pa: float = 20e3, **more: object) -> PressureRequest:
    """Return a command with a lease of half a second."""
    return PressureRequest(owner, number, gauge_pa, **{"lease_s": 0.5, **more})


def test_obeys_until_the_lease_ends_then_vents() -> None:
    """Without new commands the pressure stays for the lease and is let out when it has ended."""
    valve = lease()
    valve.take(command("/a", 1), 10 * S)
    assert (valve.owner(10 * S + S // 2 - 1), valve.opening_pa(10 * S + S // 2 - 1)) == ("/a", 20e3)
    assert (valve.owner(10 * S + S // 2), valve.opening_pa(10 * S + S // 2)) == ("", 0.0)


def test_holds_on_if_told_so() -> None:
    """With `hold`, the last pressure stays after the lease, and anybody may take it over."""
    valve = lease(vents=False)
    assert valve.opening_pa(0) == 0.0, "nobody has asked for pressure yet"
    valve.take(command("/a", 1), 0)
    assert (valve.owner(100 * S), valve.opening_pa(100 * S)) == ("", 20e3)
    valve.take(command("/b", 1, 5e3), 100 * S)
    assert (valve.owner(100 * S), valve.opening_pa(100 * S)) == ("/b", 5e3)


def test_no_lease_is_longer_than_the_valve_allows() -> None:
    """An owner that asks for an hour has half a second, and one that asks for less has less."""
    valve = lease()
    valve.take(command("/a", 1, lease_s=3600.0), 0)
    assert valve.left_s(0) == 0.5
    valve.take(command("/a", 2, lease_s=0.1), 0)
    assert valve.left_s(0) == pytest.approx(0.1)


def test_a_second_owner_is_named_and_refused_until_the_lease_is_given_back() -> None:
    """While one owner commands, another changes nothing; once the first has given the lease back, it may begin."""
    valve = lease()
    valve.take(command("/a", 1, 10e3), 0)
    with pytest.raises(RangeError, match="/a commands the pressure: /b has to wait"):
        valve.take(command("/b", 7, 50e3), S // 4)
    assert (valve.opening_pa(S // 4), valve.refused, valve.refused_number, valve.refusals) == (10e3, "/b", 7, 1)
    valve.take(command("/a", 2, 0.0, lease_s=0.0), S // 4)
    assert valve.owner(S // 4) == ""
    valve.take(command("/b", 8, 50e3), S // 4)
    assert valve.opening_pa(S // 4) == 50e3


def test_a_refused_owner_does_not_keep_the_lease_alive() -> None:
    """However often a second owner tries, the lease of the first ends when it would have ended anyway."""
    valve = lease()
    valve.take(command("/a", 1), 0)
    for tenth in range(1, 5):
        with pytest.raises(RangeError):
            valve.take(command("/b", tenth), tenth * S // 10)
    assert valve.owner(S // 2) == ""


def test_late_and_doubled_commands_of_the_owner_are_refused() -> None:
    """A command that was overtaken changes nothing; running numbers go on past the largest; a restart begins anew."""
    valve = lease()
    valve.take(command("/a", NUMBERS - 1), 0)
    valve.take(command("/a", 1, 30e3), 0)
    for late in (1, NUMBERS - 1):
        with pytest.raises(RangeError, match="two nodes of that name"):
            valve.take(command("/a", late, 5e3), 0)
    assert valve.opening_pa(0) == 30e3
    valve.take(command("/a", 0, 31e3), 0)
    assert valve.opening_pa(0) == 31e3, "0 is no number: somebody types"
    valve.take(command("/a", NUMBERS - 1, 5e3), S)
    assert valve.opening_pa(S) == 5e3, "after its lease has ended, an owner may number anew"


def test_an_owner_of_a_simulation_moves_nothing_real() -> None:
    """A real valve refuses an owner that belongs to a simulation; a simulated valve obeys anybody."""
    simulated = command("/sim/gripper/grasp_controller", 1, simulated=True)
    with pytest.raises(RangeError, match="/sim/gripper/grasp_controller belongs to a simulation"):
        lease(real=True).take(simulated, 0)
    lease(real=False).take(simulated, 0)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"gauge_pa": 60001.0}, "pressure must be -1000 to 60000 Pa gauge; got 60001"),
        ({"gauge_pa": -1001.0}, "pressure must be"),
        ({"gauge_pa": math.nan}, "pressure must be"),
        ({"gauge_pa": math.inf}, "pressure must be"),
        ({"lease_s": -0.1}, "lease must be >= 0 s; got -0.1"),
        ({"lease_s": math.nan}, "lease must be"),
        ({"age_s": 3.0}, "the command of /a is 3.0 s old"),
        ({"age_s": -3.0}, "clocks that differ"),
        ({"age_s": math.nan}, "one of a recording"),
        ({"owner": ""}, "owner must be the name"),
    ],
)
def test_refuses_what_cannot_be_meant_and_keeps_what_it_obeys(wrong: dict[str, object], said: str) -> None:
    """A command that cannot be meant is refused with the reason and does not keep the one before alive."""
    valve = lease()
    valve.take(command("/a", 1, 10e3), 0)
    with pytest.raises(RangeError, match=said):
        valve.take(PressureRequest(**{"owner": "/a", "number": 2, "gauge_pa": 20e3, "lease_s": 0.5, **wrong}), S // 4)
    assert valve.opening_pa(S // 4) == 10e3
    assert valve.opening_pa(S // 2) == 0.0


def test_a_valve_that_does_not_work_vents_and_refuses_everybody() -> None:
    """Blocked, the pressure is let out even with `hold`, and commands are refused with the reason until it is over."""
    valve = lease(vents=False)
    valve.take(command("/a", 1), 0)
    valve.block("no air")
    assert (valve.owner(0), valve.opening_pa(0)) == ("", 0.0)
    with pytest.raises(RangeError, match="no air"):
        valve.take(command("/a", 2), 0)
    valve.block("")
    assert valve.opening_pa(0) == 0.0
    valve.take(command("/a", 3), 0)
    assert valve.opening_pa(0) == 20e3


def test_a_standstill_of_its_own_is_no_silence_of_the_owner() -> None:
    """A simulator that stood still, like its machine, lets go of nothing; silence after that counts as ever."""
    valve = lease()
    valve.take(command("/a", 1), 10 * S)
    valve.stood_still(30 * S)
    assert valve.opening_pa(40 * S + S // 4) == 20e3
    assert valve.opening_pa(41 * S) == 0.0
