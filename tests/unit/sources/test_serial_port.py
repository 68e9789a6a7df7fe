from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from devices.fake_device import ideal_counts
from devices.fake_ports import PtyPort
from soft_tactile_node.errors import SourceError
from soft_tactile_node.sources import Reading
from soft_tactile_node.sources.frames import encode_frame
from soft_tactile_node.sources.serial_port import SerialSource, port_names
from soft_tactile_node.sources.tank import Tank
from unit.sources.made import WAIT_S, frame, read_until, single

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo terminals are a thing of POSIX systems")


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyPort]:
    """Give a fake device's port named `finger`."""
    made = PtyPort(tmp_path / "finger")
    yield made
    made.close()


def source(tmp_path: Path, **options: object) -> SerialSource:
    """Return a reader of that port."""
    return SerialSource(str(tmp_path / "finger"), 921600, **options)


def send(port: PtyPort, *scans: int) -> None:
    """Send scans."""
    for scan in scans:
        port.write(encode_frame(frame(scan)))
    port.flush()


def test_scans_come_through(tmp_path: Path, port: PtyPort) -> None:
    """What a device writes is read with its values, numbered, stamped, pressure and temperature along with it."""
    reader = source(tmp_path)
    reader.open()
    before_s = time.time()
    send(port, *range(50, 60))
    readings = read_until(reader, lambda found: len(found) == 10)
    assert [reading.number for reading in readings] == list(range(10))
    for scan, reading in zip(range(50, 60), readings):
        assert tuple(reading.scan.inductance_h) == frame(scan).inductance_h
        assert reading.pressure_pa == single(20e3 + scan)[0]
        assert (reading.pressure_is_absolute, reading.scan.temperature_c) == (False, 22.5)
        # ten scans that come at once say that they are a millisecond apart: the last may be a little in the future
        assert before_s <= reading.scan.time_s <= time.time() + 1e-3
    assert reader.fault == ""
    reader.close()


def test_a_missing_port_is_refused_with_those_there_are(tmp_path: Path, port: PtyPort) -> None:
    """The error for a missing port lists the ports by id; the reader goes on looking for it."""
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-bakery_tray-07-if00").symlink_to(tmp_path / "finger")
    reader = SerialSource(str(tmp_path / "gone"), 115200, by_id=by_id)
    with pytest.raises(SourceError) as caught:
        reader.open()
    assert f"serial port {tmp_path / 'gone'}: is not there; ports of this machine: " in str(caught.value)
    assert f"{by_id}/usb-bakery_tray-07-if00" in str(caught.value)
    assert reader.read(0.0) == []
    assert "is not there" in reader.fault
    assert port_names(by_id)[0] == f"{by_id}/usb-bakery_tray-07-if00"


def test_a_port_in_use_is_refused(tmp_path: Path, port: PtyPort) -> None:
    """A second reader would take bytes from the first: it is refused."""
    first, second = source(tmp_path), source(tmp_path)
    first.open()
    with pytest.raises(SourceError, match=r"cannot be opened .*; end the program that uses it"):
        second.open()
    first.close()
    second.open()
    second.close()


def test_unplugged_and_replugged(tmp_path: Path, port: PtyPort) -> None:
    """A port that vanishes is said to be gone; when it is back, scans come again in under a second, time and again."""
    reader = source(tmp_path)
    reader.open()
    send(port, 0, 1)
    read_until(reader, lambda found: len(found) == 2)
    for round_ in range(1, 4):
        port.unplug()
        read_until(reader, lambda _: reader.fault)
        assert "has gone" in reader.fault or "is not there" in reader.fault
        assert reader.read(0.01) == []
        port.plug()
        back_s = time.monotonic()
        readings: list[Reading] = []
        while not readings:
            send(port, 100 * round_)  # a device sends on and on, whether anybody listens or not
            readings = reader.read(0.02)
            assert time.monotonic() - back_s < 1.0
        assert reader.fault == ""
        assert reader.counters.reconnects == round_
    reader.close()


def test_half_a_frame_before_the_cable_was_pulled(tmp_path: Path, port: PtyPort) -> None:
    """What was cut short when the cable was pulled does not spoil the first frame after it, nor count as damaged."""
    reader = source(tmp_path)
    reader.open()
    send(port, 0, 1)
    port.write(encode_frame(frame(2))[:20])
    port.flush()
    read_until(reader, lambda found: len(found) == 2)
    port.unplug()
    read_until(reader, lambda _: reader.fault)
    port.plug()
    read_until(reader, lambda _: not reader.fault)
    send(port, 10, 11)
    readings = read_until(reader, lambda found: len(found) == 2)
    assert [reading.number for reading in readings] == [10, 11]
    assert (reader.counters.bad_frames, reader.counters.lost) == (0, 8)
    reader.close()


