from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from soft_tactile_node.errors import SourceError
from soft_tactile_node.recordings import Recording, save_recording
from soft_tactile_node.sources import Reading
from soft_tactile_node.sources.fake_ports import PtyPort, UdpPort
from soft_tactile_node.sources.frames import encode_frame
from soft_tactile_node.sources.serial_port import SerialSource, port_names
from soft_tactile_node.sources.tank import Tank
from soft_tactile_node.sources.udp import UdpSource
from unit.sources.made import frame, single

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo terminals are a thing of POSIX systems")

WAIT_S = 20.0
"""Longest wait for anything; a busy machine is no failure."""


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


def read_until(reader: SerialSource | UdpSource, condition: Callable[[list[Reading]], object]) -> list[Reading]:
    """Read until a condition holds for all that was read."""
    end_s = time.monotonic() + WAIT_S
    readings: list[Reading] = []
    while not condition(readings):
        assert time.monotonic() < end_s, f"not within {WAIT_S:g} s; {reader.fault}"
        readings += reader.read(0.05)
    return readings


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
    tank = Tank(reference_hz=40e6, divider=4096.0, capacitor_f=330e-12)
    counts = tuple(int(count) for count in np.rint(tank.counts(coils)))
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
    np.testing.assert_allclose(reading.scan.inductance_h, coils, rtol=2e-5)  # a count is 4e-6 of the time, twice in L
    reader.close()


# -- a device in a process of its own


def recording(folder: Path) -> Path:
    """Write what the device measures: four channels, each row of its own."""
    rows = 2000
    inductance = 1e-5 + 1e-10 * np.arange(4 * rows).reshape(rows, 4)
    pressure = np.where(np.arange(rows) % 10 == 0, 100.0 * np.arange(rows), np.nan)
    save_recording(Recording(np.arange(rows) / 1e3, pressure, inductance, np.full(rows, 22.0)), folder / "played.csv")
    return folder / "played.csv"


