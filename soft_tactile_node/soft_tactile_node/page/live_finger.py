"""One finger as the page shows it: readings in, rows of the ring, events and words out. No clock, no process."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.errors import CalibrationError, NotAtRestError
from soft_tactile_node.estimation import PRESETS, Estimator
from soft_tactile_node.merging import MOST_VENTED_PA, VentedReference
from soft_tactile_node.page.ring import Ring
from soft_tactile_node.reports.flag_text import describe_flags
from soft_tactile_node.samples import MAX_CHANNELS, Array, ContactEvent, Estimate, State
from soft_tactile_node.sources import Reading

STATE_WORDS = {
    State.TARING: "taking the tare: keep it vented and untouched",
    State.FREE: "free",
    State.CONTACT: "touched",
    State.HELD_ELSEWHERE: "held, but not at the pad",
    State.STALE: "no scans come",
    State.FAULT: "faulty: no force",
}
"""States of the estimator for the person at the bench."""

NEW_STREAM_S = 0.02
LONGEST_GAP_S = 10.0
"""A longer pause of the stamps is drawn as one of this length (s): a clock may have been set."""

NOT_VENTED_PA = 1e3
"""A line that reads lower than at the tare by more (Pa) was not vented then."""

UNCALIBRATED = "not calibrated: raw signals only"
VENT_FIRST = "the first pressure readings are not those of a vented finger: vent it, then tare"


class LiveFinger:
    """Steps the estimator of one finger and writes what it says into the ring.

    Parameters
    ----------
    ring : Ring
        Where rows go.
    calibration : Calibration or None
        None = raw signals only.
    setting : str
        Detection setting of the estimator.
    """

    def __init__(self, ring: Ring, calibration: Calibration | None, setting: str) -> None:
        self._ring = ring
        self._setting = setting
        self._time_s = 0.0
        self.use(calibration)

    def use(self, calibration: Calibration | None) -> None:
        """Go on with another calibration, from a new tare."""
        self.calibration = calibration
        self._id = None if calibration is None else calibration_id(calibration)  # costs as much as some hundred scans
        self.fault = ""
        self.restart()

    def restart(self) -> None:
        """Begin anew where the stream of readings does; the ring goes on."""
        self._estimator = None if self.calibration is None else Estimator(self.calibration, PRESETS[self._setting])
        self._reference = VentedReference()
        self._was_taring = False
        self._is_vented = True
        self._lowest_pa = 0.0
        self._gauge_pa = math.nan
        self._last_stamp_s = math.nan
        self.estimate: Estimate | None = None
        self.raw = np.array([])
        self.is_absolute = False

    @property
    def time_s(self) -> float:
        """Time of the newest row (s); it counts from the first reading and never falls."""
        return self._time_s

    @property
    def atmospheric_pa(self) -> float:
        """What is taken off absolute pressure (Pa); NaN = readings are gauge, or none came yet."""
        return self._reference.value_pa

    @property
    def _was_not_vented(self) -> bool:
        """Whether the pressure fell below that of the tare."""
        return self._lowest_pa < -NOT_VENTED_PA

    def request_tare(self) -> None:
        """Start a tare; NotAtRestError says: touched, under pressure, or not calibrated."""
        if self._estimator is None:
            raise NotAtRestError("a tare needs a calibration: calibrate, or start the page with --calibration")
        if self._was_not_vented:  # its pressure counts from a wrong line, which would refuse every tare
            self.restart()
        else:
            self._estimator.request_tare()

    def add(self, reading: Reading) -> Sequence[ContactEvent]:
        """Take the next `reading`; returns the contact events it brought."""
        scan = reading.scan
        step_s = scan.time_s - self._last_stamp_s
        if math.isnan(step_s):  # a new stream: charts show a step, not what was between
            step_s = NEW_STREAM_S if self._ring.written else 0.0
        self._time_s += min(max(step_s, 0.0), LONGEST_GAP_S)
        self._last_stamp_s = scan.time_s
        self.raw = scan.inductance_h
        self.estimate, events = self._step(reading)
        self._write(self.raw)
        return events

    def _step(self, reading: Reading) -> tuple[Estimate | None, Sequence[ContactEvent]]:
        gauge_pa = self._gauge(reading)
        if math.isfinite(gauge_pa):
            self._gauge_pa = gauge_pa
        if self._estimator is None:
            return None, ()
        try:
            step = self._estimator.step(reading.scan, gauge_pa)
        except CalibrationError as error:
            self.fault = f"the calibration is not used: {error}"
            self._estimator = None
            return None, ()
        return step.estimate, step.events

    def _gauge(self, reading: Reading) -> float:
        """Return gauge pressure (Pa); the vented line is that of the tare, or of the first reading."""
        pressure_pa = reading.pressure_pa
        if math.isnan(pressure_pa):
            return math.nan
        self.is_absolute = reading.pressure_is_absolute
        if not self.is_absolute:
            return pressure_pa
        is_taring = self._estimator is not None and self._estimator.state == State.TARING
        if is_taring and not self._was_taring:
            self._reference.begin()
        elif self._was_taring and not is_taring:
            self._reference.finish()
        self._was_taring = is_taring
        unknown = math.isnan(self._reference.value_pa)
        self._is_vented = not unknown or pressure_pa <= MOST_VENTED_PA
        if self._is_vented and (unknown or is_taring):
            self._reference.add(pressure_pa)
        gauge_pa = pressure_pa - self._reference.value_pa
        self._lowest_pa = 0.0 if is_taring else min(self._lowest_pa, gauge_pa)
        return gauge_pa

    def _write(self, raw: Array) -> None:
        estimate, channels = self.estimate, min(raw.size, MAX_CHANNELS)
        if estimate is None:
            nothing = [math.nan] * (2 * channels + 9)
            row = [*raw[:channels].tolist(), *nothing, self._gauge_pa]
        else:
            split = estimate.parts.split
            row = [*raw.tolist(), *split["bending"].tolist(), *split["contact"].tolist(), *estimate.force_n.tolist()]
            row += _sigma(estimate).tolist()
            row += [
                estimate.contact_probability, float(estimate.in_contact), estimate.bend_rad, estimate.pressure_pa
            ]  # fmt: skip
        self._ring.add(self._time_s, channels, row)

    def describe(self) -> dict[str, Any]:
        """Return how the finger is, in words and numbers of SI units; None = not known."""
        estimate = self.estimate
        words, flags = (
            (UNCALIBRATED, []) if estimate is None else (STATE_WORDS[estimate.state], describe_flags(estimate.flags))
        )
        if self.fault:
            flags = [(2, self.fault), *flags]
        if self._was_not_vented:
            fell = f"pressure fell {-1e-3 * self._lowest_pa:.1f} kPa below that of the tare"
            flags = [(2, f"{fell}: the finger was not vented then, all values are wrong; vent it, then tare"), *flags]
        said: dict[str, Any] = {
            "state": words,
            "touched": estimate is not None and estimate.in_contact,
            "tare_refusal": self._tare_refusal(),
            "flags": flags,
            "channels": self._channels(),
            "pressure_pa": known(self._gauge_pa),
            "calibration": self._id,
        }
        if estimate is not None:
            said |= {
                "force_n": [known(value) for value in estimate.force_n.tolist()],
                "sigma_n": [known(value) for value in _sigma(estimate).tolist()],
                "probability": known(estimate.contact_probability),
                "bend_rad": known(estimate.bend_rad),
                "bend_fraction": known(estimate.bend_fraction),
            }
        return said

    def remarks(self) -> list[str]:
        """Return what is to be said of the calibration, one sentence each."""
        if self.calibration is None:
            return []
        health = describe_calibration(self.calibration, self.calibration.made_on)
        return [*health.problems, *health.limits]

    def _tare_refusal(self) -> str:
        if not self._is_vented:
            return VENT_FIRST
        taring = self._estimator is not None and self._estimator.state == State.TARING
        return self._estimator.tare_refusal if taring and self._estimator is not None else ""

    def _channels(self) -> list[dict[str, Any]]:
        faults = self._estimator.channel_faults if self._estimator is not None else ("",) * self.raw.size
        split = None if self.estimate is None else self.estimate.parts.split
        return [
            {
                "raw_h": known(float(self.raw[k])),
                "bending": None if split is None else known(float(split["bending"][k])),
                "contact": None if split is None else known(float(split["contact"][k])),
                "words": fault or ("no reading" if math.isnan(self.raw[k]) else "good"),
            }
            for k, fault in enumerate(faults[: self.raw.size])
        ]


def known(value: float) -> float | None:
    """Return a number for JSON; None where it is not finite."""
    return value if math.isfinite(value) else None


def _sigma(estimate: Estimate) -> Array:
    """Return the standard deviations of the force, shape (3,) (N); NaN = not observed."""
    return np.sqrt(np.where(np.isfinite(estimate.force_n), estimate.force_variance_n2, np.nan))
