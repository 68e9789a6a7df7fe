"""From the bytes of one device to readings: frames, order, time, inductance."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.errors import SourceError
from soft_tactile_node.samples import Array, Scan
from soft_tactile_node.sources.deframing import Deframer
from soft_tactile_node.sources.device_clock import DeviceClock
from soft_tactile_node.sources.frames import Frame
from soft_tactile_node.sources.numbering import Numbering
from soft_tactile_node.sources.protocol import Counters, Reading
from soft_tactile_node.sources.tank import Tank


class Device:
    """What is known of one device; serial port and UDP feed it with bytes.

    Parameters
    ----------
    tank : Tank or None
        Turns raw counts into inductance; None = the device must send inductances.
    counters : Counters
        Where everything is counted.
    patience : int
        Scans held back while an earlier one is missing; see `Numbering`.
    """

    def __init__(self, tank: Tank | None, counters: Counters, patience: int = 0) -> None:
        self._tank = tank
        self._counters = counters
        self._deframer = Deframer()
        self._numbering = Numbering(counters, patience)
        self._clock = DeviceClock()
        self._channels = 0

    def interrupted(self) -> None:
        """Forget what had begun and match the clocks anew: the line was interrupted."""
        self._deframer.reset()
        self._clock.reset()
        self._channels = 0  # another board may be on the line now

    @property
    def received(self) -> int:
        """Bytes that have come (1)."""
        return self._deframer.received

    def feed(self, data: bytes, arrival_s: float) -> list[Reading]:
        """Return the readings that are complete now.

        Parameters
        ----------
        data : bytes
            Any bytes.
        arrival_s : float
            When they came, on the host's clock (s).

        Returns
        -------
        list of Reading
            In order.

        Raises
        ------
        SourceError
            Frames carry raw counts and there is no tank description, or one of another number of channels.
        """
        ordered: list[Reading] = []
        for frame in self._deframer.feed(data):
            if frame.channels != (self._channels or frame.channels):
                self._counters.other_channels += 1
                continue
            self._channels = frame.channels
            for k, (number, one, came_s) in enumerate(self._numbering.push(frame, arrival_s)):
                if self._numbering.restarted and k == 0:
                    self._clock.reset()
                ordered.append(self._reading(number, one, came_s))
        ordered += [self._reading(*one) for one in self._numbering.give_up(arrival_s)]
        self._counters.bad_frames = self._deframer.bad_frames
        self._counters.clock_steps = self._clock.steps
        self._counters.scans += len(ordered)
        return ordered

    def _reading(self, number: int, frame: Frame, arrival_s: float) -> Reading:
        loss = _finite(frame.loss_ohm) if frame.loss_ohm else None
        scan = Scan(
            time_s=self._clock.to_host(frame.clock_us, arrival_s),
            inductance_h=self._inductance(frame, loss),
            temperature_c=float(_finite((frame.temperature_c,))[0]),
            loss_ohm=loss,
        )
        pressure_pa = float(_finite((frame.pressure_pa,))[0])
        return Reading(scan, number, pressure_pa, frame.pressure_is_absolute)

    def _inductance(self, frame: Frame, loss: Array | None) -> Array:
        if not frame.counts:
            return _finite(frame.inductance_h)
        if self._tank is None:
            raise SourceError("the device sends raw counts: give the description of its tanks (tank)")
        return self._tank.inductance(np.array(frame.counts, dtype=np.float64), loss)


def _finite(values: tuple[float, ...]) -> Array:
    """Return values as an array, what is not finite as NaN: not measured."""
    array = np.array(values, dtype=np.float64)
    array[~np.isfinite(array)] = np.nan
    return array