def start_device(folder: Path, *options: str) -> subprocess.Popen[str]:
    """Start the fake device at 1 kHz."""
    command = [sys.executable, "-m", "soft_tactile_node.sources.fake_device", "--rate", "1000"]
    command += ["--play", f"recording:{recording(folder)}", *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def told(device: subprocess.Popen[str]) -> dict[str, int]:
    """Return what the device says it did."""
    out, err = device.communicate(timeout=WAIT_S)
    assert device.returncode == 0, err
    result: dict[str, int] = json.loads(out)
    return result


def expected_bits(number: int) -> tuple[float, ...]:
    """Return the inductances of a scan, as the device sends them."""
    row = number % 2000
    return single(*(1e-5 + 1e-10 * (4 * row + k) for k in range(4)))


def follow(reader: SerialSource | UdpSource, device: subprocess.Popen[str], folder: Path) -> list[Reading]:
    """Read until the device has ended and nothing more comes."""
    readings: list[Reading] = []
    quiet = 0
    while device.poll() is None or quiet < 5:
        found = reader.read(0.05)
        readings += found
        quiet = 0 if found else quiet + 1
    return readings


def soak(folder: Path, seconds: float) -> None:
    """Read a device at 1 kHz for a while; report what was seen."""
    link = folder / "finger"
    device = start_device(folder, "--link", str(link), "--duration", str(seconds), "--skew", "60e-6")
    end_s = time.monotonic() + WAIT_S
    while not link.exists():
        assert time.monotonic() < end_s
        time.sleep(0.01)
    reader = SerialSource(str(link), 921600)
    reader.open()
    spent_s = time.process_time()
    readings = follow(reader, device, folder)
    spent_s = time.process_time() - spent_s
    reader.close()
    did = told(device)
    first = did["taken"] - len(readings)
    stamps = np.array([reading.scan.time_s for reading in readings])
    steps = np.diff(stamps)
    print(
        f"{did['taken']} scans sent, {len(readings)} read, {reader.counters}; interval {steps.mean() * 1e3:.6f} ms, "
        f"std {steps[5000:].std() * 1e6:.2f} us; reader used {spent_s / seconds:.1%} of a core"
    )
    assert did["not_sent"] == 0
    # only scans sent before the port was opened are not there
    assert 0 <= first < 5000
    assert reader.counters.lost == reader.counters.bad_frames == reader.counters.duplicates == 0
    assert [reading.number for reading in readings] == list(range(len(readings)))
    assert all(tuple(r.scan.inductance_h) == expected_bits(first + k) for k, r in enumerate(readings))
    assert (steps > 0.0).all()
    # the device's second is 60 ppm longer than the host's, which the stamps must show
    assert (stamps[-1] - stamps[5000]) / (len(stamps) - 5001) == pytest.approx(1e-3, rel=2e-4)


@pytest.mark.slow
def test_nothing_is_lost_at_1_khz(tmp_path: Path) -> None:
    """Twenty seconds of four channels at 1 kHz: every scan is read once, in order, with its very bits."""
    soak(tmp_path, 20.0)


@pytest.mark.slow
@pytest.mark.skipif("SOFT_TACTILE_SOAK_S" not in os.environ, reason="set SOFT_TACTILE_SOAK_S=600 for the long run")
def test_nothing_is_lost_in_the_long_run(tmp_path: Path) -> None:
    """The same for as long as SOFT_TACTILE_SOAK_S says."""
    soak(tmp_path, float(os.environ["SOFT_TACTILE_SOAK_S"]))


@pytest.mark.slow
def test_damaged_bytes_on_a_port(tmp_path: Path) -> None:
    """With 1 % of the bytes changed every whole frame is kept and no wrong one is taken."""
    link = tmp_path / "finger"
    device = start_device(tmp_path, "--link", str(link), "--duration", "6", "--damage", "0.01")
    end_s = time.monotonic() + WAIT_S
    while not link.exists():
        assert time.monotonic() < end_s
        time.sleep(0.001)
    reader = SerialSource(str(link), 921600)
    reader.open()
    readings = follow(reader, device, tmp_path)
    reader.close()
    did = told(device)
    assert did["not_sent"] == 0
    first_scan = did["taken"] - (readings[-1].number - readings[0].number + 1)
    possible = {expected_bits(number) for number in range(2000)}
    assert all(tuple(reading.scan.inductance_h) in possible for reading in readings)
    assert reader.counters.lost + len(readings) == readings[-1].number + 1
    assert first_scan < 3000
    share = len(readings) / (readings[-1].number + 1)
    assert share == pytest.approx(did["whole"] / did["taken"], abs=0.03)
    assert reader.counters.bad_frames > 1000


@pytest.mark.slow
def test_nothing_is_lost_over_udp(tmp_path: Path) -> None:
    """Five seconds of four channels at 1 kHz in datagrams on the loopback: every scan is read once, in order."""
    reader = UdpSource("127.0.0.1", free_port())
    reader.open()
    device = start_device(tmp_path, "--udp", reader.name.removeprefix("udp:"), "--duration", "5")
    readings = follow(reader, device, tmp_path)
    reader.close()
    did = told(device)
    assert len(readings) == did["taken"] == 5000
    assert all(tuple(r.scan.inductance_h) == expected_bits(r.number) for r in readings)
    assert vars(reader.counters) == {**dict.fromkeys(vars(reader.counters), 0), "scans": 5000}


def free_port() -> int:
    """Return a UDP port nobody uses."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class TestUdp:
    """A device on a network."""

    @pytest.fixture
    def reader(self) -> Iterator[UdpSource]:
        """Give a reader on a free port."""
        made = UdpSource("127.0.0.1", free_port())
        made.open()
        yield made
        made.close()

    def sender(self, reader: UdpSource) -> UdpPort:
        """Return a device that sends there."""
        return UdpPort("127.0.0.1", int(reader.name.rpartition(":")[2]))

    def test_swapped_doubled_and_lost_datagrams(self, reader: UdpSource) -> None:
        """Scans come out in order and once, what never came is counted."""
        device = self.sender(reader)
        for scan in (0, 2, 1, 1, 3, 5, 6):
            device.write(encode_frame(frame(scan)))
        readings = read_until(reader, lambda found: len(found) == 6)
        assert [reading.number for reading in readings] == [0, 1, 2, 3, 5, 6]
        assert (reader.counters.lost, reader.counters.duplicates) == (1, 1)
        device.close()

    def test_several_frames_in_a_datagram(self, reader: UdpSource) -> None:
        """A datagram may hold several frames; half a frame in one does not spoil the next."""
        device = self.sender(reader)
        device.write(b"".join(encode_frame(frame(scan)) for scan in range(3)) + encode_frame(frame(3))[:20])
        device.write(encode_frame(frame(4)))
        readings = read_until(reader, lambda found: len(found) == 4)
        assert [reading.number for reading in readings] == [0, 1, 2, 4]
        assert reader.counters.bad_frames == 1
        device.close()

    def test_only_one_sender_is_listened_to(self, reader: UdpSource) -> None:
        """A second sender is counted and left out while the first one sends."""
        device, other = self.sender(reader), self.sender(reader)
        device.write(encode_frame(frame(0)))
        read_until(reader, lambda found: found)
        other.write(encode_frame(frame(500)))
        device.write(encode_frame(frame(1)))
        readings = read_until(reader, lambda found: found)
        assert [reading.number for reading in readings] == [1]
        assert reader.counters.foreign == 1
        device.close()
        other.close()

    def test_rubbish_is_counted(self, reader: UdpSource) -> None:
        """Datagrams of anything, empty ones included, never raise."""
        device = self.sender(reader)
        for data in (b"hello", b"\0" * 100, bytes(range(256)) * 200, encode_frame(frame(0))):
            device.write(data)
        device._socket.sendto(b"", device._address)
        readings = read_until(reader, lambda found: found)
        assert len(readings) == 1
        assert reader.counters.bad_frames >= 2
        device.close()

    def test_an_address_of_another_machine_is_refused(self) -> None:
        """Listening on an address this machine does not have says what to name instead."""
        reader = UdpSource("192.0.2.1", 7700)  # TEST-NET-1 of RFC 5737: nobody's address
        with pytest.raises(SourceError, match=r"udp:192.0.2.1:7700: cannot listen .*; name an address of this machine"):
            reader.open()
        assert reader.read(0.0) == []
        reader.close()

    def test_a_taken_port_is_refused_and_taken_up_when_free(self, reader: UdpSource) -> None:
        """Two readers of one port would share the datagrams: the second is refused, and goes on trying."""
        second = UdpSource("127.0.0.1", int(reader.name.rpartition(":")[2]))
        with pytest.raises(SourceError, match="cannot listen"):
            second.open()
        reader.close()
        assert second.read(0.0) == []
        assert second.fault == ""
        second.close()
