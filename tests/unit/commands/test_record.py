"""`record` and `check --source`: from the device at the end of the cable to a file, and to a verdict."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from devices.fake_device import start_device
from devices.fake_ports import PtyPort
from soft_tactile_node.recordings import Recording, load_recording, save_recording
from soft_tactile_node.sources.frames import encode_frame
from unit.commands.conftest import Shell
from unit.sources.made import frame

WAIT_S = 60.0
RATE_HZ = 500.0


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write what the device measures at rest."""
    rng = np.random.default_rng(4)
    rows = 4000
    coils = np.array([8e-6, 9e-6, 10e-6, 11e-6]) * (1.0 + 2e-5 * rng.standard_normal((rows, 4)))
    pressure = np.where(np.arange(rows) % 5 == 0, 20.0 * rng.standard_normal(rows), np.nan)
    path = tmp_path_factory.mktemp("played") / "rest.csv"
    save_recording(Recording(np.arange(rows) / RATE_HZ, pressure, coils, np.full(rows, 22.0)), path)
    return path


@pytest.fixture(scope="module")
def device(tmp_path_factory: pytest.TempPathFactory, played: Path) -> Iterator[str]:
    """Start a device on a pseudo terminal; gives its source string."""
    if os.name != "posix":
        pytest.skip("pseudo terminals are a thing of POSIX systems")
    link = tmp_path_factory.mktemp("device") / "finger"
    words = ["--link", str(link), "--play", f"recording:{played}", "--rate", str(RATE_HZ), "--atmospheric", "99000"]
    process = start_device(*words)
    end_s = time.monotonic() + WAIT_S
    while not link.is_symlink():
        assert time.monotonic() < end_s
        time.sleep(0.02)
    yield f"serial:{link}"
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=WAIT_S)


def test_record_a_device(shell: Shell, device: str, tmp_path: Path) -> None:
    """Six seconds of a device become a recording: a row for each scan, gauge pressure, no scan lost."""
    outcome = shell("record", "--source", device, "--out", tmp_path / "r.csv", "--duration", "6", "--json")
    assert (outcome.code, outcome.err) == (0, "")
    told = json.loads(outcome.out)
    read = load_recording(tmp_path / "r.csv")
    lasted_s = read.time_s[-1] - read.time_s[0]  # longer where the machine is busy and the end is noticed late
    assert lasted_s >= 6.0 - 3.0 / RATE_HZ
    assert told["rows"] == len(read) == pytest.approx(lasted_s * RATE_HZ + 1, abs=3)
    assert told["counters"]["lost"] == 0
    assert told["atmospheric_pa"] == pytest.approx(99e3, abs=20.0)
    assert abs(np.nanmean(read.pressure_pa)) < 20.0
    # over six seconds: a machine that takes the first scan two milliseconds late makes two seconds fail
    assert np.diff(read.time_s).mean() == pytest.approx(1.0 / RATE_HZ, rel=1e-3)
    assert [path.name for path in tmp_path.iterdir()] == ["r.csv"]


def test_check_a_device(shell: Shell, device: str) -> None:
    """A sound board at rest is healthy, in words and as JSON."""
    outcome = shell("check", "--source", device, "--duration", "2")
    assert (outcome.code, outcome.err) == (0, "")
    assert outcome.out.startswith(f"Source {device}: healthy.")
    assert "channel  4" in outcome.out
    told = json.loads(shell("check", "--source", device, "--duration", "1", "--json").out)
    assert told["healthy"] is True
    assert told["rate_hz"] == pytest.approx(RATE_HZ, rel=0.01)


def test_check_finds_what_is_wrong(shell: Shell, played: Path, tmp_path: Path) -> None:
    """A channel that is open makes the stream unhealthy: named, exit code 1."""
    read = load_recording(played)
    read.inductance_h[:, 2] = np.nan
    save_recording(read, tmp_path / "open.csv")
    outcome = shell("check", "--source", f"recording:{tmp_path / 'open.csv'}")
    assert (outcome.code, outcome.err) == (1, "")
    assert "NOT healthy" in outcome.out
    assert "Problem: channel 3 is open" in outcome.out


