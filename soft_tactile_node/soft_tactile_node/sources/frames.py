"""One scan as a frame of bytes: the same on a serial line and in a datagram.

A frame is a payload, stuffed by COBS so that it holds no zero byte, and one zero byte behind it. Numbers are
little-endian. The payload, for c channels:

======== ===== ======= ==========================================================================================
offset   bytes type    content
======== ===== ======= ==========================================================================================
0        1     uint8   version of the layout, 1
1        1     uint8   number of channels c, 1 to 16
2        1     uint8   contents, bit set: 0 the values are raw counts; 1 loss follows; 2 pressure follows; 3 that
                       pressure is absolute (else gauge); 4 temperature follows; bits 5 to 7 are 0
3        1     uint8   0
4        4     uint32  scan counter: one more with each scan, wraps
8        4     uint32  device clock in the middle of the scan (us), wraps
12       4 c   float32 inductance of each channel (H), NaN = not measured; or uint32 raw counts, 0 = not measured
then     4 c   float32 loss resistance of each channel (ohm), if bit 1 is set
then     4     float32 pressure (Pa), if bit 2 is set; to be sent once for each new reading
then     4     float32 temperature (degC), if bit 4 is set
last     4     uint32  CRC-32 of all before it (the one of Ethernet, zlib and PNG)
======== ===== ======= ==========================================================================================

Notes
-----
Sources: S. Cheshire, M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Trans. Networking 7 (1999) 159-172; CRC-32
as in ISO/IEC 13239 (HDLC) and IEEE 802.3. The layout is this project's own.
"""

from __future__ import annotations

import math
import struct
import zlib
from dataclasses import dataclass
from functools import lru_cache

from cobs import cobs

from soft_tactile_node.checks import check_range
from soft_tactile_node.errors import RangeError, ShapeError
from soft_tactile_node.samples import MAX_CHANNELS

VERSION = 1
"""Version of the layout; a frame of another version is not read."""

DELIMITER = b"\0"
"""Ends each frame and stands nowhere else."""

COUNTS, LOSS, PRESSURE, ABSOLUTE, TEMPERATURE = 1, 2, 4, 8, 16
_KNOWN_CONTENTS = COUNTS | LOSS | PRESSURE | ABSOLUTE | TEMPERATURE

_HEADER = struct.Struct("<BBBBII")
_CRC = struct.Struct("<I")

MAX_PAYLOAD = _HEADER.size + 8 * MAX_CHANNELS + 8 + _CRC.size
"""Longest payload (bytes); below 254, so that stuffing adds exactly one byte."""

MAX_STUFFED = MAX_PAYLOAD + 1
"""Longest frame without its delimiter (bytes)."""


@dataclass(frozen=True)
class Frame:
    """What a frame says.

    Attributes
    ----------
    scan : int
        Scan counter, 0 to 2^32 - 1.
    clock_us : int
        Device clock in the middle of the scan (us), 0 to 2^32 - 1.
    inductance_h : tuple of float
        Inductance of each channel (H), NaN = not measured; empty if the frame has counts.
    counts : tuple of int
        Raw count of each channel, 0 = not measured; empty if the frame has inductances.
    loss_ohm : tuple of float
        Loss resistance of each channel (ohm), NaN = not measured; empty if not sent.
    pressure_pa : float
        Pressure (Pa); NaN = not sent.
    pressure_is_absolute : bool
        Whether the pressure counts from vacuum.
    temperature_c : float
        Temperature (degC); NaN = not sent.
    """

    scan: int
    clock_us: int
    inductance_h: tuple[float, ...] = ()
    counts: tuple[int, ...] = ()
    loss_ohm: tuple[float, ...] = ()
    pressure_pa: float = math.nan
    pressure_is_absolute: bool = False
    temperature_c: float = math.nan

    @property
    def channels(self) -> int:
        """Number of channels (1)."""
        return len(self.inductance_h) or len(self.counts)


