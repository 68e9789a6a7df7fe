from __future__ import annotations

from soft_tactile_node.ros.finger.lateness import Lateness

S = 1_000_000_000
APART_NS = 1000 * S  # the sender's clock is that far behind


def test_waiting_is_what_the_quickest_did_not_need() -> None:
    """Clocks far apart do not matter: a message that took a quarter of a second longer has waited that long."""
    lateness = Lateness()
    for k in range(10):
        assert lateness.waited_s(k * S, k * S + APART_NS + 1_000_000) == 0.0
    assert abs(lateness.waited_s(10 * S, 10 * S + APART_NS + S // 4) - 0.249) < 1e-6


def test_a_clock_that_was_set_is_lived_with() -> None:
    """A step of one clock is taken for waiting for a minute at most."""
    lateness = Lateness()
    lateness.waited_s(S, S)
    waits = [lateness.waited_s(k * S, (k + 5) * S) for k in range(2, 70)]
    assert waits[0] == 5.0
    assert waits[-1] == 0.0


def test_nothing_is_known_without_a_time_of_sending() -> None:
    """A middleware that does not tell when a message was sent makes none late."""
    assert Lateness().waited_s(0, 5 * S) == 0.0
