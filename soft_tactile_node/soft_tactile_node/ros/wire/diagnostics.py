"""Health of one finger for /diagnostics: levels by REP 107, one status, at 1 Hz and at once when it changes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnostic_msgs.msg import DiagnosticStatus, KeyValue

from soft_tactile_node.reports.flag_text import FLAG_ADVICE
from soft_tactile_node.samples import Flag, State

OK: bytes = DiagnosticStatus.OK
WARN: bytes = DiagnosticStatus.WARN
ERROR: bytes = DiagnosticStatus.ERROR

LEVELS = (OK, WARN, ERROR)

FLAG_LEVELS: Mapping[Flag, tuple[bytes, str]] = {
    flag: (LEVELS[level], text) for flag, (level, text) in FLAG_ADVICE.items()
}
"""What each flag means to the maintainer of a cell; bits without an entry are shown as WARN with their number."""


def level_of_flags(flags: Flag) -> tuple[bytes, str]:
    """Return the worst level of a set of flags and what to do about each.

    Parameters
    ----------
    flags : Flag
        As in the estimate.

    Returns
    -------
    level : bytes
        OK, WARN or ERROR of DiagnosticStatus.
    message : str
        Name and advice of every flag, worst first; "good" without flags.
    """
    found = []
    for bit in Flag:
        if bit in flags:
            level, advice = FLAG_LEVELS.get(bit, (WARN, "see the documentation of this flag"))
            found.append((level, f"{bit.name}: {advice}"))
    found.sort(key=lambda item: item[0], reverse=True)
    if not found:
        return OK, "good"
    return found[0][0], "; ".join(text for _, text in found)


def worse(one: tuple[bytes, str], other: tuple[bytes, str]) -> tuple[bytes, str]:
    """Return the worse of two levels with their messages; of equal ones both messages."""
    if one[0] == other[0] and one[0] != OK:
        return one[0], f"{one[1]}; {other[1]}"
    return max(one, other, key=lambda item: item[0])


CAUSES = (Flag.REJECTED, Flag.SPIKE, Flag.CHANNEL_OPEN, Flag.STUCK, Flag.TIME_JUMP)
"""Why a scan, or a channel of it, is not used."""

LOSSY_SHARE = 0.01
"""Share of lost scans that is worth a warning (1)."""


@dataclass
class StreamCounters:
    """Counts of one stream of scans; rates and latency since the last report, times in the node's clock (s)."""

    scans: int = 0
    pressures: int = 0
    refused: int = 0
    lost: int = 0
    late: int = 0
    rejected: dict[Flag, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    lost_now: int = 0
    late_told: int = 0
    latency_sum_s: float = 0.0
    latency_max_s: float = 0.0
    last_number: int = field(default=-1, repr=False)

    def count_scan(self, number: int, latency_s: float, flags: Flag) -> None:
        """Count a scan with its running number, its age when the estimate left (s) and the flags of the estimate."""
        self.scans += 1
        if flags:
            for cause in CAUSES:
                self.rejected[cause] += cause in flags
        self.latency_sum_s += latency_s
        self.latency_max_s = max(self.latency_max_s, latency_s)
        gap = (number - self.last_number - 1) % 2**32
        if self.last_number >= 0 and gap < 2**31:
            self.lost += gap
            self.lost_now += gap
        self.last_number = number

    @property
    def is_late(self) -> bool:
        """Whether estimates came too late since the last report."""
        return self.late > self.late_told

    @property
    def is_lossy(self) -> bool:
        """Whether too many scans were lost since the last report."""
        return self.lost_now > LOSSY_SHARE * (self.scans + self.lost_now)

    def report(self, elapsed_s: float) -> dict[str, str]:
        """Return rate and latency of the last `elapsed_s` (s) and the counts as text, and start the next span.

        What was not measured is left out: a latency without scans, a rate of no time at all.
        """
        values = {}
        if elapsed_s > 0.0:
            values["scan rate (Hz)"] = f"{self.scans / elapsed_s:.1f}"
            values["pressure rate (Hz)"] = f"{self.pressures / elapsed_s:.1f}"
        if self.scans:
            values["latency mean (ms)"] = f"{self.latency_sum_s / self.scans * 1e3:.2f}"
            values["latency max (ms)"] = f"{self.latency_max_s * 1e3:.2f}"
        values |= {
            "scans lost": str(self.lost),
            "estimates too late": str(self.late),
            **{f"scans with {cause.name}": str(count) for cause, count in self.rejected.items()},
            "messages refused": str(self.refused),
        }
        self.pressures, self.lost_now, self.late_told = 0, 0, self.late
        self.scans, self.latency_sum_s, self.latency_max_s = 0, 0.0, 0.0
        return values


class FingerHealth:
    """Collects what /diagnostics says about one finger and notices when it must be said at once.

    Parameters
    ----------
    name : str
        "<node>: <what>", as the diagnostics tools group it.
    hardware_id : str
        Which finger it is.

    Attributes
    ----------
    level, text : bytes, str
        How the finger is, and why.
    """

    def __init__(self, name: str, hardware_id: str) -> None:
        self._name = name
        self._hardware_id = hardware_id
        self.level, self.text = WARN, "not active"
        self._published: tuple[bytes, str] | None = None

    def set_level(self, level: bytes, message: str) -> None:
        """Say how the finger is."""
        self.level, self.text = level, message

    def set_flags(self, flags: Flag, state: State) -> None:
        """Say how the finger is from the flags and state of its estimate."""
        level, message = level_of_flags(flags)
        if state == State.FAULT:
            level, message = ERROR, f"no usable channel left; {message}"
        self.set_level(level, message)

    @property
    def changed(self) -> bool:
        """Whether level or kind of message differ from what was published last; other numbers in it are no news."""
        return self._published != (self.level, _kind_of(self.text))

    def status(self, values: Mapping[str, str]) -> DiagnosticStatus:
        """Return the status to publish and remember what it says."""
        self._published = (self.level, _kind_of(self.text))
        return DiagnosticStatus(
            level=self.level,
            name=self._name,
            message=self.text,
            hardware_id=self._hardware_id,
            values=[KeyValue(key=key, value=value) for key, value in values.items()],
        )


def _kind_of(message: str) -> str:
    return re.sub(r"[-+]?\d[\d.]*", "#", message)
