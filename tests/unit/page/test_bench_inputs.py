"""What stands by the finger on a bench: force cell, recordings with a log, the way through a calibration."""

from __future__ import annotations

import csv
import math
import socket
import time
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from soft_tactile_node.calibration.pad_info import PadInfo
from soft_tactile_node.errors import RecordingError, SourceError
from soft_tactile_node.page.force_cell import ForceCell, parse_force
from soft_tactile_node.page.guided_session import GuidedSession
from soft_tactile_node.page.logbook import Logbook
from soft_tactile_node.protocol.guidance import BenchLimits
from soft_tactile_node.protocol.guided import KEEP_OFF
from soft_tactile_node.recordings import load_recording
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources import Reading
from unit.sources.made import WAIT_S, free_port

ATMOSPHERIC_PA = 98e3


def reading(k: int, pressure_pa: float = ATMOSPHERIC_PA, rate_hz: float = 50.0) -> Reading:
    """Return the k-th reading of a device at rest."""
    return Reading(Scan(100.0 + k / rate_hz, np.full(4, 1e-6)), k, pressure_pa, pressure_is_absolute=True)


@pytest.mark.parametrize(
    ("line", "force"),
    [
        (b"1.25", (0.0, 0.0, 1.25)),
        (b"0.1, -0.2; 3e0 N\r", (0.1, -0.2, 3.0)),
        (b"OK", None),
        (b"1 2", None),
        (b"\xff\x00", None),
    ],
)
def test_lines_of_a_force_cell(line: bytes, force: tuple[float, ...] | None) -> None:
    """One number is the normal force, three are the force; anything else is no reading."""
    parsed = parse_force(line)
    assert (parsed is None) == (force is None)
    if force is not None:
        assert_array_equal(parsed, force)


def test_a_force_cell_on_udp() -> None:
    """Datagrams become readings of now."""
    port = free_port()
    cell = ForceCell(f"udp:127.0.0.1:{port}")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(b"0.5\n0.75\n", ("127.0.0.1", port))
    found: list[tuple[float, np.ndarray]] = []
    end_s = time.monotonic() + WAIT_S
    while len(found) < 2 and time.monotonic() < end_s:
        found += cell.read()
    cell.close()
    assert [force[2] for _, force in found] == [0.5, 0.75]
    assert abs(found[0][0] - time.time()) < WAIT_S
    with pytest.raises(SourceError, match="force cell must be serial"):
        ForceCell("recording:x.csv")


def test_a_recording_and_its_log(tmp_path: Path) -> None:
    """A recording made from the page reads back as it came; marks stand in its log at their time."""
    logbook = Logbook(tmp_path / "r.csv", ATMOSPHERIC_PA)
    logbook.add([reading(k) for k in range(120)])
    logbook.note(101.5, "mark", "thumb, middle")
    said = logbook.finish()
    assert "r.csv, 120 scans in 2.4 s, and r_log.csv" in said
    read = load_recording(tmp_path / "r.csv")
    assert len(read) == 120
    assert_array_equal(read.pressure_pa, 0.0)
    with (tmp_path / "r_log.csv").open() as lines:
        assert list(csv.reader(lines)) == [["time_s", "kind", "text"], ["1.5000", "mark", "thumb, middle"]]
    assert {path.name for path in tmp_path.iterdir()} == {"r.csv", "r_log.csv"}


def test_a_recording_of_nothing_leaves_nothing(tmp_path: Path) -> None:
    """Where nothing came there is no file, and it is said."""
    with pytest.raises(RecordingError, match="nothing came"):
        Logbook(tmp_path / "r.csv", math.nan).finish()
    assert list(tmp_path.iterdir()) == []


def session(folder: Path) -> GuidedSession:
    """Return the calibration of a device that sends absolute pressure."""
    return GuidedSession(
        BenchLimits(50e3, 4.0), 4, folder / "finger.yaml", PadInfo(), pressure_is_gauge=False, by_hand=True
    )


def test_a_person_is_led_by_hand(tmp_path: Path) -> None:
    """First all is kept off, with the words of the guidance; then the pressure to set is told beside the one read."""
    guided = session(tmp_path)
    k = 0
    while guided.wanted is None or guided.wanted.pressure_pa < 5e3:
        pressure_pa = ATMOSPHERIC_PA + (guided.wanted.pressure_pa if guided.wanted else 0.0)
        guided.add_force(100.0 + k / 50.0, np.array([0.0, 0.0, 0.2]))
        guided.add(reading(k, pressure_pa))
        k += 1
        assert k < 2000, guided.describe()
        assert KEEP_OFF in str(guided.describe()["instruction"])
    said = guided.describe()
    assert (said["phase"], said["by_hand"]) == ("bending freely", True)
    assert said["pressure_pa"] == pytest.approx(said["wanted_pressure_pa"], abs=200.0)
    assert 0.0 < said["fraction"] < 0.1
    guided.add_force(100.0 + k / 50.0, np.array([0.0, 0.0, 40.0]))
    for j in range(50):
        guided.add_force(100.0 + (k + j) / 50.0, np.array([0.0, 0.0, 40.0]))
    assert "more than 2 times" in guided.refusal
    assert list(tmp_path.iterdir()) == []


def test_it_gives_up_in_words(tmp_path: Path) -> None:
    """A pressurised start, no force cell and scans that stop end it, each with what to do."""
    guided = session(tmp_path)
    guided.add(reading(0, 150e3))
    assert "must be vented to begin" in guided.refusal
    guided = session(tmp_path)
    for k in range(400):
        guided.add(reading(k))
    assert "connect the force cell" in guided.refusal
    guided = session(tmp_path)
    guided.add(reading(0))
    guided.check_silence(1.5)
    assert "scans have stopped" in guided.refusal
