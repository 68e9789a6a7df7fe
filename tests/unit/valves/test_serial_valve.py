from __future__ import annotations

import contextlib
import math
import os
import select
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from soft_tactile_node.valves.lines import AnswerReader, check_of, command_line
from soft_tactile_node.valves.serial_valve import AGAIN_S, SerialValve
from soft_tactile_node.valves.simulated import LAG_S, SimulatedValve


def answer(text: bytes) -> bytes:
    """Return a line of the valve."""
    return text + b"*" + check_of(text) + b"\n"


class Board:
    """The other end of a pseudo terminal, which says what a test wants."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.port = os.ttyname(self.slave)

    def heard(self) -> bytes:
        """Return what has been sent since the last time, a line at least."""
        data = b""
        while not data.endswith(b"\n"):
            data += os.read(self.master, 4096)
        return data

    def say(self, text: bytes) -> None:
        """Answer, and wait until the answer has come through."""
        os.write(self.master, answer(text))
        select.select([self.slave], [], [], 10.0)

    def unplug(self) -> None:
        """Vanish."""
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def board() -> Iterator[Board]:
    """Give a board."""
    made = Board()
    yield made
    with contextlib.suppress(OSError):
        made.unplug()


class TestLines:
    """The lines themselves."""

    def test_the_check_is_the_documented_one(self) -> None:
        """The CRC of "123456789" is 0x29B1, the published check value of CRC-16/IBM-3740."""
        assert check_of(b"123456789") == b"29B1"

    def test_a_command_says_everything_in_whole_units(self) -> None:
        """Number, pascals, limit and milliseconds, then the check."""
        assert command_line(7, 12345.6, 60e3, 0.3) == b"P,7,12346,60000,300*" + check_of(b"P,7,12346,60000,300") + b"\n"

    def test_answers_come_in_pieces_and_damaged_ones_are_left_out(self) -> None:
        """Pieces are put together; a wrong check, an unknown state or noise is counted and gives no answer."""
        reader = AnswerReader()
        good = answer(b"S,1,-20,ok") + answer(b"S,2,30000,vented")
        found = reader.feed(good[:5]) + reader.feed(good[5:20]) + reader.feed(good[20:])
        assert [(one.number, one.measured_pa, one.state) for one in found] == [(1, -20.0, "ok"), (2, 30000.0, "vented")]
        bad = [answer(b"S,3,1,ok").replace(b",1,", b",9,"), answer(b"S,4,1,happy"), b"\x00\xff" * 300 + b"\n"]
        assert [reader.feed(line) for line in bad] == [[], [], []]
        assert reader.damaged == 3
        assert reader.feed(answer(b"S,5,1,ok"))[0].number == 5


class TestSerialValve:
    """The driver against a board on a pseudo terminal, on a stepped clock."""

    def test_keeps_within_the_limit_and_reads_what_is_measured(self, board: Board) -> None:
        """Each call is a line with the limit in it, no pressure above it; the answer clears the fault."""
        valve = SerialValve(board.port, 115200, 0.3)
        assert "is not open yet" in valve.fault
        valve.keep(90e3, 60e3, 0.0)
        assert board.heard() == command_line(1, 60e3, 60e3, 0.3)
        board.say(b"S,1,5000,ok")
        valve.keep(10e3, 60e3, 0.05)
        assert (valve.fault, valve.measured_pa) == ("", 5000.0)
        assert board.heard() == command_line(2, 10e3, 60e3, 0.3)
        valve.close()
        assert board.heard() == command_line(3, 0.0, 0.0, 0.3), "the last word is to vent"

    def test_silence_is_a_fault_until_it_answers_again(self, board: Board) -> None:
        """Without an answer for the timeout the pressure is not known and the fault says what to look at."""
        valve = SerialValve(board.port, 115200, 0.3)
        valve.keep(0.0, 60e3, 0.0)
        board.say(b"S,1,0,ok")
        valve.keep(0.0, 60e3, 0.1)
        valve.keep(0.0, 60e3, 0.39)
        assert valve.fault == ""
        valve.keep(0.0, 60e3, 0.41)
        assert "does not answer for 0.3 s: check cable and supply" in valve.fault
        assert math.isnan(valve.measured_pa)
        board.say(b"S,5,0,ok")
        valve.keep(0.0, 60e3, 0.5)
        assert valve.fault == ""

    @pytest.mark.parametrize(
        ("said", "fault"),
        [
            (b"S,1,0,vented", "has vented by itself"),
            (b"S,1,0,limit", "its own limit is lower"),
            (b"S,1,0,fault", "says that it is broken"),
            (b"S,1,70000,ok", "measures more than its limit (70000 Pa, limit 60000 Pa): vent by hand"),
        ],
    )
    def test_what_a_valve_says_of_itself_is_a_fault(self, board: Board, said: bytes, fault: str) -> None:
        """A valve that vented, cannot reach, is broken or overshoots its limit is at fault, in words."""
        valve = SerialValve(board.port, 115200, 0.3)
        valve.keep(20e3, 60e3, 0.0)
        board.say(said)
        valve.keep(20e3, 60e3, 0.1)
        assert fault in valve.fault

    def test_unplugged_it_is_tried_again(self, board: Board, tmp_path: Path) -> None:
        """A port that has gone is a fault; it is looked for once a second and taken up when it is back."""
        port = tmp_path / "valve"
        port.symlink_to(board.port)
        valve = SerialValve(str(port), 115200, 0.3)
        valve.keep(20e3, 60e3, 0.0)
        board.unplug()
        valve.keep(20e3, 60e3, 0.1)
        assert "has gone" in valve.fault
        port.unlink()
        valve.keep(20e3, 60e3, 0.1 + AGAIN_S)
        assert "cannot be opened" in valve.fault
        again = Board()
        port.symlink_to(again.port)
        valve.keep(20e3, 60e3, 0.2 + AGAIN_S)
        assert not select.select([again.master], [], [], 0.0)[0], "not yet"
        valve.keep(20e3, 60e3, 0.2 + 2 * AGAIN_S)
        assert again.heard().startswith(b"P,")
        assert "has not answered yet" in valve.fault
        again.unplug()


def test_the_simulated_valve_follows_with_its_lag() -> None:
    """After one lag 63 % of a step are done, above the limit it does not go, and closed it is vented."""
    valve = SimulatedValve()
    valve.keep(0.0, 60e3, 1.0)
    valve.keep(50e3, 60e3, 1.0 + LAG_S)
    assert valve.measured_pa == pytest.approx(50e3 * (1 - math.exp(-1.0)))
    valve.keep(90e3, 60e3, 10.0)
    assert valve.measured_pa == pytest.approx(60e3)
    valve.close()
    assert valve.measured_pa == 0.0