def test_check_finds_a_pressure_that_wanders(shell: Shell, played: Path, tmp_path: Path) -> None:
    """A pressure that wanders at rest makes the stream unhealthy, in words, in figures, and in the exit code."""
    read = load_recording(played)
    read.pressure_pa[:] += 200.0 * read.time_s
    save_recording(read, tmp_path / "wanders.csv")
    words = ["check", "--source", f"recording:{tmp_path / 'wanders.csv'}"]
    outcome = shell(*words)
    assert (outcome.code, outcome.err) == (1, "")
    assert "NOT healthy" in outcome.out
    assert "Problem: pressure wanders by 9" in outcome.out
    told = json.loads(shell(*words, "--json").out)
    assert told["pressure_wander_pa"] == pytest.approx(900.0, abs=30.0)
    assert told["pressure_noise_pa"] == pytest.approx(20.0, rel=0.15)


def test_a_recording_is_copied(shell: Shell, played: Path, tmp_path: Path) -> None:
    """A recording as source is read as fast as it can be, and every row comes out as it was."""
    outcome = shell("record", "--source", f"recording:{played}", "--out", tmp_path / "copy.csv")
    assert (outcome.code, outcome.err) == (0, "")
    assert f"{tmp_path / 'copy.csv'}: 4000 rows in 8.00 s, 500.0 Hz, 4 channels, 0 scans lost" in outcome.out
    assert (tmp_path / "copy.csv").read_text() == played.read_text()


def test_a_recording_that_begins_under_pressure_says_so(shell: Shell, played: Path, tmp_path: Path) -> None:
    """One line at the end, and a key in the JSON, say that the start was no rest; the recording is kept."""
    read = load_recording(played)
    read.pressure_pa[:] += 5e3
    save_recording(read, tmp_path / "late.csv")
    words = ["record", "--source", f"recording:{tmp_path / 'late.csv'}", "--out", tmp_path / "copy.csv"]
    outcome = shell(*words)
    assert (outcome.code, len(outcome.err.splitlines())) == (0, 1)
    assert "copy.csv: the first second was not at rest (the pressure reads up to 5.1 kPa)" in outcome.err
    assert "calibrate and replay" in outcome.err
    told = json.loads(shell(*words, "--json").out)
    assert told["not_at_rest"] == "the pressure reads up to 5.1 kPa"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_recording_is_complete(device: str, tmp_path: Path, number: int) -> None:
    """Ctrl-C and a request to end both finish the recording: exit code 0, file in place, nothing left over."""
    path = tmp_path / "r.csv"
    words = ["record", "--source", device, "--out", str(path)]
    entry = "from soft_tactile_node.commands.main import main; main()"
    process = subprocess.Popen([sys.executable, "-c", entry, *words], stdout=-1, stderr=-1, text=True)
    part = tmp_path / "r.csv.part"
    end_s = time.monotonic() + WAIT_S
    while not (part.exists() and part.stat().st_size > 1000):
        assert time.monotonic() < end_s
        assert process.poll() is None, process.communicate()
        time.sleep(0.02)
    process.send_signal(number)
    out, err = process.communicate(timeout=WAIT_S)
    assert (process.returncode, err) == (0, "")
    assert "4 channels, 0 scans lost" in out
    assert len(load_recording(path)) > 10
    assert [found.name for found in tmp_path.iterdir()] == ["r.csv"]


