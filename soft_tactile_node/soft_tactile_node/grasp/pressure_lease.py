"""The valve side of pressure commands: obeys one owner at a time, while its lease runs. No middleware, no clock."""

from __future__ import annotations

import math
from dataclasses import dataclass

from soft_tactile_node.errors import RangeError

LEAST_COMMAND_PA = -1000.0
"""A command may be this far below the vented line (gauge Pa): sensor offsets."""

NUMBERS = 2**32
"""Running numbers of commands begin anew after so many."""


@dataclass(frozen=True)
class PressureRequest:
    """One command.

    Attributes
    ----------
    owner : str
        Who commands.
    number : int
        Running number of the owner's commands, 1 to 2^32 - 1 and then 1 again; 0 = not numbered.
    gauge_pa : float
        Wanted pressure (gauge Pa).
    lease_s : float
        How long the command stands without another (s); 0 gives the lease back at once.
    age_s : float
        How old it was when it came (s); 0 = not known.
    simulated : bool
        Whether the owner belongs to a simulation.
    """

    owner: str
    number: int
    gauge_pa: float
    lease_s: float
    age_s: float = 0.0
    simulated: bool = False


@dataclass(frozen=True)
class LeaseLimits:
    """What the valve side accepts, and what it does when nobody commands.

    Attributes
    ----------
    most_pa : float
        Highest pressure accepted (gauge Pa).
    longest_lease_s : float
        Longest time that a command may stand without another (s); longer ones are cut to it.
    vents : bool
        What to do when a lease has ended: vent (True) or hold the last pressure.
    real : bool
        Whether something real moves: then owners of a simulation are refused.
    """

    most_pa: float
    longest_lease_s: float
    vents: bool = True
    real: bool = False


class PressureLease:
    """Whom the valve of one finger obeys, and what it keeps.

    Parameters
    ----------
    limits : LeaseLimits
        May be exchanged at any time.

    Attributes
    ----------
    limits : LeaseLimits
        As given.
    number : int
        Number of the newest command obeyed; 0 = none yet.
    refused : str
        Whose command was refused last; empty = nobody's.
    refused_number : int
        Number of that command.
    reason : str
        Why it was refused, in one sentence.
    refusals : int
        How many commands were refused.
    refused_ns : int or None
        When the last one was (ns).
    """

    def __init__(self, limits: LeaseLimits) -> None:
        self.limits = limits
        self.number = 0
        self.refused, self.refused_number, self.reason, self.refusals = "", 0, "", 0
        self.refused_ns: int | None = None
        self._owner = ""
        self._gauge_pa = 0.0
        self._ends_ns = 0
        self._blocked = ""

    def take(self, request: PressureRequest, now_ns: int) -> None:
        """Obey a command that came at `now_ns` (ns), or refuse it.

        Parameters
        ----------
        request : PressureRequest
            The command.
        now_ns : int
            The clock (ns).

        Raises
        ------
        RangeError
            Refused; says why. What is obeyed stays, and its lease ends if no good command follows.
        """
        reason = self._what_is_wrong(request, now_ns)
        if reason:
            self.refused, self.refused_number, self.reason = request.owner, request.number, reason
            self.refusals, self.refused_ns = self.refusals + 1, now_ns
            raise RangeError(reason)
        self._owner, self.number = request.owner, request.number
        self._gauge_pa = max(request.gauge_pa, 0.0)
        self._ends_ns = now_ns + round(min(request.lease_s, self.limits.longest_lease_s) * 1e9)

    def block(self, reason: str) -> None:
        """Vent, end the lease and refuse every command for `reason`; an empty one obeys again."""
        self._blocked = reason
        if reason:
            self._owner, self._gauge_pa, self._ends_ns = "", 0.0, 0

    def _what_is_wrong(self, request: PressureRequest, now_ns: int) -> str:
        owner, limits = request.owner, self.limits
        if self._blocked:
            return self._blocked
        if not owner:
            return "owner must be the name of who commands; got ''"
        if limits.real and request.simulated:
            return f"{owner} belongs to a simulation: a real valve does not obey it"
        if not LEAST_COMMAND_PA <= request.gauge_pa <= limits.most_pa:  # NaN fails, too
            return f"pressure must be {LEAST_COMMAND_PA:g} to {limits.most_pa:g} Pa gauge; got {request.gauge_pa:g}"
        if not 0.0 <= request.lease_s < math.inf:
            return f"lease must be >= 0 s; got {request.lease_s:g}"
        if not abs(request.age_s) <= max(request.lease_s, limits.longest_lease_s):
            return f"the command of {owner} is {request.age_s:.1f} s old: one of a recording, or clocks that differ"
        present = self.owner(now_ns)
        if present and present != owner:
            return f"{present} commands the pressure: {owner} has to wait until it has given the lease back"
        ahead = (request.number - self.number) % NUMBERS
        if present and request.number and not 0 < ahead < NUMBERS // 2:
            return f"command {request.number} of {owner} came after its command {self.number}: two nodes of that name?"
        return ""

    def stood_still(self, lost_ns: int) -> None:
        """Take note that this side has lost `lost_ns` (ns): nobody can have commanded it meanwhile."""
        self._ends_ns += lost_ns

    def owner(self, now_ns: int) -> str:
        """Return who holds the lease at `now_ns` (ns); empty = nobody."""
        return self._owner if now_ns < self._ends_ns else ""

    def left_s(self, now_ns: int) -> float:
        """Return how long the lease still runs at `now_ns` (ns) without another command (s); 0 = nobody holds it."""
        return max(self._ends_ns - now_ns, 0) * 1e-9 if self.owner(now_ns) else 0.0

    def opening_pa(self, now_ns: int) -> float:
        """Return the pressure that the valve has to keep at `now_ns` (gauge Pa)."""
        if self.limits.vents and not self.owner(now_ns):
            return 0.0
        return self._gauge_pa
