"""Coil readings read from the bytes that came, which is cheaper than to have a message object made of them first.

Source: OMG DDS-XTypes 1.3, 7.4 (plain CDR: each number at a multiple of its size, counted behind the four bytes that
tell the encoding; a sequence begins with its length).
"""

from __future__ import annotations

import struct
from typing import NamedTuple

import numpy as np
from builtin_interfaces.msg import Time

from soft_tactile_node.errors import ShapeError
from soft_tactile_node.ros.wire.conversions import stamp_to_seconds
from soft_tactile_node.ros.wire.written import FRAME_AT, STAMP_AT, next_place
from soft_tactile_node.samples import MAX_CHANNELS, Array, Scan

NOTHING: Array = np.zeros(0)


class _Order:
    """How numbers are read in one order of their bytes; prepared, because scans come a thousand times a second."""

    def __init__(self, sign: str) -> None:
        self.header = struct.Struct(f"{sign}iII").unpack_from  # seconds, nanoseconds, bytes of the frame's name
        self.count = struct.Struct(f"{sign}I").unpack_from
        self.number = struct.Struct(f"{sign}d").unpack_from
        self.numbers = np.dtype(f"{sign}f8")


ORDERS = {b"\0\0": _Order(">"), b"\0\1": _Order("<")}
"""Order of the bytes by the encoding that is told in front."""


class Coils(NamedTuple):
    """What one CoilReadings says.

    Attributes
    ----------
    scan : Scan
        The readings, at the mean time of the channels.
    number : int
        Running number of the scan.
    stamp : builtin_interfaces.msg.Time
        Of the message.
    """

    scan: Scan
    number: int
    stamp: Time


def read_coils(data: bytes) -> Coils:
    """Return what a CoilReadings says, from the bytes of it.

    Parameters
    ----------
    data : bytes
        As a raw subscription hands them out.

    Returns
    -------
    Coils
        See Coils.

    Raises
    ------
    ShapeError
        No channel, too many, loss and offset of another length than inductance, or bytes in another encoding.
    """
    try:
        order = ORDERS[data[:2]]
        seconds, nanoseconds, frame_bytes = order.header(data, STAMP_AT)
        at = next_place(FRAME_AT + frame_bytes, 4)
        (number,) = order.count(data, at)
        inductance, at = _doubles(data, at + 4, order)
        loss, at = _doubles(data, at, order)
        offset, at = _doubles(data, at, order)
        (temperature,) = order.number(data, next_place(at, 8))
    except (KeyError, ValueError, struct.error) as error:
        raise ShapeError(
            f"coil readings must be sent as plain CDR; {len(data)} bytes cannot be read as such: use the same messages "
            "and middleware on both sides"
        ) from error
    channels = inductance.size
    if not 1 <= channels <= MAX_CHANNELS:
        raise ShapeError(f"inductance must be of 1 to {MAX_CHANNELS} channels; got {channels}")
    for name, values in (("loss", loss), ("offset", offset)):
        if values.size not in (0, channels):
            raise ShapeError(f"{name} must be empty or of {channels} channels; got {values.size}")
    stamp = Time(sec=seconds, nanosec=nanoseconds)
    time_s = stamp_to_seconds(stamp)
    if offset.size:
        time_s += float(offset.mean())
    scan = Scan(time_s, inductance, temperature, loss if loss.size else None)
    return Coils(scan, number, stamp)


def _doubles(data: bytes, at: int, order: _Order) -> tuple[Array, int]:
    """Return the sequence of float64 whose length lies at `at`, and where it ends; an empty one fills nothing up."""
    (count,) = order.count(data, at)
    if not count:
        return NOTHING, at + 4
    start = next_place(at + 4, 8)
    return np.frombuffer(data, order.numbers, count, start).astype(np.float64), start + 8 * count
