"""The lines between this machine and a valve on a serial port: shared/docs/valve.md says what the valve must do.

To the valve: `P,<number>,<pressure>,<limit>,<timeout>*<check>`; back: `S,<number>,<measured>,<state>*<check>`.
Pressures are whole gauge pascals, the timeout whole milliseconds, the check four hexadecimal digits of the CRC-16 over
all before the star (polynomial 0x1021, begun with 0xFFFF, not reflected: "CRC-16/IBM-3740").
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass

LONGEST = 80
"""No line is longer (bytes)."""

STATES = ("ok", "vented", "limit", "fault")
"""What a valve says of itself: it keeps the pressure; it has vented for want of lines; its own limit is below what was
asked; it is broken."""

_ANSWER = re.compile(rb"S,(\d{1,10}),(-?\d{1,7}),([a-z]{1,10})\*([0-9A-F]{4})\r?")


@dataclass(frozen=True)
class Answer:
    """What a valve has answered.

    Attributes
    ----------
    number : int
        Number of the line it answers.
    measured_pa : float
        Its pressure (gauge Pa).
    state : str
        One of STATES.
    """

    number: int
    measured_pa: float
    state: str


def check_of(text: bytes) -> bytes:
    """Return the check of a line."""
    return b"%04X" % binascii.crc_hqx(text, 0xFFFF)


def command_line(number: int, gauge_pa: float, limit_pa: float, timeout_s: float) -> bytes:
    """Return line `number` for a valve: keep `gauge_pa`, never beyond `limit_pa` (Pa), vent after `timeout_s` (s)."""
    text = b"P,%d,%d,%d,%d" % (number, round(gauge_pa), round(limit_pa), round(timeout_s * 1e3))
    return text + b"*" + check_of(text) + b"\n"


class AnswerReader:
    """Finds answers in the bytes of a port; what is damaged is counted and left out.

    Attributes
    ----------
    damaged : int
        Lines that were none.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self._rest = b""

    def feed(self, data: bytes) -> list[Answer]:
        """Return the answers that are whole now."""
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[-LONGEST:]
        found = []
        for line in lines:
            match = _ANSWER.fullmatch(line)
            if match and check_of(line.partition(b"*")[0]) == match[4] and match[3].decode() in STATES:
                found.append(Answer(int(match[1]), float(match[2]), match[3].decode()))
            else:
                self.damaged += 1
        return found
