from __future__ import annotations

import pytest

from soft_tactile_node.sources.numbering import LATE_IN_A_ROW, Numbering
from soft_tactile_node.sources.protocol import Counters
from unit.sources.made import frame


class Line:
    """A numbering fed with counters at 1 kHz."""

    def __init__(self, patience: int) -> None:
        self.counters = Counters()
        self.numbering = Numbering(self.counters, patience, 0.01)
        self.now_s = 0.0

    def push(self, *scans: int) -> list[tuple[int, int]]:
        """Return (number, counter of the device) of what comes out."""
        out = []
        for scan in scans:
            self.now_s += 0.001
            out += [(number, one.scan) for number, one, _ in self.numbering.push(frame(scan), self.now_s)]
        return out

    def counted(self) -> dict[str, int]:
        """Return the counters that are not 0."""
        return {name: value for name, value in vars(self.counters).items() if value}


@pytest.mark.parametrize("patience", [0, 8])
def test_scans_in_order_pass_at_once(patience: int) -> None:
    """The first counter starts the numbers at 0, and nothing waits."""
    line = Line(patience)
    assert line.push(70, 71, 72) == [(0, 70), (1, 71), (2, 72)]
    assert line.counted() == {}


@pytest.mark.parametrize("patience", [0, 8])
def test_the_counter_wraps(patience: int) -> None:
    """Nothing is lost or repeated where 2^32 - 1 is followed by 0."""
    line = Line(patience)
    assert line.push(2**32 - 2, 2**32 - 1, 0, 1) == [(0, 2**32 - 2), (1, 2**32 - 1), (2, 0), (3, 1)]
    assert line.counted() == {}


def test_a_gap_is_counted_and_shows_in_the_numbers() -> None:
    """Where the line keeps the order a gap is a loss at once, across the wrap as well."""
    line = Line(0)
    assert line.push(2**32 - 2, 3, 4) == [(0, 2**32 - 2), (5, 3), (6, 4)]
    assert line.counted() == {"lost": 4}


def test_swapped_scans_come_out_in_order() -> None:
    """One that was overtaken by two others is waited for, and nothing is lost."""
    line = Line(8)
    assert line.push(0, 2, 3) == [(0, 0)]
    assert line.push(1) == [(1, 1), (2, 2), (3, 3)]
    assert line.counted() == {}


def test_waiting_ends_after_enough_scans() -> None:
    """A scan that does not come is given up once more than `patience` others wait."""
    line = Line(2)
    assert line.push(0, 2, 3) == [(0, 0)]
    assert line.push(4) == [(2, 2), (3, 3), (4, 4)]
    assert line.push(1) == []
    assert line.counted() == {"lost": 1, "late": 1}


def test_waiting_ends_after_a_while() -> None:
    """A scan that does not come is given up after `patience_s`, also when nothing else comes."""
    line = Line(8)
    assert line.push(0, 2) == [(0, 0)]
    assert line.numbering.give_up(line.now_s + 0.0099) == []
    assert [number for number, _, _ in line.numbering.give_up(line.now_s + 0.0101)] == [2]
    assert line.counted() == {"lost": 1}


def test_duplicates_are_dropped() -> None:
    """A scan that comes twice is handed out once, whether it waits or has gone out."""
    line = Line(8)
    assert line.push(0, 0, 2, 2, 1, 1, 2) == [(0, 0), (1, 1), (2, 2)]
    assert line.counted() == {"duplicates": 4}


@pytest.mark.parametrize("patience", [0, 8])
def test_a_restart_of_the_device_goes_on_counting(patience: int) -> None:
    """A counter that starts again is a restart, not a loss of four thousand million scans."""
    line = Line(patience)
    line.push(*range(1000, 1003))
    assert line.push(0) == [(3, 0)]
    assert line.numbering.restarted
    assert line.push(1) == [(4, 1)]
    assert not line.numbering.restarted
    assert line.counted() == {"restarts": 1}


def test_a_restart_soon_after_the_start_is_found() -> None:
    """A device that restarts before it counted far looks late at first, but not for long."""
    line = Line(0)
    line.push(*range(30))
    assert line.push(*range(LATE_IN_A_ROW)) == [(30, LATE_IN_A_ROW - 1)]
    assert line.counters.restarts == 1