def test_a_cable_that_is_pulled_while_recording(tmp_path: Path) -> None:
    """A board that is unplugged for a moment does not end a recording: it is said, and the gap is counted."""
    if os.name != "posix":
        pytest.skip("pseudo terminals are a thing of POSIX systems")
    port = PtyPort(tmp_path / "finger")
    source = ["--source", f"serial:{tmp_path / 'finger'}", "--duration", "2.5"]
    entry = "from soft_tactile_node.commands.main import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", entry, "record", *source, "--out", str(tmp_path / "r.csv")],
        stdout=-1, stderr=-1, text=True,
    )  # fmt: skip
    start_s, number, slowest_s = time.monotonic(), 0, 0.0
    until_s = {"unplug": 0.0, "plug": 0.0}
    while process.poll() is None:
        now_s = time.monotonic()
        assert now_s < start_s + WAIT_S
        while number < (now_s - start_s) * RATE_HZ:
            port.write(encode_frame(frame(number, 2000 * number)))
            number += 1
        port.flush()
        if not until_s["unplug"] and (tmp_path / "r.csv.part").exists():
            until_s = {"unplug": now_s + 1.5, "plug": now_s + 1.9}
        elif until_s["unplug"] and until_s["unplug"] < now_s:
            port.unplug()
            until_s["unplug"] = float("inf")
        elif until_s["plug"] and until_s["plug"] < now_s:
            port.plug()
            until_s["plug"] = float("inf")
        time.sleep(0.002)
        # On a busy machine, where the board or its reader stands still, the board's clock is only known so well.
        slowest_s = max(slowest_s, time.monotonic() - now_s)
        if until_s["unplug"]:
            slowest_s = max(slowest_s, port.unread_bytes / len(encode_frame(frame(0, 0))) / RATE_HZ)
    out, err = process.communicate(timeout=WAIT_S)
    port.close()
    assert process.returncode == 0, err
    told = err.splitlines()
    assert "plug the device in" in told[0]
    assert "soft-tactile: scans come again" in told
    assert "not at rest (the pressure reads up to 20." in told[-1]
    lost = int(out.split(" scans lost")[0].rpartition(" ")[2])
    assert 0.2 * RATE_HZ < lost < 1.5 * RATE_HZ
    time_s = load_recording(tmp_path / "r.csv").time_s
    assert np.diff(time_s).max() == pytest.approx((lost + 1) / RATE_HZ, abs=0.02 + slowest_s)
    length_s = time_s[-1] - time_s[0]
    assert length_s > 2.0, "a board that waited for its reader has more to tell than the recording lasts"
    assert np.median(np.diff(time_s)) == pytest.approx(1.0 / RATE_HZ, rel=0.02)


def test_a_cut_short_recording_is_recovered(shell: Shell, played: Path, tmp_path: Path) -> None:
    """What a killed recording left is saved by --recover."""
    part = tmp_path / "r.csv.part"
    part.write_bytes(played.read_bytes()[:-7])
    refused = shell("record", "--source", f"recording:{played}", "--out", tmp_path / "r.csv")
    assert refused.code == 1
    assert f"record --recover {part}" in refused.err
    outcome = shell("record", "--recover", part, "--out", tmp_path / "r.csv")
    assert (outcome.code, outcome.out) == (0, f"{tmp_path / 'r.csv'}: 3999 rows saved\n")
    assert not part.exists()


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["record", "--out", "r.csv"], 2, "give either --source or --recover"),
        (["record", "--source", "simulated"], 2, "Missing option '--out'"),
        (["record", "--source", "gramophone", "--out", "r.csv"], 1, "source must be one of simulated[:SCENARIO]"),
        (["record", "--source", "serial:/dev/no-such-port", "--out", "r.csv"], 1, "ports of this machine: "),
        (["record", "--source", "simulated", "--out", "r.wav"], 1, "must end in .csv"),
        (["record", "--source", "recording:gone.csv", "--out", "r.csv"], 1, "gone.csv: cannot be read"),
        (["check"], 2, "give either a calibration or --source"),
        (["check", "c.yaml", "--source", "simulated"], 2, "give either a calibration or --source"),
        (["check", "--source", "udp:0.0.0.0"], 1, "must be udp:HOST:PORT"),
        (["check", "--source", "simulated", "--tank", "gone.yaml"], 1, "gone.yaml: cannot be read"),
    ],
)
def test_what_is_wrong_is_said_in_a_line(
    shell: Shell, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, words: list[str], code: int, message: str
) -> None:
    """Wrong usage leaves with 2, a bad source or file with 1; one line says what, and no file is left."""
    monkeypatch.chdir(tmp_path)
    outcome = shell(*words)
    assert (outcome.code, outcome.out) == (code, "")
    assert message in outcome.err
    assert code == 2 or len(outcome.err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()


def test_a_silent_line_is_a_problem(shell: Shell, tmp_path: Path) -> None:
    """A port on which nothing comes is not healthy, and says so."""
    if os.name != "posix":
        pytest.skip("pseudo terminals are a thing of POSIX systems")
    port = PtyPort(tmp_path / "finger")
    try:
        outcome = shell("check", "--source", f"serial:{tmp_path / 'finger'}@115200", "--duration", "0.5")
    finally:
        port.close()
    assert outcome.code == 1
    assert "is open, but nothing comes; check the wiring, and that the device sends at 115200 baud" in outcome.out
