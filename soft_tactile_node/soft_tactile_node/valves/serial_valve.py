"""A valve on a serial port: a line at each heartbeat, an answer to each, a fault as soon as answers stay away."""

from __future__ import annotations

import math
from contextlib import suppress

import serial

from soft_tactile_node.valves.lines import Answer, AnswerReader, command_line

AGAIN_S = 1.0
"""A port that cannot be opened is tried again after so long (s)."""

TOO_MUCH = 1.1
"""A pressure this much above the limit is a fault (1): regulators overshoot a little."""

FAULTS = {
    "vented": "has vented by itself: lines came too late",
    "limit": "does not go as high as it was told: its own limit is lower",
    "fault": "says that it is broken: look after it",
}
"""What a valve says of itself that is a fault."""


class SerialValve:
    """Speaks the lines of `valves.lines` with a valve.

    Parameters
    ----------
    port : str
        Name of the port.
    baud : int
        Bits in a second (bit/s).
    timeout_s : float
        Without a line for so long the valve vents; without an answer for so long it is at fault (s).

    Attributes
    ----------
    fault : str
        What is wrong; empty = nothing.
    measured_pa : float
        Its pressure (gauge Pa); NaN = not known.
    """

    def __init__(self, port: str, baud: int, timeout_s: float) -> None:
        self._name, self._baud = port, baud
        self._timeout_s = timeout_s
        self._port: serial.Serial | None = None
        self._reader = AnswerReader()
        self._number = 0
        self._heard_s = self._tried_s = -math.inf
        self._opened_s = 0.0
        self.fault = f"serial port {port} is not open yet"
        self.measured_pa = math.nan

    def keep(self, gauge_pa: float, limit_pa: float, now_s: float) -> None:
        """Send a line with pressure and limit (gauge Pa) at `now_s` (s, steady), and take what was answered."""
        if self._port is None and not self._open(now_s):
            return
        assert self._port is not None
        self._number = self._number % (2**32 - 1) + 1
        line = command_line(self._number, min(max(gauge_pa, 0.0), limit_pa), limit_pa, self._timeout_s)
        try:
            self._port.write(line)
            answers = self._reader.feed(self._port.read(self._port.in_waiting))
        except (OSError, serial.SerialException) as error:
            self._lose(f"serial port {self._name} has gone ({error}): plug the valve in again")
            return
        for answer in answers:
            self._take(answer, limit_pa, now_s)
        if now_s - max(self._heard_s, self._opened_s) > self._timeout_s:
            self.measured_pa = math.nan
            self.fault = f"the valve on {self._name} does not answer for {self._timeout_s:g} s: check cable and supply"

    def close(self) -> None:
        """Tell the valve to vent, and close the port."""
        port, self._port = self._port, None
        if port is not None:
            with suppress(OSError, serial.SerialException):
                port.write(command_line(self._number + 1, 0.0, 0.0, self._timeout_s))
                port.flush()
                port.close()

    def _take(self, answer: Answer, limit_pa: float, now_s: float) -> None:
        self._heard_s, self.measured_pa = now_s, answer.measured_pa
        if answer.measured_pa > TOO_MUCH * limit_pa:
            over = f"{answer.measured_pa:.0f} Pa, limit {limit_pa:.0f} Pa"
            self.fault = f"the valve on {self._name} measures more than its limit ({over}): vent by hand"
        else:
            said = FAULTS.get(answer.state, "")
            self.fault = f"the valve on {self._name} {said}" if said else ""

    def _open(self, now_s: float) -> bool:
        if now_s - self._tried_s < AGAIN_S:
            return False
        self._tried_s = now_s
        try:
            self._port = serial.Serial(self._name, self._baud, timeout=0, write_timeout=0, exclusive=True)
        except (OSError, ValueError, serial.SerialException) as error:
            self.fault = f"serial port {self._name} cannot be opened ({error}): check name, rights and cable"
            return False
        self._reader, self._opened_s, self._heard_s = AnswerReader(), now_s, -math.inf
        self.fault = f"the valve on {self._name} has not answered yet"
        return True

    def _lose(self, fault: str) -> None:
        self.fault, self.measured_pa = fault, math.nan
        port, self._port = self._port, None
        with suppress(OSError, serial.SerialException):
            if port is not None:
                port.close()
