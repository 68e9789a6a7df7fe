"""Is this stream, and what is wired to it, healthy: rate, jitter, losses, each channel, pressure at rest.

The limits are own choices, wide of what a sound board shows and of what the estimator can live with.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from soft_tactile_node.samples import Array
from soft_tactile_node.sources.protocol import Counters, Reading
from soft_tactile_node.sources.recording_run import LEAST_VENTED_PA, MOST_VENTED_PA
from soft_tactile_node.sources.rest import REST_PA

LEAST_SCANS = 20
MOST_LOST_SHARE = 1e-3
MOST_BAD_SHARE = 1e-2
MOST_JITTER_SHARE = 0.2
"""Spread of the scan interval over the interval (1)."""

MOST_MISSING_SHARE = 0.01
"""Samples of a channel that are missing, above which it counts as open (1)."""

MOST_NOISE = 3e-4
"""Noise of a channel over its inductance (1): a light touch changes it by about as much."""

MOST_NOISE_RATIO = 5.0
"""Noise of a channel over the middle one of the others (1)."""

MOST_APART = 20.0
"""Ratio of a channel's inductance to the middle one of all, either way (1); coils of one pad are alike."""

MOST_PRESSURE_NOISE_PA = 200.0
"""Noise of the pressure, rms (Pa): with five times it a reading of a vented line no longer counts as vented."""

MOST_WANDER_PA = 300.0
"""How far the pressure may wander at rest (Pa): a third of what counts as vented."""

WANDER_S = 0.5
"""Wandering is told from noise by the middles of stretches as long as this (s)."""

SPIKE = 12.0
"""Second difference over its usual size, above which it is a spike (1)."""


@dataclass(frozen=True)
class ChannelHealth:
    """One channel.

    Attributes
    ----------
    inductance_h, noise_h : float
        Mean and noise, rms, of neighbouring scans (H); NaN = no sample.
    missing_share : float
        Share of samples that are missing (1).
    problem : str
        `open`, `stuck`, `noisy`, `spiking`, `odd`, or empty.
    """

    inductance_h: float
    noise_h: float
    missing_share: float
    problem: str = ""


@dataclass(frozen=True)
class StreamHealth:
    """What a few seconds of a stream show.

    Attributes
    ----------
    scans : int
        Scans seen.
    duration_s, rate_hz : float
        From the first to the last (s), and scans in a second (Hz).
    jitter_s, longest_gap_s : float
        Spread of the scan interval, and the longest one (s).
    channels : tuple of ChannelHealth
        In order.
    pressure_pa, pressure_spread_pa : float
        Mean and spread (Pa); NaN = no reading.
    pressure_noise_pa, pressure_wander_pa : float
        Of that, noise of neighbouring readings, rms, and how far the pressure wanders (Pa); NaN = too few readings.
    pressure_is_absolute : bool
        Whether the pressure counts from vacuum.
    pressure_rate_hz : float
        Readings in a second (Hz).
    temperature_c : float
        Mean temperature (degC); NaN = not measured.
    counters : Counters
        What the source counted.
    problems, remarks : list of str
        What must be mended, and what is good to know; a sentence each.
    """

    scans: int
    duration_s: float
    rate_hz: float
    jitter_s: float
    longest_gap_s: float
    channels: tuple[ChannelHealth, ...]
    pressure_pa: float
    pressure_spread_pa: float
    pressure_noise_pa: float
    pressure_wander_pa: float
    pressure_is_absolute: bool
    pressure_rate_hz: float
    temperature_c: float
    counters: Counters
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def healthy(self) -> bool:
        """Whether nothing must be mended."""
        return not self.problems

    def to_json(self) -> dict[str, Any]:
        """Return all of it as plain data; what is not a finite number is None."""
        return {"healthy": self.healthy, **_plain(asdict(self))}


