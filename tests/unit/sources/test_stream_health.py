from __future__ import annotations

import json
import math
from collections.abc import Callable

import numpy as np
import pytest

from soft_tactile_node.reports.stream_text import format_stream
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources import Counters, Reading
from soft_tactile_node.sources.health import StreamHealth, judge_stream

Change = Callable[[np.ndarray, np.ndarray, np.ndarray], None]
SCANS, CHANNELS, NOISE = 2000, 4, 2e-5


def stream(change: Change | None = None, *, absolute: bool = False) -> list[Reading]:
    """Return two seconds at 1 kHz of a sound board at rest: noise of 20 ppm, slow drift; pressure at 100 Hz."""
    rng = np.random.default_rng(1)
    time_s = 1.7e9 + np.arange(SCANS) / 1000.0
    coils = np.array([8e-6, 9e-6, 10e-6, 11e-6]) * (1.0 + NOISE * rng.standard_normal((SCANS, CHANNELS)))
    coils *= 1.0 + 1e-3 * np.arange(SCANS)[:, np.newaxis] / SCANS
    pressure = np.where(
        np.arange(SCANS) % 10 == 0, (99e3 if absolute else 0.0) + 15.0 * rng.standard_normal(SCANS), np.nan
    )
    if change is not None:
        change(time_s, coils, pressure)
    return [Reading(Scan(t, c, 22.0), k, p, absolute) for k, (t, c, p) in enumerate(zip(time_s, coils, pressure))]


def judged(change: Change | None = None, counters: Counters | None = None, **options: bool) -> StreamHealth:
    """Return the health of such a stream."""
    return judge_stream(stream(change, **options), counters or Counters(scans=SCANS))


@pytest.mark.parametrize("absolute", [False, True])
def test_a_sound_stream_is_healthy(absolute: bool) -> None:
    """Nothing is wrong with a sound board, and its figures are those it was made with, drift left out."""
    health = judged(absolute=absolute)
    assert (health.problems, health.remarks, health.healthy) == ([], [], True)
    assert health.rate_hz == pytest.approx(1000.0, rel=1e-6)
    assert health.jitter_s < 1e-6
    assert health.pressure_rate_hz == pytest.approx(100.0, rel=0.01)
    for channel, usual_h in zip(health.channels, [8e-6, 9e-6, 10e-6, 11e-6]):
        assert channel.inductance_h == pytest.approx(usual_h * 1.0005, rel=1e-5)
        # a median of 2000 second differences strays by some 4 %
        assert channel.noise_h / channel.inductance_h == pytest.approx(NOISE, rel=0.15)
    assert health.temperature_c == 22.0


def open_now_and_then(_t: np.ndarray, coils: np.ndarray, _p: np.ndarray) -> None:
    coils[::20, 1] = np.nan


def open_for_good(_t: np.ndarray, coils: np.ndarray, _p: np.ndarray) -> None:
    coils[:, 1] = np.nan


def stuck(_t: np.ndarray, coils: np.ndarray, _p: np.ndarray) -> None:
    coils[:, 1] = 9e-6


def noisy(_t: np.ndarray, coils: np.ndarray, _p: np.ndarray) -> None:
    coils[:, 1] *= 1.0 + 2e-4 * np.random.default_rng(2).standard_normal(SCANS)


def spiking(_t: np.ndarray, coils: np.ndarray, _p: np.ndarray) -> None:
    coils[777, 1] *= 1.01


def another_coil(_t: np.ndarray, coils: np.ndarray, _p: np.ndarray) -> None:
    coils[:, 1] *= 50.0


def jittering(time_s: np.ndarray, _c: np.ndarray, _p: np.ndarray) -> None:
    time_s += np.random.default_rng(3).uniform(0.0, 0.9e-3, SCANS)