@lru_cache(maxsize=256)
def _body(channels: int, contents: int) -> struct.Struct:
    """Return the layout between header and CRC."""
    values = f"{channels}{'I' if contents & COUNTS else 'f'}"
    loss = f"{channels}f" if contents & LOSS else ""
    singles = "f" * (bool(contents & PRESSURE) + bool(contents & TEMPERATURE))
    return struct.Struct("<" + values + loss + singles)


def encode_frame(frame: Frame) -> bytes:
    """Return a frame as bytes, its delimiter at the end.

    Parameters
    ----------
    frame : Frame
        What to say; either inductances or counts.

    Returns
    -------
    bytes
        At most 154.

    Raises
    ------
    ShapeError
        No channel, more than 16, inductances beside counts, or loss of another number of channels.
    RangeError
        A counter, clock, count or value that does not fit its field.
    """
    contents = _contents(frame)
    values: tuple[float, ...] = frame.counts if contents & COUNTS else frame.inductance_h
    numbers = [*values, *frame.loss_ohm]
    numbers += [frame.pressure_pa] if contents & PRESSURE else []
    numbers += [frame.temperature_c] if contents & TEMPERATURE else []
    try:
        head = _HEADER.pack(VERSION, frame.channels, contents, 0, frame.scan, frame.clock_us)
        payload = head + _body(frame.channels, contents).pack(*numbers)
    except (struct.error, OverflowError) as error:
        raise RangeError(f"frame must hold 32-bit numbers; got scan {frame.scan}: {error}") from None
    return bytes(cobs.encode(payload + _CRC.pack(zlib.crc32(payload)))) + DELIMITER


def _contents(frame: Frame) -> int:
    if bool(frame.inductance_h) == bool(frame.counts):
        raise ShapeError("frame must have either inductances or counts; got both or neither")
    check_range(frame.channels, 1, MAX_CHANNELS, name="channels")
    if len(frame.loss_ohm) not in (0, frame.channels):
        raise ShapeError(f"loss_ohm must be empty or of {frame.channels} channels; got {len(frame.loss_ohm)}")
    contents = COUNTS if frame.counts else 0
    contents |= LOSS if frame.loss_ohm else 0
    contents |= 0 if math.isnan(frame.pressure_pa) else PRESSURE | (ABSOLUTE if frame.pressure_is_absolute else 0)
    return contents | (0 if math.isnan(frame.temperature_c) else TEMPERATURE)


def decode_frame(stuffed: bytes) -> Frame | None:
    """Return what `stuffed`, bytes without a zero, say; None unless a whole frame of this version with a right CRC."""
    if not _HEADER.size + _CRC.size < len(stuffed) <= MAX_STUFFED:
        return None
    try:
        payload = cobs.decode(stuffed)
    except cobs.DecodeError:
        return None
    body, crc = payload[: -_CRC.size], payload[-_CRC.size :]
    if len(body) <= _HEADER.size or zlib.crc32(body) != _CRC.unpack(crc)[0]:
        return None
    version, channels, contents, spare, scan, clock_us = _HEADER.unpack_from(body)
    if version != VERSION or spare or contents & ~_KNOWN_CONTENTS or not 1 <= channels <= MAX_CHANNELS:
        return None
    layout = _body(channels, contents)
    if len(body) != _HEADER.size + layout.size:
        return None
    return _frame(scan, clock_us, channels, contents, layout.unpack_from(body, _HEADER.size))


def _frame(scan: int, clock_us: int, channels: int, contents: int, numbers: tuple[float, ...]) -> Frame:
    values, rest = numbers[:channels], list(numbers[channels:])
    loss = tuple(rest[:channels]) if contents & LOSS else ()
    del rest[: len(loss)]
    return Frame(
        scan=scan,
        clock_us=clock_us,
        inductance_h=() if contents & COUNTS else values,
        counts=tuple(int(value) for value in values) if contents & COUNTS else (),
        loss_ohm=loss,
        pressure_pa=rest.pop(0) if contents & PRESSURE else math.nan,
        pressure_is_absolute=bool(contents & ABSOLUTE),
        temperature_c=rest.pop(0) if contents & TEMPERATURE else math.nan,
    )
