"""The watch over a stream of scans: silent while they come, at no cost for each, and heard once when they stop."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from soft_tactile_node.ros.finger.silence import DOUBT_SHARE, SilenceWatch

TIMEOUT_S = 0.1
DOUBT_NS = round(DOUBT_SHARE * TIMEOUT_S * 1e9)


class FakeTimer:
    """Counts what is asked of it."""

    def __init__(self, callback: Callable[[], None]) -> None:
        self.fire = callback
        self.timer_period_ns = 0
        self.running = False
        self.asked = 0

    def reset(self) -> None:
        """Start anew."""
        self.running, self.asked = True, self.asked + 1

    def cancel(self) -> None:
        """Stop."""
        self.running, self.asked = False, self.asked + 1


class FakeNode:
    """A node whose clock stands where it is put."""

    def __init__(self) -> None:
        self.now_ns = 10**9
        self.timers: list[FakeTimer] = []

    def get_clock(self) -> Any:
        """Return its clock."""
        return SimpleNamespace(now=lambda: SimpleNamespace(nanoseconds=self.now_ns))

    def call_every(self, _period_s: float, callback: Callable[[], None], **_: Any) -> FakeTimer:
        """Hand out a timer."""
        self.timers.append(FakeTimer(callback))
        return self.timers[-1]


@pytest.fixture
def watched() -> tuple[FakeNode, SilenceWatch, list[int]]:
    """Return a node, its watch and when it told of silence."""
    node, told = FakeNode(), []
    watch = SilenceWatch(node, TIMEOUT_S, lambda: told.append(node.now_ns))  # type: ignore[arg-type]
    watch.start()
    return node, watch, told


def test_scans_touch_no_timer(watched: tuple[FakeNode, SilenceWatch, list[int]]) -> None:
    """A thousand scans leave both timers alone; the next look is put off to when it can tell something."""
    node, watch, told = watched
    dog, grace = node.timers
    asked = dog.asked + grace.asked
    for _ in range(1000):
        node.now_ns += 10**6
        watch.hear(1e-9 * node.now_ns)
    assert dog.asked + grace.asked == asked
    node.now_ns += 10**7
    dog.fire()
    assert dog.running
    assert dog.timer_period_ns == pytest.approx(DOUBT_NS - 10**7, abs=1000)
    assert not grace.running
    assert told == []


def test_silence_is_told_once_and_again(watched: tuple[FakeNode, SilenceWatch, list[int]]) -> None:
    """Silence is doubted, then told once; scans that come back are watched anew."""
    node, watch, told = watched
    dog, grace = node.timers
    for turn in (1, 2):
        node.now_ns += DOUBT_NS + 1000
        dog.fire()
        assert grace.running
        assert not dog.running
        dog.fire()  # an overdue call, delivered late
        grace.fire()
        grace.fire()
        dog.fire()
        assert len(told) == turn
        assert not grace.running
        watch.hear(1e-9 * node.now_ns)
        assert dog.running


def test_a_scan_ends_the_doubt(watched: tuple[FakeNode, SilenceWatch, list[int]]) -> None:
    """A scan within the grace ends the doubt; a watch that was stopped stays silent."""
    node, watch, told = watched
    dog, grace = node.timers
    node.now_ns += DOUBT_NS + 1000
    dog.fire()
    watch.hear(1e-9 * node.now_ns)
    grace.fire()  # was on its way
    assert dog.running
    assert not grace.running
    watch.stop()
    dog.fire()
    assert not dog.running
    assert told == []


def test_a_clock_that_is_set_back_does_not_put_off_the_look_for_ever(
    watched: tuple[FakeNode, SilenceWatch, list[int]],
) -> None:
    """Where the clock ran back past the last scan, real time tells whether scans still come."""
    node, watch, _told = watched
    dog, grace = node.timers
    watch.hear(1e-9 * node.now_ns)
    node.now_ns -= 10**9
    dog.fire()
    assert grace.running
