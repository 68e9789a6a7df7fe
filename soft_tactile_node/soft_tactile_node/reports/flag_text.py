"""What each flag of an estimate means to the person at the finger, and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping

from soft_tactile_node.samples import Flag

GOOD, CARE, BAD = 0, 1, 2
"""How serious a flag is: nothing to do, read with care, no use."""

FLAG_ADVICE: Mapping[Flag, tuple[int, str]] = {
    Flag.TARE: (GOOD, "taking the tare"),
    Flag.TARE_OLD: (CARE, "running on the tare of an earlier run: tare when vented and free"),
    Flag.STALE: (BAD, "no scan within coil_timeout: check cable and coil driver"),
    Flag.CHANNEL_OPEN: (CARE, "a coil channel is open or far outside its range: check its wiring"),
    Flag.STUCK: (CARE, "a coil channel does not move: check its readout"),
    Flag.SPIKE: (CARE, "a coil channel jumps: check for loose contacts and interference"),
    Flag.REJECTED: (CARE, "readings were rejected as impossible"),
    Flag.PRESSURE_MISSING: (CARE, "pressure is missing, frozen or implausible: check the pressure sensor"),
    Flag.OUT_OF_RANGE: (CARE, "beyond the calibrated range: calibrate over the range that is used"),
    Flag.TIME_JUMP: (CARE, "time stamps jump or stand still: check the clock of the driver"),
    Flag.OVERLOAD: (CARE, "force above the overload limit"),
    Flag.HELD_ELSEWHERE: (GOOD, "the finger is held, the pad is not touched"),
    Flag.MOTION: (GOOD, "the base moves: force is less certain"),
}
"""Seriousness and words of every flag."""


def describe_flags(flags: Flag) -> list[tuple[int, str]]:
    """Return each of `flags` that is set as GOOD, CARE or BAD with its words, worst first."""
    return sorted((FLAG_ADVICE[flag] for flag in FLAG_ADVICE if flag in flags), key=lambda said: -said[0])
