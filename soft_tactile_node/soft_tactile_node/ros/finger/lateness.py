"""How long a message has waited in a queue, on two clocks of which nobody knows how far they are apart."""

from __future__ import annotations

import math

MEMORY_S = 30.0
"""How long the quickest message is remembered at least (s): after a step of a clock it counts anew."""


class Lateness:
    """Compares the time a message took with the quickest of the last half-minute: what is beyond that was waiting."""

    def __init__(self) -> None:
        self._quickest_s = self._before_s = math.inf
        self._turn_s = -math.inf

    def waited_s(self, sent_ns: int, now_ns: int) -> float:
        """Return how long a message has waited.

        Parameters
        ----------
        sent_ns : int
            When it was sent, by the clock of the sender (ns); 0 = not told.
        now_ns : int
            Present time of this machine (ns).

        Returns
        -------
        float
            Waiting time (s); 0 where it cannot be told.
        """
        if not sent_ns:
            return 0.0
        took_s, now_s = (now_ns - sent_ns) * 1e-9, now_ns * 1e-9
        if not 0.0 <= now_s - self._turn_s < MEMORY_S:
            self._before_s, self._quickest_s, self._turn_s = self._quickest_s, took_s, now_s
        self._quickest_s = min(self._quickest_s, took_s)
        return took_s - min(self._quickest_s, self._before_s)
