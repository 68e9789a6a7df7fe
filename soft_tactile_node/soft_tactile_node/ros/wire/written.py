"""Messages written as the bytes that are sent, which is cheaper than to fill an object that is converted each time."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
from builtin_interfaces.msg import Time
from rclpy.serialization import serialize_message

NUMBERS = {"boolean": "?", "double": "f8", "uint8": "u1", "uint32": "u4", "uint64": "u8"}
"""How numpy calls the plain types of messages."""

STAMP, STAMP_AT, FRAME_AT = struct.Struct("=iI"), 4, 16
"""What a header begins with, behind the four bytes that tell the encoding: seconds, nanoseconds; then the frame."""


def next_place(at: int, size: int) -> int:
    """Return the place from `at` on where a number of `size` bytes may lie: at a multiple of it behind the encoding."""
    return STAMP_AT + -(-(at - STAMP_AT) // size) * size


def layout_of(message: Any) -> np.dtype[Any]:
    """Return how the fields of a message without header lie in memory; ROS 2 sends them aligned as in C.

    Parameters
    ----------
    message : message
        Of fields of fixed length only; a message in it is of float64 alone.

    Returns
    -------
    numpy.dtype
        A record with the names of the fields; a message in it is its numbers in a row. Source: OMG DDS-XTypes 1.3, 7.4
        (plain CDR: each number at a multiple of its size).
    """

    def place(name: str, kind: str) -> Any:
        value = getattr(message, name)
        if hasattr(value, "get_fields_and_field_types"):
            return name, np.float64, (layout_of(value).itemsize // 8,)
        number, _, count = kind.partition("[")
        return name, NUMBERS[number], (int(count[:-1]),) if count else ()

    kinds = message.get_fields_and_field_types().items()
    return np.dtype([place(name, kind) for name, kind in kinds if name != "header"], align=True)


class WrittenMessage:
    """A message with a header, all else of fixed length, written where it is sent from.

    Parameters
    ----------
    message : message
        What it says at first; its frame stays.

    Raises
    ------
    RuntimeError
        The middleware lays messages out in another way.
    """

    def __init__(self, message: Any) -> None:
        layout = layout_of(message)
        self._data = bytearray(serialize_message(message))
        frame_end = FRAME_AT + len(message.header.frame_id.encode()) + 1
        start = next_place(frame_end, layout.alignment)
        if start + layout.itemsize != len(self._data):
            raise RuntimeError(
                f"{type(message).__name__} must be sent as plain CDR of {start + layout.itemsize} bytes; this "
                f"middleware makes {len(self._data)} of it; use another one (RMW_IMPLEMENTATION)"
            )
        self.fields: Any = np.ndarray((), layout, self._data, start)

    def stamped(self, stamp: Time) -> bytes:
        """Return what is sent, with this stamp."""
        STAMP.pack_into(self._data, STAMP_AT, stamp.sec, stamp.nanosec)
        return bytes(self._data)
