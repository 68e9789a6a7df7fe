"""What sources of devices share: one that is missing is waited for, said to be missing, and taken up when it comes."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable

from soft_tactile_node.errors import SourceError
from soft_tactile_node.sources.device import Device
from soft_tactile_node.sources.protocol import Counters, Reading
from soft_tactile_node.sources.silence import Silence
from soft_tactile_node.sources.tank import Tank

RETRY_S = 0.1
"""How often a device that is gone is looked for (s)."""


class WaitingSource(ABC):
    """A source whose device may come and go.

    Parameters
    ----------
    name : str
        Name of the source.
    silence : Silence
        Finds the words for a device that says nothing.
    clock : callable
        Clock of the stamps (s).
    tank : Tank or None
        Turns raw counts into inductance.
    patience : int
        Scans held back for one that was overtaken on the way.
    """

    def __init__(
        self, name: str, silence: Silence, clock: Callable[[], float], tank: Tank | None, patience: int = 0
    ) -> None:
        self.name = name
        self.counters = Counters()
        self._clock = clock
        self._device = Device(tank, self.counters, patience)
        self._was_open = False
        self._fault = ""
        self._silence = silence

    @property
    def fault(self) -> str:
        """Why nothing comes; empty while all is well."""
        return self._fault or self._silence.fault(self._device.received, self.counters.scans)

    @property
    def ended(self) -> bool:
        """A device may always come back."""
        return False

    def open(self) -> None:
        """Open it; SourceError: missing, in use, or not allowed. `read` goes on trying."""
        if not self._is_open():
            self._try_to_open()
        if self._fault:
            raise SourceError(self._fault)

    def read(self, timeout_s: float) -> list[Reading]:
        """Return what has come; waits up to `timeout_s` (s). A device that was gone is taken up at once."""
        if not self._is_open():
            self._try_to_open()
        if not self._is_open():
            time.sleep(min(timeout_s, RETRY_S))
            return []
        return self._read(timeout_s)

    def _begin(self) -> None:
        """Take note that the device is open."""
        self.counters.reconnects += self._was_open
        self._was_open = True
        self._fault = ""
        self._silence.begin(self._device.received, self.counters.scans)

    def _lose(self, fault: str) -> None:
        """Take note that the device has gone, and why."""
        self.close()
        self._device.interrupted()
        self._fault = fault

    @abstractmethod
    def close(self) -> None:
        """Close it."""

    @abstractmethod
    def _is_open(self) -> bool: ...

    @abstractmethod
    def _try_to_open(self) -> None: ...

    @abstractmethod
    def _read(self, timeout_s: float) -> list[Reading]: ...
