from __future__ import annotations

from collections.abc import Iterator

import pytest

from devices.fake_ports import UdpPort
from soft_tactile_node.errors import SourceError
from soft_tactile_node.sources.frames import encode_frame
from soft_tactile_node.sources.udp import UdpSource
from unit.sources.made import frame, free_port, read_until


@pytest.fixture
def reader() -> Iterator[UdpSource]:
    """Give a reader on a free port."""
    made = UdpSource("127.0.0.1", free_port())
    made.open()
    yield made
    made.close()


def sender(reader: UdpSource) -> UdpPort:
    """Return a device that sends there."""
    return UdpPort("127.0.0.1", int(reader.name.rpartition(":")[2]))


def test_swapped_doubled_and_lost_datagrams(reader: UdpSource) -> None:
    """Scans come out in order and once, what never came is counted."""
    device = sender(reader)
    for scan in (0, 2, 1, 1, 3, 5, 6):
        device.write(encode_frame(frame(scan)))
    readings = read_until(reader, lambda found: len(found) == 6)
    assert [reading.number for reading in readings] == [0, 1, 2, 3, 5, 6]
    assert (reader.counters.lost, reader.counters.duplicates) == (1, 1)
    device.close()


def test_several_frames_in_a_datagram(reader: UdpSource) -> None:
    """A datagram may hold several frames; half a frame in one does not spoil the next."""
    device = sender(reader)
    device.write(b"".join(encode_frame(frame(scan)) for scan in range(3)) + encode_frame(frame(3))[:20])
    device.write(encode_frame(frame(4)))
    readings = read_until(reader, lambda found: len(found) == 4)
    assert [reading.number for reading in readings] == [0, 1, 2, 4]
    assert reader.counters.bad_frames == 1
    device.close()


def test_only_one_sender_is_listened_to(reader: UdpSource) -> None:
    """A second sender is counted and left out while the first one sends."""
    device, other = sender(reader), sender(reader)
    device.write(encode_frame(frame(0)))
    read_until(reader, lambda found: found)
    other.write(encode_frame(frame(500)))
    device.write(encode_frame(frame(1)))
    readings = read_until(reader, lambda found: found)
    assert [reading.number for reading in readings] == [1]
    assert reader.counters.foreign == 1
    device.close()
    other.close()


def test_rubbish_is_counted(reader: UdpSource) -> None:
    """Datagrams of anything, empty ones included, never raise."""
    device = sender(reader)
    for data in (b"hello", b"\0" * 100, bytes(range(256)) * 200, encode_frame(frame(0))):
        device.write(data)
    device._socket.sendto(b"", device._address)
    readings = read_until(reader, lambda found: found)
    assert len(readings) == 1
    assert reader.counters.bad_frames >= 2
    device.close()


def test_an_address_of_another_machine_is_refused() -> None:
    """Listening on an address this machine does not have says what to name instead."""
    reader = UdpSource("192.0.2.1", 7700)  # TEST-NET-1 of RFC 5737: nobody's address
    with pytest.raises(SourceError, match=r"udp:192.0.2.1:7700: cannot listen .*; name an address of this machine"):
        reader.open()
    assert reader.read(0.0) == []
    reader.close()


def test_a_taken_port_is_refused_and_taken_up_when_free(reader: UdpSource) -> None:
    """Two readers of one port would share the datagrams: the second is refused, and goes on trying."""
    second = UdpSource("127.0.0.1", int(reader.name.rpartition(":")[2]))
    with pytest.raises(SourceError, match="cannot listen"):
        second.open()
    reader.close()
    assert second.read(0.0) == []
    assert second.fault == ""
    second.close()
