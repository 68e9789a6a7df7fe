from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.errors import SourceError
from soft_tactile_node.recordings import load_recording, open_recording_writer
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources import Counters, Reading
from soft_tactile_node.sources.recording_run import Recorder, RecordSummary, record, vented_pressure

RATE_HZ = 100.0


def reading(k: int, pressure_pa: float = math.nan, *, absolute: bool = False, **scan: object) -> Reading:
    """Return the k-th reading, ten milliseconds after the one before, on a clock that began long ago."""
    coils = np.array([1e-5, 2e-5]) * (1.0 + 1e-4 * k)
    return Reading(Scan(1.7e9 + k / RATE_HZ, coils, **scan), k, pressure_pa, absolute)


class Script:
    """A source that plays a list of reads, each 0.1 s long, then is silent for ever."""

    def __init__(self, *reads: list[Reading], fault: str = "") -> None:
        self.name = "script"
        self.counters = Counters()
        self.fault = fault
        self.ended = False
        self._reads = list(reads)
        self.now_s = 0.0

    def open(self) -> None:
        """Do nothing."""

    def read(self, timeout_s: float) -> list[Reading]:
        """Play the next."""
        self.now_s += timeout_s
        return self._reads.pop(0) if self._reads else []

    def close(self) -> None:
        """Do nothing."""


def reads(readings: list[Reading], size: int = 10) -> list[list[Reading]]:
    """Cut readings into reads."""
    return [readings[k : k + size] for k in range(0, len(readings), size)]


def run(path: Path, source: Script, atmospheric_pa: float = math.nan, **options: float) -> RecordSummary:
    """Record a script."""
    writer = open_recording_writer(path)
    recorder = Recorder(writer, atmospheric_pa)
    try:
        summary = record(source, recorder, clock=lambda: source.now_s, **options)
        writer.finish()
        return summary
    finally:
        writer.abandon()


def test_time_begins_at_0_and_ends_when_it_should(tmp_path: Path) -> None:
    """Three seconds asked for are three seconds of scans, counted from the first, whatever its clock says."""
    summary = run(tmp_path / "r.csv", Script(*reads([reading(k, 10.0) for k in range(1000)])), duration_s=3.0)
    read = load_recording(tmp_path / "r.csv")
    assert_allclose(read.time_s, np.arange(300) / RATE_HZ, rtol=0.0, atol=3e-7)  # steps of the clock's double
    assert (summary.rows, summary.channels, summary.complaint) == (300, 2, "")
    assert (read.pressure_pa == 10.0).all()


def test_absolute_pressure_becomes_gauge_against_the_vented_first_second(tmp_path: Path) -> None:
    """The mean of the first second is the surroundings; it is taken off from the first row on."""
    pressures = [99e3 + (200.0 if k % 2 else -200.0) for k in range(100)] + [129e3] * 100
    source = Script(*reads([reading(k, pressures[k], absolute=True) for k in range(200)]))
    summary = run(tmp_path / "r.csv", source, patience_s=1.0)
    read = load_recording(tmp_path / "r.csv")
    assert summary.atmospheric_pa == pytest.approx(99e3, abs=0.1)
    assert_allclose(read.pressure_pa, np.array(pressures) - summary.atmospheric_pa, rtol=0.0, atol=1e-6)


def test_atmospheric_pressure_that_is_given_counts(tmp_path: Path) -> None:
    """Given the pressure of the surroundings, a recording may begin under pressure."""
    source = Script(*reads([reading(k, 129e3, absolute=True) for k in range(200)]))
    run(tmp_path / "r.csv", source, 98e3, patience_s=1.0)
    assert (load_recording(tmp_path / "r.csv").pressure_pa == 31e3).all()


@pytest.mark.parametrize(("pressure_pa", "words"), [(129e3, "vent the finger"), (12.0, "looks like gauge")])
def test_what_cannot_be_vented_is_refused(pressure_pa: float, words: str) -> None:
    """An absolute pressure that no vented line shows is refused, with what to do."""
    with pytest.raises(SourceError, match=words):
        vented_pressure([reading(k, pressure_pa, absolute=True) for k in range(5)])