def test_another_board_on_the_same_port(tmp_path: Path, port: PtyPort) -> None:
    """A frame of other channels amid the rest is left out; a board of other channels that is plugged in is read."""
    reader = source(tmp_path)
    reader.open()
    for one in (frame(0), frame(1, channels=2), frame(2)):
        port.write(encode_frame(one))
    port.flush()
    readings = read_until(reader, lambda found: len(found) == 2)
    assert [reading.scan.inductance_h.size for reading in readings] == [4, 4]
    assert (reader.counters.other_channels, reader.counters.lost) == (1, 1)
    port.unplug()
    read_until(reader, lambda _: reader.fault)
    port.plug()
    read_until(reader, lambda _: not reader.fault)
    port.write(encode_frame(frame(3, channels=2)))
    port.flush()
    assert read_until(reader, lambda found: found)[0].scan.inductance_h.size == 2
    reader.close()


def test_a_port_that_comes_back_under_another_number(tmp_path: Path, port: PtyPort) -> None:
    """A port named by its number is found again by its name by id when the number has changed."""
    by_id = tmp_path / "by-id"
    by_id.mkdir()
    (by_id / "usb-tray").symlink_to(tmp_path / "finger")
    number = (tmp_path / "finger").resolve()
    reader = SerialSource(str(number), 921600, by_id=by_id)
    reader.open()
    port.unplug()
    read_until(reader, lambda _: reader.fault)
    with PtyHolder(number):  # takes the old number, so that the device gets another
        port.plug()
        assert (tmp_path / "finger").resolve() != number
        end_s = time.monotonic() + WAIT_S
        while not (readings := reader.read(0.02)):
            send(port, 7)
            assert time.monotonic() < end_s, reader.fault
    assert tuple(readings[0].scan.inductance_h) == frame(7).inductance_h
    reader.close()


class PtyHolder:
    """Opens pseudo terminals until one has a given name, locked as by another program."""

    def __init__(self, name: Path) -> None:
        self._name = str(name)

    def __enter__(self) -> None:
        self._handles = []
        for _ in range(64):
            self._handles += os.openpty()
            if os.ttyname(self._handles[-1]) == self._name:
                break
        import fcntl

        fcntl.flock(self._handles[-1], fcntl.LOCK_EX | fcntl.LOCK_NB)

    def __exit__(self, *_: object) -> None:
        for handle in self._handles:
            os.close(handle)


def test_silence_is_told_from_noise(tmp_path: Path, port: PtyPort) -> None:
    """An open line with nothing on it, and one with bytes that are no frames, are told apart in words."""
    reader = source(tmp_path)
    reader.open()
    read_until(reader, lambda _: "is open, but nothing comes" in reader.fault)

    def noisy(_: list[Reading]) -> bool:
        port.write(bytes(range(1, 200)))
        port.flush()
        return "bytes come, but no frame" in reader.fault

    read_until(reader, noisy)
    send(port, 1, 2)
    read_until(reader, lambda found: found)
    assert reader.fault == ""
    reader.close()


def test_counts_need_the_tank(tmp_path: Path, port: PtyPort) -> None:
    """Raw counts without a description of the tank are refused in words; with it they are inductances."""
    coils = np.array([10e-6, 12e-6])
    tank = Tank(reference_hz=50e6, divider=8000.0, capacitor_f=470e-12)
    counts = tuple(int(count) for count in np.rint(ideal_counts(tank, coils)))
    data = encode_frame(type(frame(0))(scan=0, clock_us=0, counts=counts))
    reader = source(tmp_path)
    reader.open()
    port.write(data)
    port.flush()
    with pytest.raises(SourceError, match="sends raw counts: give the description of its tanks"):
        read_until(reader, lambda _: False)
    reader.close()
    reader = source(tmp_path, tank=tank)
    reader.open()
    port.write(data)
    port.flush()
    reading = read_until(reader, lambda found: found)[0]
    np.testing.assert_allclose(
        reading.scan.inductance_h, coils, rtol=2e-5
    )  # half a count is 3e-6 of the time, twice in L
    reader.close()
