from __future__ import annotations

from soft_tactile_node.simulation.pacing import MOST_BEHIND_S, Pacer

MS = 1_000_000


def test_does_the_steps_that_are_due() -> None:
    """At 100 Hz one step is due every 10 ms, stamped on the grid and not when the timer came."""
    pacer = Pacer(100.0)
    assert pacer.due(1000 * MS) == [1000 * MS]
    assert pacer.due(1004 * MS) == []
    assert pacer.due(1013 * MS) == [1010 * MS]
    assert pacer.due(1040 * MS) == [1020 * MS, 1030 * MS, 1040 * MS]
    assert pacer.lost_s == 0.0


def test_gives_up_time_it_cannot_catch_up() -> None:
    """After a long pause it goes on near the present, with stamps that keep rising, and counts what it gave up."""
    pacer = Pacer(100.0)
    pacer.due(0)
    stamps = pacer.due(1000 * MS)
    assert len(stamps) == round(MOST_BEHIND_S * 100.0)
    assert stamps == sorted(stamps)
    assert stamps[-1] == 1000 * MS
    assert abs(pacer.lost_s - 0.90) < 1e-9
    assert pacer.due(1010 * MS) == [1010 * MS]


def test_starts_afresh_when_the_clock_runs_backwards() -> None:
    """A simulated clock that was reset does not stop the simulation."""
    pacer = Pacer(100.0)
    pacer.due(5000 * MS)
    assert pacer.due(100 * MS) == [100 * MS]