def test_gauge_pressure_stays_and_none_is_none() -> None:
    """Without absolute readings there is nothing to take off."""
    assert math.isnan(vented_pressure([reading(0, 5.0), reading(1)]))


def test_columns_are_those_of_the_first_second(tmp_path: Path) -> None:
    """A temperature that comes now and then has a column; a loss that begins later has none, and that is said."""
    readings = [reading(k, temperature_c=21.0 if k % 50 == 0 else math.nan) for k in range(300)]
    readings += [reading(k, loss_ohm=np.ones(2)) for k in range(300, 310)]
    summary = run(tmp_path / "r.csv", Script(*reads(readings)), patience_s=1.0)
    read = load_recording(tmp_path / "r.csv")
    assert np.isfinite(read.temperature_c).sum() == 6
    assert read.loss_ohm is None
    assert summary.rows == 310
    assert summary.complaint == (
        "loss came only after the first second and is not recorded; start when it comes; script: nothing came for 1 s"
    )


def still(k: int, pressure_pa: float = 0.0, moves: float = 0.0, *, absolute: bool = False) -> Reading:
    """Return the k-th reading of a finger that rests, but for one channel that `moves` by so much within 0.1 s."""
    noise = 2e-5 * np.random.default_rng(k).standard_normal(2)
    coils = np.array([1e-5, 2e-5]) * (1.0 + noise + [0.0, moves if 40 <= k < 60 else 0.0])
    return Reading(Scan(1.7e9 + k / RATE_HZ, coils), k, pressure_pa, absolute)


@pytest.mark.parametrize(
    ("first", "said"),
    [
        ({}, ""),
        ({"pressure_pa": 99e3, "absolute": True}, ""),
        ({"pressure_pa": 1.2e3}, "the pressure reads up to 1.2 kPa"),
        ({"pressure_pa": 102e3, "absolute": True}, "the pressure reads up to 4.0 kPa"),
        ({"moves": 3e-4}, "channel 2 moves by 3"),
        ({"moves": -3e-4}, "channel 2 moves by 3"),
        ({"moves": math.nan}, ""),
    ],
)
def test_a_start_that_is_no_rest_is_told(tmp_path: Path, first: dict[str, float], said: str) -> None:
    """A first second under pressure, or in which a channel moves, is told; what comes later does not count."""
    atmospheric_pa = 98e3 if first.get("pressure_pa", 0.0) == 102e3 else math.nan
    later = [still(k, 20e3 + first.get("pressure_pa", 0.0), absolute="absolute" in first) for k in range(101, 200)]
    source = Script(*reads([still(k, **first) for k in range(101)] + later))
    summary = run(tmp_path / "r.csv", source, atmospheric_pa, patience_s=1.0)
    assert summary.not_at_rest.startswith(said)
    assert bool(summary.not_at_rest) == bool(said)


def test_less_than_a_second_is_recorded_too(tmp_path: Path) -> None:
    """A source that falls silent at once leaves what it gave, and says why it ended."""
    source = Script([reading(0), reading(1)], fault="serial port finger has gone: plug the device in again")
    summary = run(tmp_path / "r.csv", source, patience_s=2.0)
    assert len(load_recording(tmp_path / "r.csv")) == 2
    assert summary.complaint == "serial port finger has gone: plug the device in again"
    assert source.now_s == pytest.approx(2.2, abs=0.11)


def test_a_pause_shorter_than_the_patience_is_waited_for(tmp_path: Path) -> None:
    """A cable that is pulled for a moment does not end a recording; the gap shows in its times."""
    first, then = [reading(k) for k in range(200)], [reading(k) for k in range(500, 600)]
    run(tmp_path / "r.csv", Script(*reads(first), *[[]] * 30, *reads(then)), patience_s=5.0)
    steps = np.diff(load_recording(tmp_path / "r.csv").time_s)
    assert len(steps) == 299
    assert steps.max() == pytest.approx(3.01, abs=1e-6)
