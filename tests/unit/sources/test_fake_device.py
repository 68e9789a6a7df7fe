"""A fake device in a process of its own against the readers: nothing lost, nothing wrong."""

from __future__ import annotations

import json
import os
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest

from devices.fake_device import start_device
from soft_tactile_node.recordings import Recording, save_recording
from soft_tactile_node.sources import Reading
from soft_tactile_node.sources.serial_port import SerialSource
from soft_tactile_node.sources.udp import UdpSource
from unit.sources.made import WAIT_S, free_port, single

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo terminals are a thing of POSIX systems")


def recording(folder: Path) -> Path:
    """Write what the device measures: four channels, each row of its own."""
    rows = 2000
    inductance = 1e-5 + 1e-10 * np.arange(4 * rows).reshape(rows, 4)
    pressure = np.where(np.arange(rows) % 10 == 0, 100.0 * np.arange(rows), np.nan)
    save_recording(Recording(np.arange(rows) / 1e3, pressure, inductance, np.full(rows, 22.0)), folder / "played.csv")
    return folder / "played.csv"


def start(folder: Path, *options: str) -> subprocess.Popen[str]:
    """Start the fake device at 1 kHz."""
    return start_device("--rate", "1000", "--play", f"recording:{recording(folder)}", *options, stderr=-1)


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
    device = start(folder, "--link", str(link), "--duration", str(seconds), "--skew", "60e-6")
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
    device = start(tmp_path, "--link", str(link), "--duration", "6", "--damage", "0.01")
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
    device = start(tmp_path, "--udp", reader.name.removeprefix("udp:"), "--duration", "5")
    readings = follow(reader, device, tmp_path)
    reader.close()
    did = told(device)
    assert len(readings) == did["taken"] == 5000
    assert all(tuple(r.scan.inductance_h) == expected_bits(r.number) for r in readings)
    assert vars(reader.counters) == {**dict.fromkeys(vars(reader.counters), 0), "scans": 5000}
