from __future__ import annotations

import math
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings import Layout, load_recording, open_recording_writer, recover_recording
from soft_tactile_node.samples import Scan


def scan(k: int, channels: int = 2) -> Scan:
    """Return the k-th scan; every third has no second channel."""
    coils = 1e-5 * np.arange(1, channels + 1) * (1.0 + 1e-4 * k)
    coils[1:] = np.nan if k % 3 == 2 else coils[1:]
    return Scan(0.002 * k, coils, 20.0 + k / 7.0, coils * 1e5, np.array([0.0, 0.1 * k, 9.8]))


def pressure(k: int) -> float:
    """Return its pressure; every other scan has none."""
    return 1e3 * k if k % 2 == 0 else math.nan


def test_what_is_written_reads_back(tmp_path: Path) -> None:
    """Every column reads back to the same bits, and nothing but the recording is left."""
    path = tmp_path / "rec.csv"
    writer = open_recording_writer(path)
    writer.start(Layout(2, temperature=True, loss=True, acceleration=True))
    for k in range(50):
        writer.add(scan(k), pressure(k))
    assert not path.exists()
    writer.finish()
    assert [found.name for found in tmp_path.iterdir()] == ["rec.csv"]
    read = load_recording(path)
    assert_array_equal(read.time_s, [scan(k).time_s for k in range(50)])
    assert_array_equal(read.pressure_pa, [pressure(k) for k in range(50)])
    assert_array_equal(read.inductance_h, [scan(k).inductance_h for k in range(50)])
    assert_array_equal(read.temperature_c, [scan(k).temperature_c for k in range(50)])
    assert_array_equal(read.loss_ohm, [scan(k).loss_ohm for k in range(50)])
    assert_array_equal(read.acceleration_m_s2, [scan(k).acceleration_m_s2 for k in range(50)])


def test_what_the_layout_lacks_is_left_out(tmp_path: Path) -> None:
    """Without columns for them temperature, loss and acceleration do not appear; what is missing stays empty."""
    writer = open_recording_writer(tmp_path / "rec.csv")
    writer.start(Layout(2))
    writer.add(scan(0), 0.0)
    writer.finish()
    assert (tmp_path / "rec.csv").read_text().splitlines()[0] == "time_s,pressure_pa,coil_1_h,coil_2_h"
    writer = open_recording_writer(tmp_path / "b.csv")
    writer.start(Layout(1, loss=True, acceleration=True))
    writer.add(Scan(0.0, np.array([1e-5])), math.nan)
    writer.finish()
    assert (tmp_path / "b.csv").read_text().splitlines()[1] == "0.0,,1e-05,,,,"


def test_the_older_recording_stays_until_the_new_one_is_complete(tmp_path: Path) -> None:
    """While a recording grows, and when it is abandoned, the older one is untouched."""
    path = tmp_path / "rec.csv"
    path.write_text("old")
    writer = open_recording_writer(path)
    writer.start(Layout(2))
    writer.add(scan(0), 0.0)
    assert path.read_text() == "old"
    writer.abandon()
    assert path.read_text() == "old"
    assert writer.part.read_text().count("\n") == 2


def test_nothing_recorded_leaves_nothing(tmp_path: Path) -> None:
    """A recording without a row is refused and leaves no file, not even a half one."""
    writer = open_recording_writer(tmp_path / "rec.csv")
    writer.start(Layout(2))
    with pytest.raises(RecordingError, match=r"rec.csv: nothing was recorded"):
        writer.finish()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("rec.txt", "the name of a recording must end in .csv"),
        ("rec", "the name of a recording must end in .csv"),
        ("gone/rec.csv", "cannot be written (No such file or directory); check the folder"),
        ("folder.csv", "is a folder"),
    ],
)
def test_a_bad_name_is_refused_before_anything_is_recorded(tmp_path: Path, name: str, words: str) -> None:
    """Ending, folder and rights are checked first."""
    (tmp_path / "folder.csv").mkdir()
    with pytest.raises(RecordingError) as caught:
        open_recording_writer(tmp_path / name)
    assert words in str(caught.value)