def _plain(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _plain(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(value) for value in data]
    return None if isinstance(data, float) and not math.isfinite(data) else data


def judge_stream(readings: Sequence[Reading], counters: Counters, fault: str = "") -> StreamHealth:
    """Return what readings of a finger at rest show.

    Parameters
    ----------
    readings : sequence of Reading
        A few seconds, vented and untouched.
    counters : Counters
        What the source counted.
    fault : str
        What the source says is wrong.

    Returns
    -------
    StreamHealth
        Figures, and what is wrong in words.
    """
    time_s = np.array([reading.scan.time_s for reading in readings])
    steps = np.diff(time_s)
    duration_s = float(time_s[-1] - time_s[0]) if len(time_s) else 0.0
    given = [reading.pressure_pa for reading in readings if math.isfinite(reading.pressure_pa)]
    noise_pa, wander_pa = _pressure_moves(np.array(given), duration_s)
    temperature = [r.scan.temperature_c for r in readings if math.isfinite(r.scan.temperature_c)]
    health = StreamHealth(
        scans=len(readings),
        duration_s=duration_s,
        rate_hz=len(steps) / duration_s if duration_s > 0.0 else math.nan,
        jitter_s=float(np.std(steps)) if len(steps) else math.nan,
        longest_gap_s=float(np.max(steps)) if len(steps) else math.nan,
        channels=_channels(np.array([reading.scan.inductance_h for reading in readings])),
        pressure_pa=float(np.mean(given)) if given else math.nan,
        pressure_spread_pa=float(np.std(given)) if given else math.nan,
        pressure_noise_pa=noise_pa,
        pressure_wander_pa=wander_pa,
        pressure_is_absolute=any(r.pressure_is_absolute for r in readings if math.isfinite(r.pressure_pa)),
        pressure_rate_hz=len(given) / duration_s if duration_s > 0.0 else math.nan,
        temperature_c=float(np.mean(temperature)) if temperature else math.nan,
        counters=counters,
    )
    _judge_line(health, fault, float(np.median(steps)) if len(steps) else math.nan)
    if health.scans >= LEAST_SCANS:
        _judge_channels(health)
        _judge_pressure(health, len(given), len(set(given)))
    return health


def _channels(inductance: Array) -> tuple[ChannelHealth, ...]:
    """Return the channels of readings (n, c) (H)."""
    if inductance.ndim != 2 or len(inductance) < LEAST_SCANS:
        return ()
    found = [_channel(inductance[:, k]) for k in range(inductance.shape[1])]
    usual_h = float(np.nanmedian([one.inductance_h for one in found] or [math.nan]))
    return tuple(_beside_others(one, found, usual_h) for one in found)


def _channel(samples: Array) -> ChannelHealth:
    known = samples[np.isfinite(samples) & (samples > 0.0)]
    missing = 1.0 - len(known) / len(samples)
    if len(known) < LEAST_SCANS:
        return ChannelHealth(math.nan, math.nan, missing, "open")
    # The second difference leaves out what moves slowly: of white noise its variance is six times as large.
    bends = np.diff(known, 2)
    noise_h = 1.4826 * float(np.median(np.abs(bends - np.median(bends)))) / math.sqrt(6.0)
    rough_h = float(np.std(bends)) / math.sqrt(6.0)
    mean_h = float(np.mean(known))
    problem = ""
    if missing > MOST_MISSING_SHARE:
        problem = "open"
    elif np.all(known == known[0]):
        problem = "stuck"
    elif np.any(np.abs(bends) > SPIKE * math.sqrt(6.0) * max(noise_h, 1e-6 * mean_h)):
        problem = "spiking"
    return ChannelHealth(mean_h, noise_h if noise_h > 0.0 else rough_h, missing, problem)


def _beside_others(one: ChannelHealth, every: list[ChannelHealth], usual_h: float) -> ChannelHealth:
    if one.problem or math.isnan(one.inductance_h):
        return one
    others = [other.noise_h / other.inductance_h for other in every if other is not one and other.noise_h > 0.0]
    noise = one.noise_h / one.inductance_h
    problem = ""
    if not 1.0 / MOST_APART < one.inductance_h / usual_h < MOST_APART:
        problem = "odd"
    elif noise > MOST_NOISE or (len(others) > 1 and noise > MOST_NOISE_RATIO * float(np.median(others))):
        problem = "noisy"
    return ChannelHealth(one.inductance_h, one.noise_h, one.missing_share, problem)


def _pressure_moves(given: Array, duration_s: float) -> tuple[float, float]:
    """Return noise, rms, and wander of the pressure readings (Pa); NaN = too few."""
    if len(given) < LEAST_SCANS:
        return math.nan, math.nan
    noise_pa = float(np.std(np.diff(given, 2))) / math.sqrt(6.0)
    blocks = np.array_split(given, min(max(round(duration_s / WANDER_S), 2), len(given) // 5))
    return noise_pa, float(np.ptp([np.median(block) for block in blocks]))


def _judge_line(health: StreamHealth, fault: str, interval_s: float) -> None:
    counters, problems, remarks = health.counters, health.problems, health.remarks
    if fault:
        problems.append(fault)
    if health.scans < LEAST_SCANS:
        if not fault:
            problems.append(f"only {health.scans} scans came; check that the device sends")
        return
    expected = counters.lost + health.scans
    if counters.lost > MOST_LOST_SHARE * expected:
        problems.append(
            f"{counters.lost} of {expected} scans were lost; raise the baud rate, or look for a loaded line or host"
        )
    elif counters.lost:
        remarks.append(f"{counters.lost} of {expected} scans were lost")
    if counters.bad_frames > MOST_BAD_SHARE * expected:
        problems.append(f"{counters.bad_frames} frames were damaged; check cable, ground and baud rate")
    elif counters.bad_frames:
        remarks.append(f"{counters.bad_frames} frames were damaged")
    if health.jitter_s > MOST_JITTER_SHARE * interval_s and not counters.lost:
        problems.append(
            f"the scan interval strays by {health.jitter_s * 1e3:.2g} ms around {interval_s * 1e3:.3g} ms; let a timer "
            "start each scan"
        )
    for name in ("restarts", "reconnects", "clock_steps", "other_channels", "foreign", "late", "duplicates"):
        if count := getattr(counters, name):
            remarks.append(f"{name.replace('_', ' ')}: {count}")


_ADVICE = {
    "open": "is open: check its coil and wires",
    "stuck": "does not move at all, not even by noise: check its coil and wires",
    "spiking": "has spikes: look for a loose contact",
    "noisy": "is noisy: check its wires, ground and shield",
    "odd": "is far from the others: check that it is a coil of this pad, and the description of its tank",
}


def _judge_channels(health: StreamHealth) -> None:
    for number, channel in enumerate(health.channels, start=1):
        if channel.problem:
            health.problems.append(f"channel {number} {_ADVICE[channel.problem]}")


def _judge_pressure(health: StreamHealth, readings: int, different: int) -> None:
    mean_pa, problems, remarks = health.pressure_pa, health.problems, health.remarks
    if not readings:
        problems.append("no pressure came; without it bending cannot be told from touch")
        return
    if health.pressure_is_absolute and mean_pa < LEAST_VENTED_PA:
        problems.append(f"pressure of {mean_pa:.0f} Pa cannot be absolute; let the device say that it is gauge")
    elif health.pressure_is_absolute and mean_pa > MOST_VENTED_PA:
        remarks.append(f"pressure is {mean_pa * 1e-3:.1f} kPa absolute: the finger is not vented")
    elif not health.pressure_is_absolute and abs(mean_pa) > REST_PA:
        remarks.append(
            f"pressure is {mean_pa * 1e-3:.2f} kPa: vent the finger; if it is vented, the sensor's zero is off, or "
            "the pressure is absolute and the device does not say so"
        )
    if readings >= LEAST_SCANS and different == 1:
        problems.append("pressure does not move at all, not even by noise; check its sensor")
    if health.pressure_noise_pa > MOST_PRESSURE_NOISE_PA:
        problems.append(
            f"pressure strays by {health.pressure_noise_pa:.0f} Pa from reading to reading; check wires, ground and "
            "supply of its sensor"
        )
    elif health.pressure_wander_pa > MOST_WANDER_PA:
        problems.append(
            f"pressure wanders by {health.pressure_wander_pa:.0f} Pa in {health.duration_s:.1f} s; if the finger was "
            "vented and untouched, check the sensor, its supply and its tube"
        )
