from __future__ import annotations

from soft_tactile_node.ros.finger.freshness import Freshness

STEP_S, WORK_S = 0.004, 0.0005


def take(
    fresh: Freshness, scans: range, *, arrive_s: float = 0.0, offset_s: float = 0.0, now_s: float = 0.0
) -> list[int]:
    """Take scans up one after the other, none before it is there; returns which were late.

    Scan k is stamped k STEP_S + offset_s and is there at that time plus arrive_s, on a clock that shows at least now_s.
    """
    late = []
    for k in scans:
        now_s = max(now_s, k * STEP_S + arrive_s)
        if fresh.is_late(k * STEP_S + offset_s, now_s):
            late.append(k)
        now_s += WORK_S
        fresh.done(now_s)
    return late


def test_after_a_standstill_only_the_newest_are_passed_on() -> None:
    """Scans that waited for half a second are late until the queue is as short as the limit allows; then none is."""
    fresh = Freshness(0.1)
    assert take(fresh, range(100)) == []
    late = take(fresh, range(100, 400), now_s=100 * STEP_S + 0.5)
    # at the k-th scan after the standstill the age is 0.5 s - k (4 ms - 0.5 ms)
    assert late == list(range(100, 100 + 115))


def test_a_clock_that_differs_makes_nobody_late() -> None:
    """Stamps of another clock, hours off, are as fresh as any."""
    assert take(Freshness(0.1), range(500), offset_s=-7200.0) == []
    assert take(Freshness(0.1), range(500), offset_s=7200.0) == []


def test_a_source_slower_than_its_stamps_is_not_late() -> None:
    """Scans that come ever later have not waited here, one by one or in bunches, where this side is idle before."""
    for bunch in (1, 20):
        fresh = Freshness(0.1)
        for k in range(0, 500, bunch):
            assert take(fresh, range(k, k + bunch), arrive_s=(k + bunch) * STEP_S) == []


def test_a_source_whose_clock_is_set_back_is_late_once() -> None:
    """A step of the stamps looks like one late scan; then the new age is the usual one."""
    fresh = Freshness(0.1)
    take(fresh, range(1000), offset_s=0.0)
    fresh_again = take(fresh, range(1000, 1100), arrive_s=0.5)
    assert fresh_again == [1000]


def test_a_clock_that_runs_back_begins_anew() -> None:
    """After the stamps have jumped back, ages are compared with new ones."""
    fresh = Freshness(0.1)
    take(fresh, range(1000, 1200))
    assert take(fresh, range(100), now_s=1200 * STEP_S) == []