def no_pressure(_t: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
    pressure[:] = np.nan


def frozen_pressure(_t: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
    pressure[np.isfinite(pressure)] = 3.0


def noisy_pressure(_t: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
    pressure += 300.0 * np.random.default_rng(5).standard_normal(SCANS)


def spiking_pressure(_t: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
    pressure[700] += 5e3


def wandering_pressure(time_s: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
    pressure += 450.0 * (time_s - time_s[0]) / 2.0


def swaying_pressure(time_s: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
    pressure += 300.0 * np.sin(2.0 * np.pi * (time_s - time_s[0]) / 2.0)


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (open_now_and_then, "channel 2 is open: check its coil and wires"),
        (open_for_good, "channel 2 is open: check its coil and wires"),
        (stuck, "channel 2 does not move at all, not even by noise: check its coil and wires"),
        (noisy, "channel 2 is noisy: check its wires, ground and shield"),
        (spiking, "channel 2 has spikes: look for a loose contact"),
        (another_coil, "channel 2 is far from the others"),
        (jittering, "the scan interval strays by"),
        (no_pressure, "no pressure came; without it bending cannot be told from touch"),
        (noisy_pressure, "pressure strays by 299 Pa from reading to reading"),
        (spiking_pressure, "pressure strays by"),
        (wandering_pressure, "pressure wanders by 3"),
        (swaying_pressure, "pressure wanders by"),
        (frozen_pressure, "pressure does not move at all, not even by noise; check its sensor"),
    ],
)
def test_one_fault_is_one_problem(change: Change, problem: str) -> None:
    """Each fault of the wiring is found, named with its channel, and nothing else is blamed."""
    health = judged(change)
    assert len(health.problems) == 1
    assert health.problems[0].startswith(problem)
    assert not health.healthy


@pytest.mark.parametrize(
    ("counters", "problem", "remark"),
    [
        (Counters(lost=100), "100 of 2100 scans were lost", ""),
        (Counters(lost=1), "", "1 of 2001 scans were lost"),
        (Counters(bad_frames=300), "300 frames were damaged; check cable", ""),
        (Counters(bad_frames=3), "", "3 frames were damaged"),
        (Counters(duplicates=7), "", "duplicates: 7"),
        (Counters(clock_steps=1), "", "clock steps: 1"),
    ],
)
def test_what_the_source_counted_is_judged(counters: Counters, problem: str, remark: str) -> None:
    """A few losses are a remark, many a problem."""
    health = judged(counters=counters)
    assert [text.startswith(problem) for text in health.problems] == ([True] if problem else [])
    assert [text.startswith(remark) for text in health.remarks] == ([True] if remark else [])


def add(pressure_pa: float) -> Change:
    """Return a change that raises the pressure."""

    def change(_t: np.ndarray, _c: np.ndarray, pressure: np.ndarray) -> None:
        pressure += pressure_pa

    return change


def test_pressure_at_rest() -> None:
    """A finger that is not vented is remarked; an absolute pressure that cannot be one is a problem."""
    assert judged(add(5e3)).remarks[0].startswith("pressure is 5.00 kPa: vent the finger")
    assert judged(add(30e3), absolute=True).remarks == ["pressure is 129.0 kPa absolute: the finger is not vented"]
    assert "cannot be absolute" in judged(add(-99e3), absolute=True).problems[0]


def test_nothing_at_all() -> None:
    """Without scans the fault of the source is the problem; without that, the silence itself."""
    health = judge_stream([], Counters(), "serial port finger: is open, but nothing comes")
    assert health.problems == ["serial port finger: is open, but nothing comes"]
    assert judge_stream(stream()[:3], Counters()).problems == ["only 3 scans came; check that the device sends"]
    assert format_stream("s", health).splitlines()[0] == "Source s: NOT healthy."


def test_text_and_json_say_the_same() -> None:
    """People read the verdict first and a line for each channel; machines get all of it, NaN as null."""
    health = judged(open_for_good)
    text = format_stream("serial:finger@921600", health)
    assert text.splitlines()[0] == "Source serial:finger@921600: NOT healthy."
    assert "Problem: channel 2 is open: check its coil and wires." in text
    assert "channel  2  no reading" in text
    assert "channel  3     10.005" in text
    assert "gauge" in text
    data = json.loads(json.dumps(health.to_json(), allow_nan=False))
    assert data["healthy"] is False
    assert data["channels"][1] == {"inductance_h": None, "noise_h": None, "missing_share": 1.0, "problem": "open"}
    assert math.isclose(data["rate_hz"], 1000.0, rel_tol=1e-6)