def test_a_row_of_other_channels_is_refused(tmp_path: Path) -> None:
    """A scan that does not fit the header is not written under it."""
    writer = open_recording_writer(tmp_path / "rec.csv")
    with pytest.raises(RecordingError, match="must be of 0 channels; got 2"):
        writer.add(scan(0), 0.0)
    writer.start(Layout(3))
    with pytest.raises(RecordingError, match="must be of 3 channels; got 2"):
        writer.add(scan(0), 0.0)
    writer.abandon()


def test_a_full_disk(tmp_path: Path) -> None:
    """When no more fits the error says so, the older recording is intact, and what fitted can be saved."""
    path = tmp_path / "rec.csv"
    path.write_text("old")
    writer = open_recording_writer(path)
    writer.start(Layout(2))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, before[1]))  # stands for the end of the disk
    try:
        with pytest.raises(RecordingError) as caught:
            [writer.add(scan(k), pressure(k)) for k in range(1000)]
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert "rec.csv: cannot be written (File too large)" in str(caught.value)
    assert f"rows are kept in {writer.part}" in str(caught.value)
    assert path.read_text() == "old"
    with pytest.raises(RecordingError, match="has ended"):
        writer.add(scan(0), 0.0)
    rows = recover_recording(writer.part, tmp_path / "saved.csv")
    assert rows == len(load_recording(tmp_path / "saved.csv")) > 50
    assert not writer.part.exists()


KILLED = """
import os, signal, sys
from unit.recordings.test_live import Layout, open_recording_writer, pressure, scan
writer = open_recording_writer(sys.argv[1])
writer.start(Layout(2))
for k in range(777):
    writer.add(scan(k), pressure(k))
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_program_loses_nothing(tmp_path: Path) -> None:
    """Every row added before the program was killed is saved; an unfinished recording is never overwritten."""
    path = tmp_path / "rec.csv"
    tests = Path(__file__).resolve().parents[2]
    environment = {**os.environ, "PYTHONPATH": f"{os.environ.get('PYTHONPATH', '')}{os.pathsep}{tests}"}
    run = subprocess.run([sys.executable, "-c", KILLED, path], env=environment, timeout=120)
    assert run.returncode == -signal.SIGKILL
    with pytest.raises(
        RecordingError, match=r"is an unfinished recording; keep it with `soft-tactile record --recover"
    ):
        open_recording_writer(path)
    part = tmp_path / "rec.csv.part"
    with part.open("ab") as stream:
        stream.write(b"1.554,777")  # a row cut short, as a power failure leaves it
    assert recover_recording(part, path) == 777
    assert_array_equal(load_recording(path).time_s, [0.002 * k for k in range(777)])
    open_recording_writer(path).abandon()


@pytest.mark.parametrize("content", [b"", b"time_s,pressure_pa\n", b"\xff\xfe\n\n", b"shopping list\nbuns\n"])
def test_what_is_no_recording_is_not_recovered(tmp_path: Path, content: bytes) -> None:
    """A file without a whole row, or of another kind, is refused and stays."""
    part = tmp_path / "rec.csv.part"
    part.write_bytes(content)
    with pytest.raises(RecordingError, match=r"rec.csv.part: "):
        recover_recording(part, tmp_path / "rec.csv")
    assert part.read_bytes() == content
    with pytest.raises(RecordingError, match="cannot be read"):
        recover_recording(tmp_path / "gone.part", tmp_path / "rec.csv")


def test_zeros_of_a_power_failure_are_cut_off(tmp_path: Path) -> None:
    """Blocks of zeros, which a file system may leave at the end, are not taken for a row."""
    part = tmp_path / "rec.csv.part"
    part.write_bytes(b"time_s,pressure_pa,coil_1_h\n0.0,1.0,1e-05\n0.1,2.0,1\0\0\0\0\n\0\0")
    with pytest.raises(RecordingError, match="binary"):
        load_recording(part)
    assert recover_recording(part, tmp_path / "rec.csv") == 1
    assert len(load_recording(tmp_path / "rec.csv")) == 1
