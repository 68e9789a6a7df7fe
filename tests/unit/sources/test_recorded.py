from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from soft_tactile_node.errors import RecordingError, SourceError
from soft_tactile_node.recordings import Recording, save_recording
from soft_tactile_node.sources import Reading, make_source, parse_source
from soft_tactile_node.sources.recorded import RecordedSource


class Clock:
    """A clock that is stepped by those who wait for it."""

    def __init__(self) -> None:
        self.now_s = 5000.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, duration_s: float) -> None:
        """Let time pass."""
        self.now_s += duration_s


def recording(rows: int = 400, rate_hz: float = 200.0) -> Recording:
    """Return a recording with a pressure in every fourth row."""
    time_s = 3.0 + np.arange(rows) / rate_hz
    pressure = np.where(np.arange(rows) % 4 == 0, 1e3 * time_s, np.nan)
    inductance = 1e-5 * (1.0 + 1e-3 * time_s[:, np.newaxis] * np.arange(1, 3))
    return Recording(time_s, pressure, inductance, np.full(rows, 21.5), loss_ohm=inductance * 1e5)


def drain(source: RecordedSource) -> list[Reading]:
    """Return everything."""
    readings = []
    while not source.ended:
        readings += source.read(0.05)
    return readings


def test_a_paced_recording_keeps_its_pace() -> None:
    """No row comes before it is due or much later, stamps start now and keep the recorded intervals."""
    clock, table = Clock(), recording()
    source = RecordedSource("r", lambda: table, clock=clock, sleep=clock.sleep)
    source.open()
    readings = []
    while not source.ended:
        found = source.read(0.05)
        readings += found
        assert all(0.0 <= clock.now_s - reading.scan.time_s < 0.011 for reading in found)
    assert clock.now_s - 5000.0 == pytest.approx(1.995, abs=0.011)
    assert_array_equal([reading.scan.time_s for reading in readings], table.time_s + (5000.0 - 3.0))
    assert [reading.number for reading in readings] == list(range(400))
    assert_array_equal([reading.scan.inductance_h for reading in readings], table.inductance_h)
    assert_array_equal([reading.scan.loss_ohm for reading in readings], table.loss_ohm)
    assert_array_equal([reading.pressure_pa for reading in readings], table.pressure_pa)
    assert not readings[0].pressure_is_absolute
    assert "has come to its end" in source.fault
    assert source.counters.scans == 400


def test_an_unpaced_recording_is_handed_out_as_it_is() -> None:
    """Without pace no time passes and the stamps are those of the file."""
    clock, table = Clock(), recording(1200)
    source = RecordedSource("r", lambda: table, clock=clock, sleep=clock.sleep, paced=False)
    source.open()
    assert_array_equal([reading.scan.time_s for reading in drain(source)], table.time_s)
    assert clock.now_s == 5000.0


def test_a_wait_is_no_longer_than_asked() -> None:
    """A read that finds nothing due comes back empty after its time."""
    clock = Clock()
    source = RecordedSource("r", lambda: recording(10, rate_hz=1.0), clock=clock, sleep=clock.sleep)
    source.open()
    assert len(source.read(0.004)) == 1
    assert source.read(0.004) == []
    assert clock.now_s == pytest.approx(5000.004)


@pytest.mark.parametrize("jump_s", [1.7e9, -4000.0])
def test_a_clock_that_is_set_is_followed(jump_s: float) -> None:
    """When the clock is set, as a simulated one is when it starts, the recording goes on at its pace from there."""
    clock, table = Clock(), recording()
    source = RecordedSource("r", lambda: table, clock=clock, sleep=clock.sleep)
    source.open()
    before = []
    while len(before) < 100:
        before += source.read(0.01)
    clock.now_s += jump_s
    after = drain(source)
    assert [reading.number for reading in after] == list(range(len(before), 400))
    assert_allclose(np.diff([reading.scan.time_s for reading in after]), 0.005, rtol=0.0, atol=1e-6)
    assert after[0].scan.time_s - before[-1].scan.time_s == pytest.approx(jump_s, abs=0.02)
    assert clock.now_s == pytest.approx(after[-1].scan.time_s, abs=0.011)


def test_opened_again_it_starts_again() -> None:
    """A recording that has come to its end can be played once more."""
    clock = Clock()
    source = RecordedSource("r", recording, clock=clock, sleep=clock.sleep)
    source.open()
    first = drain(source)
    source.close()
    with pytest.raises(SourceError, match="is not open"):
        source.read(0.0)
    source.open()
    assert len(drain(source)) == len(first)


def test_nobody_waits_for_an_hour() -> None:
    """Stamps with a gap nobody would wait for are refused."""
    table = recording(3, rate_hz=1e-4)
    with pytest.raises(SourceError, match="leaves a gap of 10000 s; cut the recording there"):
        RecordedSource("r", lambda: table).open()


def test_a_file_by_name(tmp_path: Path) -> None:
    """`recording:FILE` plays the file; one that is missing is named."""
    save_recording(recording(), tmp_path / "a.csv")
    source = make_source(parse_source(f"recording:{tmp_path / 'a.csv'}"), paced=False)
    source.open()
    assert len(source.read(0.0)) == 400
    with pytest.raises(RecordingError, match=r"b.csv: cannot be read"):
        make_source(parse_source(f"recording:{tmp_path / 'b.csv'}")).open()


def test_the_simulated_finger_by_name() -> None:
    """`simulated:SCENARIO` plays the simulated finger, which starts vented at rest."""
    source = make_source(parse_source("simulated:ramps"), paced=False)
    source.open()
    first = source.read(0.0)
    assert first[0].scan.inductance_h.shape == (4,)
    pressures = [reading.pressure_pa for reading in first if np.isfinite(reading.pressure_pa)]
    assert pressures
    assert np.abs(pressures).max() < 1e3
