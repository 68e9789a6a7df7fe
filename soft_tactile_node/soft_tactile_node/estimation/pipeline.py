"""The estimator: scans and pressure in, estimates and events out. Owns all state; reads no clock or file."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np

from soft_tactile_node.calibrated import CalibratedFinger
from soft_tactile_node.errors import CalibrationError, NotAtRestError
from soft_tactile_node.estimation.health import GOOD, OPEN, SPIKE, STUCK
from soft_tactile_node.estimation.model import ROW, build_model, build_state
from soft_tactile_node.estimation.results import EVENT_KINDS, to_estimate, to_table
from soft_tactile_node.estimation.row import process_rows
from soft_tactile_node.estimation.settings import LIGHT, EstimatorSettings
from soft_tactile_node.estimation.stepping import Stepper
from soft_tactile_node.estimation.tare import Tare, check_unit, find_exchanged, take_tare
from soft_tactile_node.estimation.tuning import Tuning
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import PARTS, ChannelParts, ContactEvent, Estimate, EventKind, Flag, Scan, State

LARGEST_TARE_SHIFT = 0.2
"""Relative inductance at tare beyond which the calibration belongs to another pad (1)."""


@dataclass(frozen=True)
class Step:
    """Result of one scan.

    Attributes
    ----------
    estimate : Estimate
        What is known now.
    events : tuple of ContactEvent
        What happened at this scan, in order.
    """

    estimate: Estimate
    events: tuple[ContactEvent, ...]


class Estimator:
    """Separates bending from touch for one finger.

    Parameters
    ----------
    calibration : CalibratedFinger
        Calibration record of this finger.
    settings : EstimatorSettings
        The user's choices; `LIGHT` and `SURE` are ready-made.
    tare_s : float
        Length of the tare at the start of the stream (s).
    tare : Tare, optional
        An earlier tare to go on with; flag TARE_OLD is then set until a new tare succeeds.
    tuning : Tuning, optional
        Times and shares that calibration does not measure; None = those in use. To see what a part of the estimator
        buys, give one without it, as `tests/benchmarks/accuracy/ablation.py` does.
    """

    def __init__(
        self,
        calibration: CalibratedFinger,
        settings: EstimatorSettings = LIGHT,
        tare_s: float = 1.0,
        tare: Tare | None = None,
        tuning: Tuning | None = None,
    ) -> None:
        self._calibration = calibration
        self._channels = calibration.channels
        self._scale_pa = calibration.ranges.pressure_pa[1]
        self._tare_s = tare_s
        self._settings = settings
        self._tuning = tuning
        self._model = build_model(calibration, settings, tuning=tuning)
        self._memo = build_state(self._model, calibration)
        self._stepper: Stepper | None = None
        self._state = State.FREE
        self._tare: Tare | None = None
        self._old_tare = False
        self._rest: deque[tuple[Scan, float]] = deque()
        self._refusal = self._other_pad = ""
        if tare is not None:
            self._check_same_pad(tare)
            self._start(tare)
            self._old_tare = True

    @property
    def state(self) -> State:
        """What the estimator is doing (State)."""
        if self._tare is None:
            return State.TARING
        return self._state

    @property
    def tare(self) -> Tare | None:
        """The tare in use; None while taring."""
        return self._tare

    @property
    def tare_refusal(self) -> str:
        """Why the running tare has not succeeded yet; empty = no reason known."""
        return self._refusal

    @property
    def channel_faults(self) -> tuple[str, ...]:
        """What is wrong with each channel: open, stuck, spiking; empty = good."""
        names = {GOOD: "", OPEN: "open", STUCK: "stuck", SPIKE: "spiking"}
        return tuple(names[fault] for fault in self._memo.channels["fault"].tolist())

    def request_tare(self) -> None:
        """Start a new tare; estimates carry flag TARE until it is done.

        Raises
        ------
        NotAtRestError
            The finger is touched or pressurised.
        """
        if self._tare is not None:
            if self._memo.detector[0]["in_contact"]:
                raise NotAtRestError("tare refused: the pad is touched; release the object first")
            if self.state is State.HELD_ELSEWHERE:
                raise NotAtRestError("tare refused: something holds the finger back; free it first")
            pressure_pa = self._memo.pressure[0]["level"] * self._scale_pa
            if abs(pressure_pa) > 1000.0:
                raise NotAtRestError(f"tare refused: pressure is {pressure_pa / 1000:.1f} kPa; vent the finger first")
        self._tare = None
        self._old_tare = False
        self._rest.clear()

    def use_settings(self, settings: EstimatorSettings) -> None:
        """Change the user's choices to `settings` without losing the state."""
        self._settings = settings
        self._model = build_model(self._calibration, settings, self._rest_pressure(), self._tuning)
        self._stepper = None

    def step(self, scan: Scan, pressure_pa: float = math.nan) -> Step:
        """Take one scan into account.

        Parameters
        ----------
        scan : Scan
            The readings.
        pressure_pa : float
            New pressure reading (gauge Pa); NaN = none since the last scan.

        Returns
        -------
        Step
            Estimate and events.

        Raises
        ------
        CalibrationError
            The scan has another number of channels than the calibration, or the tared inductances are those of
            another pad.
        """
        if scan.inductance_h.shape != (self._channels,):
            raise CalibrationError(
                f"scan must have {self._channels} channels; got {scan.inductance_h.size}; use the calibration of this "
                "pad"
            )
        if self._tare is None:
            return self._collect(scan, pressure_pa)
        if self._stepper is None:
            self._stepper = Stepper(self._model, self._memo, self._tare, self._scale_pa)
        row, parts = self._stepper.step(scan, pressure_pa)
        if self._old_tare:
            row["flags"] |= int(Flag.TARE_OLD)
        self._state = State(int(row["state"]))
        return Step(to_estimate(scan, row, parts), self._to_events(scan.time_s, row))

    def stale(self, time_s: float) -> Estimate:
        """Return the one estimate to publish when the stream has stopped at `time_s` (s): no wrench, flag STALE."""
        return self._blank(time_s, Flag.STALE, State.STALE)

    def replay(self, recording: Recording, parts: np.ndarray | None = None) -> tuple[EstimateTable, list[ContactEvent]]:
        """Run over a whole recording, tare first; the same loop as `step`, row k uses nothing after row k.

        Parameters
        ----------
        recording : Recording
            Readings; force and bend columns are not looked at.
        parts : numpy.ndarray, shape (n, c), or None
            Records of `samples.PARTS` (1), filled with how each channel was split; rows of the tare stay as they are.

        Returns
        -------
        table : EstimateTable
            One row for each row of the recording.
        events : list of ContactEvent
            In order.

        Raises
        ------
        CalibrationError
            Another number of channels or another pad.
        NotAtRestError
            The recording does not start at rest.
        """
        if recording.channels != self._channels:
            raise CalibrationError(
                f"{recording.source}: must have {self._channels} channels; got {recording.channels}; "
                "use the calibration of this pad"
            )
        time_s = recording.time_s
        first = 0
        if self._tare is None:
            # the scan that completes the tare belongs to it, as in `step`
            first = int(np.searchsorted(np.maximum.accumulate(time_s) - time_s[0], self._tare_s)) + 1
            self._start(self._take_tare(recording.select_rows(slice(0, first))))
        out, split = self._run(recording.select_rows(slice(first, None)))
        if parts is not None:
            parts[first:] = split
        table = to_table(time_s, first, out)
        events: list[ContactEvent] = []
        for k in np.flatnonzero(out["events"]):
            events.extend(self._to_events(float(time_s[first + k]), out[k]))
        return table, events

    def _start(self, tare: Tare) -> None:
        """Begin estimating from a tare."""
        self._tare = tare
        self._model = build_model(self._calibration, self._settings, self._rest_pressure(), self._tuning)
        self._memo = build_state(self._model, self._calibration)
        self._stepper = None
        self._state = State.FREE
        self._refusal = ""

    def _rest_pressure(self) -> float:
        """Return the relative pressure of the tare (1)."""
        return 0.0 if self._tare is None else self._tare.pressure_pa / self._scale_pa

    def _take_tare(self, rest: Recording) -> Tare:
        """Return the tare of a stretch of rest, of this pad and with its pressure in pascal."""
        noise, drift = np.array(self._calibration.base.noise), np.array(self._calibration.base.drift)
        tare = take_tare(rest.time_s, rest.pressure_pa, rest.inductance_h, rest.temperature_c, noise, drift)
        self._check_same_pad(tare)
        check_unit(rest.pressure_pa, self._calibration.health.pressure_noise * self._scale_pa)
        return tare

    def _check_same_pad(self, tare: Tare) -> None:
        """Refuse a pad whose tared inductances are far from those of the calibration."""
        ratio = tare.inductance_h / np.array(self._calibration.tare_inductance_h) - 1.0
        far = np.abs(ratio) > LARGEST_TARE_SHIFT
        if far.any():
            channel = int(np.argmax(far))
            raise CalibrationError(
                f"channel {channel + 1} reads {tare.inductance_h[channel]:.4g} H at rest, the calibration has "
                f"{self._calibration.tare_inductance_h[channel]:.4g} H (more than 20 % apart); use the calibration of "
                "this pad"
            )
        pair = find_exchanged(tare.inductance_h, np.array(self._calibration.tare_inductance_h))
        if pair is not None:
            raise CalibrationError(
                f"this calibration does not fit this finger: channels {pair[0]} and {pair[1]} are exchanged; put the "
                "plugs or columns in the order of the calibration"
            )

    def _collect(self, scan: Scan, pressure_pa: float) -> Step:
        """Gather rest for the tare; start once it has lasted and is at rest, else drop the oldest and go on."""
        self._rest.append((scan, pressure_pa))
        if scan.time_s < self._rest[0][0].time_s:
            self._rest.clear()
            self._rest.append((scan, pressure_pa))
        estimate = self._blank(scan.time_s, Flag.TARE, State.TARING)
        if scan.time_s - self._rest[0][0].time_s >= self._tare_s:
            scans = [entry[0] for entry in self._rest]
            self._other_pad = ""
            try:
                rest = Recording(
                    np.array([s.time_s for s in scans]),
                    np.array([entry[1] for entry in self._rest]),
                    np.array([s.inductance_h for s in scans]),
                    np.array([s.temperature_c for s in scans]),
                )
                tare = self._take_tare(rest)
            except NotAtRestError as error:
                self._refusal = str(error)
                self._drop_oldest()
            except CalibrationError as error:
                self._other_pad = str(error)
                self._drop_oldest()
            else:
                self._start(tare)
                self._rest.clear()
        if self._other_pad:
            raise CalibrationError(self._other_pad)
        return Step(estimate, ())

    def _drop_oldest(self) -> None:
        """Make room in the window of rest; trying again on every scan would cost a fit each, a tenth is soon enough."""
        for _ in range(max(1, len(self._rest) // 10)):
            self._rest.popleft()

    def _run(self, rows: Recording) -> tuple[Any, np.ndarray]:
        """Run the inner loop over rows; return its records and the parts of each channel."""
        assert self._tare is not None
        specific = rows.acceleration_m_s2
        out, parts = np.zeros(len(rows), ROW), np.zeros((len(rows), self._channels), PARTS)
        process_rows(
            self._model,
            self._memo,
            np.ascontiguousarray(rows.time_s, dtype=np.float64),
            np.ascontiguousarray(rows.pressure_pa / self._scale_pa),
            np.ascontiguousarray(rows.inductance_h / self._tare.inductance_h - 1.0),
            np.ascontiguousarray(rows.temperature_c - self._tare.temperature_c),
            np.full((len(rows), 3), np.nan) if specific is None else np.ascontiguousarray(specific),
            out,
            parts,
        )
        if self._old_tare:
            out["flags"] |= int(Flag.TARE_OLD)
        if len(rows):
            self._state = State(int(out["state"][-1]))
        return out, parts

    def _blank(self, time_s: float, flags: Flag, state: State) -> Estimate:
        """Return an estimate that claims nothing."""
        return Estimate(
            time_s=time_s,
            contact_id=int(self._memo.detector[0]["contacts"]),
            pressure_pa=float(self._memo.pressure[0]["level"] * self._scale_pa),
            flags=flags,
            state=state,
            parts=ChannelParts(np.full(self._channels, np.nan), np.full(self._channels, np.nan, PARTS)),
        )

    def _to_events(self, time_s: float, row: Any) -> tuple[ContactEvent, ...]:
        """Return the events of an output record."""
        if not row["events"]:
            return ()
        return tuple(
            ContactEvent(
                time_s=time_s,
                onset_s=float(row["onset_s"]) if kind is EventKind.CONTACT else math.nan,
                kind=kind,
                contact_id=int(row["contact_id"]),
                force_n=row["force_n"].copy(),
                contact_probability=float(row["contact_probability"]),
                bend_fraction=float(row["bend_fraction"]),
                detail=self._describe(kind, Flag(int(row["flags"]))),
            )
            for bit, kind in EVENT_KINDS
            if int(row["events"]) & bit
        )

    def _describe(self, kind: EventKind, flags: Flag) -> str:
        """Return one sentence for a person."""
        if kind is not EventKind.FAULT:
            return ""
        faults = [f"coil {k + 1} {fault}" for k, fault in enumerate(self.channel_faults) if fault]
        if Flag.PRESSURE_MISSING in flags:
            faults.append("pressure missing")
        return ", ".join(faults)
