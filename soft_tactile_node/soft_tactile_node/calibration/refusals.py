"""Recordings that cannot give a calibration are refused with the reason; what they merely lack is listed in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy  # loads its parts when they are used: its signal part takes half a second
from scipy.ndimage import gaussian_filter1d

from soft_tactile_node.calibration.contamination import check_drift
from soft_tactile_node.calibration.judgement import LEAST_UNLOADING
from soft_tactile_node.calibration.map_fit import LEAST_SQUEEZES
from soft_tactile_node.calibration.plausibility import check_force_unit
from soft_tactile_node.calibration.preparation import Prepared
from soft_tactile_node.calibration.press import find_unloaded, smooth_force
from soft_tactile_node.calibration.verdict_figures import unloading_share
from soft_tactile_node.errors import CalibrationError
from soft_tactile_node.recordings import Recording

MINIMUM_S = 30.0
"""Shortest usable total length of each kind of recording (s)."""

LATEST_S = 0.1
"""A pad may answer this late by itself; simulated ones of both variants stay below 0.08 s (s)."""

MOVED_AT_REST = 0.1
"""Share of the squared rates of the force that must come while the pressure rests, to tell its clock (1)."""


def check_free_bend(recordings: Sequence[Recording], prepared: Sequence[Prepared]) -> None:
    """Refuse free-bend recordings that cannot give a free-bend model.

    Parameters
    ----------
    recordings : sequence of Recording
        As recorded.
    prepared : sequence of Prepared
        The same, tared.

    Raises
    ------
    CalibrationError
        None given, channel counts differ, too short, one pressure only, a channel that is clipped, dead or drifts.
    """
    if not recordings:
        raise CalibrationError("free-bend: no recording given; record pressure sweeps without contact")
    _check_channels(recordings)
    _check_length(prepared, "free-bend")
    low = min(float(p.pressure_pa.min()) for p in prepared)
    high = max(float(p.pressure_pa.max()) for p in prepared)
    if high - low < 3000.0:
        raise CalibrationError(
            f"{recordings[0].source}: free-bend pressures must span at least 3 kPa; got {(high - low) / 1000:.1f} kPa; "
            "sweep the pressure over the range you will use, and give pascals"
        )
    check_drift(prepared)


def check_press(recordings: Sequence[Recording], prepared: Sequence[Prepared], free: Sequence[Prepared]) -> None:
    """Refuse press recordings that cannot give a pad model.

    Parameters
    ----------
    recordings : sequence of Recording
        As recorded.
    prepared, free : sequence of Prepared
        Press and free-bend recordings, tared.

    Raises
    ------
    CalibrationError
        None given, other pad, too short, no reference force, hardly any force, or no rest between presses.
    """
    if not recordings:
        raise CalibrationError("press: no recording given; press the pad with a reference force cell")
    _check_channels(recordings)
    _check_length(prepared, "press")
    if prepared[0].change.shape[1] != free[0].change.shape[1]:
        raise CalibrationError(
            f"{recordings[0].source}: must have {free[0].change.shape[1]} channels like the free-bend recordings; "
            f"got {prepared[0].change.shape[1]}"
        )
    for recording, item in zip(recordings, prepared, strict=True):
        ratio = item.tare_inductance_h / free[0].tare_inductance_h - 1.0
        if np.abs(ratio).max() > 0.2:
            channel = int(np.argmax(np.abs(ratio))) + 1
            raise CalibrationError(
                f"{recording.source}, column coil_{channel}_h: differs by {100 * np.abs(ratio).max():.0f} % at rest "
                "from "
                "the free-bend recordings; record both with the same pad"
            )
        if item.force_n is None or not np.isfinite(item.force_n[:, 2]).any():
            raise CalibrationError(
                f"{recording.source}: must have the reference force in force_x_n, force_y_n, force_z_n; got none; "
                "record a force cell beside the coils"
            )
        force = smooth_force(item)
        if force[:, 2].max() < 0.3:
            raise CalibrationError(
                f"{recording.source}: presses must reach 0.3 N; the largest is {force[:, 2].max():.2f} N; press harder "
                "or "
                "check the sign (a press is positive force_z_n)"
            )
        if find_unloaded(item.time_s, force).mean() < 0.02:
            raise CalibrationError(f"{recording.source}: the pad is never unloaded; leave rests between presses")
        _check_synchronised(recording, item, force[:, 2])
    check_force_unit(prepared)
    check_drift(prepared)


def _check_channels(recordings: Sequence[Recording]) -> None:
    """Refuse recordings that differ in channel count, and channels without signal."""
    first = recordings[0]
    for recording in recordings:
        if recording.channels != first.channels:
            raise CalibrationError(
                f"{recording.source}: must have {first.channels} channels like {first.source}; got {recording.channels}"
            )
        for channel in range(recording.channels):
            values = recording.inductance_h[:, channel]
            finite = values[np.isfinite(values)]
            if finite.size < 0.5 * values.size:
                share = 100.0 * (1.0 - finite.size / values.size)
                raise CalibrationError(
                    f"{recording.source}, column coil_{channel + 1}_h: {share:.0f} % of the samples are missing; check "
                    "the channel"
                )
            if np.ptp(finite) == 0.0:
                raise CalibrationError(
                    f"{recording.source}, column coil_{channel + 1}_h: never changes; the channel is stuck; check the "
                    "channel"
                )
            at_top = float(np.mean(finite == finite.max()))
            at_bottom = float(np.mean(finite == finite.min()))
            levels = np.unique(finite[:: max(1, finite.size // 5000)]).size
            if max(at_top, at_bottom) > 0.02 and levels > 100:
                raise CalibrationError(
                    f"{recording.source}, column coil_{channel + 1}_h: clipped, {100 * max(at_top, at_bottom):.0f} % "
                    "of the "
                    "samples are at one limit; widen the range of the readout"
                )


def _check_length(prepared: Sequence[Prepared], kind: str) -> None:
    """Refuse recordings that are too short in total."""
    total = sum(float(p.time_s[-1] - p.time_s[0]) for p in prepared)
    if total < MINIMUM_S:
        raise CalibrationError(
            f"{prepared[0].source}: {kind} recordings must last at least {MINIMUM_S:g} s in all; got {total:.0f} s; "
            "record longer"
        )


def _check_synchronised(recording: Recording, prepared: Prepared, force_z: np.ndarray) -> None:
    """Refuse a force reference whose clock is off: correlate the rates of force and channels."""
    step = 0.01
    time_s = np.arange(prepared.time_s[0], prepared.time_s[-1], step)
    change = np.nan_to_num(prepared.change)
    rates = [gaussian_filter1d(np.interp(time_s, prepared.time_s, c), 3.0, order=1) for c in change.T]
    force = gaussian_filter1d(np.interp(time_s, prepared.time_s, force_z), 3.0, order=1)
    # only while the pressure rests: otherwise bending, not force, moves the channels
    pressure_pa = np.interp(time_s, prepared.time_s, prepared.pressure_pa)
    still = np.abs(gaussian_filter1d(pressure_pa, 5.0, order=1) / step) < 2000.0
    if not (force[still] ** 2).sum() > MOVED_AT_REST * (force**2).sum():
        return  # squeezes: the force comes with the pressure and tells nothing of the clock
    rates = [np.where(still, rate - rate[still].mean(), 0.0) for rate in rates]
    window = round(2.0 / step)
    lags = scipy.signal.correlation_lags(force.size, force.size, mode="full")
    near = np.abs(lags) <= window
    strength = np.sqrt(sum(scipy.signal.correlate(rate, force, mode="full", method="fft")[near] ** 2 for rate in rates))
    best = int(np.argmax(strength))
    offset_s = float(lags[near][best] * step)
    peak = strength[best]
    at_zero = strength[np.abs(lags[near]) <= 3].max()
    if abs(offset_s) > LATEST_S and peak > 1.1 * at_zero:
        raise CalibrationError(
            f"{recording.source}: the force reference is {offset_s:+.2f} s off the coils; put both on one clock, "
            "or align them with `soft-tactile import`"
        )


def find_gaps(free: Sequence[Prepared], press: Sequence[Prepared], axes: int, squeezes: int) -> tuple[str, ...]:
    """Return in words what the recordings could not show.

    Parameters
    ----------
    free, press : sequence of Prepared
        The recordings.
    axes : int
        Force axes that could be fitted (1).
    squeezes : int
        Contacts in which pressure and force rose together (1).

    Returns
    -------
    tuple of str
        One sentence each; empty = nothing is missing.
    """
    gaps: list[str] = []
    spread = max(float(np.ptp(p.temperature_change)) for p in [*free, *press])
    if spread < 3.0:
        gaps.append(f"temperature changed by {spread:.1f} K only: the temperature slope is unknown")
    falling = min(float(np.mean(np.diff(p.pressure_pa[::50]) < -200.0)) for p in free)
    if falling < 0.005:
        gaps.append("no falling pressure in a free-bend recording: hysteresis unknown")
    longest = max(float(p.time_s[-1] - p.time_s[0]) for p in free)
    if longest < 60.0:
        gaps.append(f"longest free-bend recording is {longest:.0f} s: slow creep unknown")
    if unloading_share(press) < LEAST_UNLOADING:
        gaps.append("no unloading branch in the press recordings: pad hysteresis unknown")
    pressures = np.concatenate([p.pressure_pa[smooth_force(p)[:, 2] > 0.1] for p in press])
    highest_free = max(float(p.pressure_pa.max()) for p in free)
    if pressures.size and pressures.max() < 0.8 * highest_free:
        gaps.append(f"presses at pressures below {pressures.max() / 1000:.0f} kPa only")
    if axes == 1 and press[0].change.shape[1] >= 3:
        gaps.append("no shear in the press recordings: shear forces are not observed")
    if squeezes < LEAST_SQUEEZES:
        gaps.append(
            f"fewer than {LEAST_SQUEEZES} squeezes: a finger that closes on an object is taken for one that is pushed "
            "back"
        )
    return tuple(gaps)
