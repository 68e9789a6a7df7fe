from __future__ import annotations

import struct
import zlib

import numpy as np
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from soft_tactile_node.samples import MAX_CHANNELS
from soft_tactile_node.sources.deframing import LONGEST_RUN, Deframer
from soft_tactile_node.sources.device import Device
from soft_tactile_node.sources.frames import Frame, decode_frame, encode_frame
from soft_tactile_node.sources.protocol import Counters
from soft_tactile_node.sources.tank import Tank

words = st.integers(0, 2**32 - 1)
singles = st.floats(width=32, allow_nan=False)


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Draw any frame a device can send."""
    channels = draw(st.integers(1, MAX_CHANNELS))
    rows = st.lists(singles, min_size=channels, max_size=channels).map(tuple)
    counts = st.lists(words, min_size=channels, max_size=channels).map(tuple)
    as_counts = draw(st.booleans())
    pressure = draw(singles | st.just(float("nan")))
    return Frame(
        scan=draw(words),
        clock_us=draw(words),
        inductance_h=() if as_counts else draw(rows),
        counts=draw(counts) if as_counts else (),
        loss_ohm=draw(st.just(()) | rows),
        pressure_pa=pressure,
        pressure_is_absolute=pressure == pressure and draw(st.booleans()),
        temperature_c=draw(singles | st.just(float("nan"))),
    )


@st.composite
def sealed(draw: st.DrawFn) -> bytes:
    """Draw any payload behind a right CRC and delimiter: what a wrong or hostile firmware could send."""
    header = st.builds(
        lambda c, k, s, t: struct.pack("<BBBBII", 1, c, k, 0, s, t),
        st.integers(0, 17),
        st.integers(0, 31),
        words,
        words,
    )
    payload = draw(st.builds(lambda a, b: a + b, header | st.binary(max_size=12), st.binary(max_size=140)))
    return cobs.encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\0"


pieces = st.lists(st.binary(max_size=300) | sealed() | frames().map(encode_frame), max_size=30)
arrivals = st.floats(-1e12, 1e12, allow_nan=False)
TANK = Tank(reference_hz=50e6, capacitor_f=470e-12, divider=64.0)


@given(frames())
def test_any_frame_comes_back(sent: Frame) -> None:
    """Whatever a device says is understood as it was meant, to the bit."""
    data = encode_frame(sent)
    assert data.count(0) == 1
    assert repr(decode_frame(data[:-1])) == repr(sent)


@given(frames(), st.data())
def test_a_changed_byte_is_noticed(sent: Frame, data: st.DataObject) -> None:
    """No single changed byte turns one frame into another: a CRC of 32 bits finds every burst of up to 32 bits."""
    raw = bytearray(encode_frame(sent)[:-1])
    place = data.draw(st.integers(0, len(raw) - 1))
    raw[place] ^= data.draw(st.integers(1, 255))
    assert all(decode_frame(run) is None for run in bytes(raw).split(b"\0"))


@given(st.binary(max_size=400))
def test_bytes_alone_never_raise(data: bytes) -> None:
    """Any bytes are a frame or none."""
    decode_frame(data.replace(b"\0", b"\1"))


@settings(max_examples=300)
@given(pieces, st.lists(arrivals, min_size=30, max_size=30), st.sampled_from([0, 8]))
def test_hostile_bytes_never_raise(data: list[bytes], times: list[float], patience: int) -> None:
    """Whatever comes, at whatever time, every reading is sound: right shape, no infinity, numbers that only grow."""
    counters = Counters()
    device = Device(TANK, counters, patience)
    readings = [reading for piece, now_s in zip(data, times) for reading in device.feed(piece, now_s)]
    numbers = [reading.number for reading in readings]
    assert numbers == sorted(set(numbers))
    assert len({reading.scan.inductance_h.shape for reading in readings}) <= 1
    for reading in readings:
        assert np.isfinite(reading.scan.time_s)
        assert not np.isinf(reading.scan.inductance_h).any()
        assert not np.isinf([reading.pressure_pa, reading.scan.temperature_c]).any()
    assert counters.scans == len(readings)


@given(pieces, st.integers(1, 50))
def test_how_the_stream_is_cut_does_not_matter(data: list[bytes], size: int) -> None:
    """Fed byte by byte or whole, the same frames come out, and nothing is kept without end."""
    stream = b"".join(data)
    whole, parts = Deframer(), Deframer()
    found = [one for start in range(0, len(stream), size) for one in parts.feed(stream[start : start + size])]
    if max((len(run) for run in stream.split(b"\0")), default=0) <= LONGEST_RUN:
        assert [repr(one) for one in found] == [repr(one) for one in whole.feed(stream)]
    assert len(parts._rest) <= LONGEST_RUN
