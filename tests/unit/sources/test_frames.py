from __future__ import annotations

import math
import struct
import zlib

import pytest
from cobs import cobs

from soft_tactile_node.errors import RangeError, ShapeError
from soft_tactile_node.sources.frames import MAX_STUFFED, Frame, decode_frame, encode_frame
from unit.sources.made import frame, single

# S. Cheshire, M. Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Trans. Networking 7 (1999), the packet of its
# figure of an encoding, and the long runs that its rules for 254 and more bytes give (recalled).
PUBLISHED = [
    ("45 00 00 2c 4c 79 00 00 40 06 4f 37", "02 45 01 04 2c 4c 79 01 05 40 06 4f 37"),
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    (bytes(range(255)).hex(), "01ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
]

WORKED = Frame(scan=258, clock_us=1_000_000, inductance_h=(10e-6, 12.5e-6), pressure_pa=30e3)
PAYLOAD = "01 02 04 00  02 01 00 00  40 42 0f 00  ac c5 27 37  17 b7 51 37  00 60 ea 46"


@pytest.mark.parametrize(("plain", "stuffed"), PUBLISHED)
def test_stuffing_is_the_published_one(plain: str, stuffed: str) -> None:
    """The library stuffs the published packets to the published bytes, and back."""
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert cobs.decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


def test_crc_is_the_published_one() -> None:
    """The CRC of "123456789" is 0xCBF43926, the check value of CRC-32/ISO-HDLC in R. Williams' guide (recalled)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_worked_example() -> None:
    """The frame of the documentation, byte by byte, its layout written out by hand."""
    payload = bytes.fromhex(PAYLOAD)
    whole = payload + struct.pack("<I", zlib.crc32(payload))
    stuffed = bytes.fromhex("04010204030201010440420f09acc5273717b751370860ea46f89f3dea")
    assert cobs.decode(stuffed) == whole
    assert encode_frame(WORKED) == stuffed + b"\0"
    back = decode_frame(stuffed)
    assert back is not None
    assert (back.scan, back.clock_us, back.pressure_pa, back.pressure_is_absolute) == (258, 1_000_000, 30e3, False)
    assert back.inductance_h == single(10e-6, 12.5e-6)
    assert back.loss_ohm == back.counts == ()
    assert math.isnan(back.temperature_c)


FULL = Frame(
    scan=2**32 - 1,
    clock_us=2**32 - 1,
    counts=tuple(range(2**32 - 16, 2**32)),
    loss_ohm=single(*(0.1 * k for k in range(16))),
    pressure_pa=single(101325.0)[0],
    pressure_is_absolute=True,
    temperature_c=single(-12.25)[0],
)


@pytest.mark.parametrize("sent", [frame(7), frame(0, channels=1), FULL])
def test_frames_come_back(sent: Frame) -> None:
    """What goes in comes out, with the most and the fewest channels, with counts and with inductances."""
    data = encode_frame(sent)
    assert data.index(0) == len(data) - 1 <= MAX_STUFFED
    assert repr(decode_frame(data[:-1])) == repr(sent)  # NaN is not equal to itself, its text is


@pytest.mark.parametrize(
    ("bad", "error", "words"),
    [
        (Frame(0, 0), ShapeError, "either inductances or counts"),
        (Frame(0, 0, inductance_h=(1e-5,), counts=(1,)), ShapeError, "either inductances or counts"),
        (Frame(0, 0, inductance_h=(1e-5,) * 17), RangeError, "channels must be >= 1 and <= 16; got 17"),
        (Frame(0, 0, inductance_h=(1e-5,), loss_ohm=(1.0, 2.0)), ShapeError, "empty or of 1 channels; got 2"),
        (Frame(2**32, 0, inductance_h=(1e-5,)), RangeError, "32-bit"),
        (Frame(0, -1, inductance_h=(1e-5,)), RangeError, "32-bit"),
        (Frame(0, 0, counts=(-1,)), RangeError, "32-bit"),
        (Frame(0, 0, inductance_h=(1e300,)), RangeError, "32-bit"),
    ],
)
def test_what_does_not_fit_is_refused(bad: Frame, error: type[Exception], words: str) -> None:
    """A frame that could not be told from another is not made; the message says what is wrong."""
    with pytest.raises(error, match=words):
        encode_frame(bad)


def resealed(payload: bytes) -> bytes:
    """Return a stuffed payload with a right CRC."""
    return cobs.encode(payload + struct.pack("<I", zlib.crc32(payload)))


@pytest.mark.parametrize(
    "payload",
    [
        bytes.fromhex("02" + PAYLOAD.replace(" ", "")[2:]),  # another version
        bytes.fromhex(PAYLOAD)[:-1],  # a byte short
        bytes.fromhex(PAYLOAD) + b"\0",  # a byte long
        bytes.fromhex(PAYLOAD.replace("04 00", "24 00", 1)),  # contents nobody knows
        bytes.fromhex(PAYLOAD.replace("04 00", "04 01", 1)),  # the spare byte used
        bytes.fromhex("01 00 00 00" + "00" * 8),  # no channel
        bytes.fromhex("01 11 00 00" + "00" * 8 + "00" * 68),  # 17 channels
    ],
)
def test_what_another_version_could_mean_is_not_guessed(payload: bytes) -> None:
    """A right CRC is not enough: version, contents and length must fit together."""
    assert decode_frame(resealed(bytes.fromhex(PAYLOAD))) is not None
    assert decode_frame(resealed(payload)) is None
