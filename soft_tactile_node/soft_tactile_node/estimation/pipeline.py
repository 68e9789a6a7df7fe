"""The estimator: scans and pressure in, estimates and events out. Owns all state; reads no clock or file."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.errors import CalibrationError, NotAtRestError
from soft_tactile_node.estimation import layout as rows
from soft_tactile_node.estimation.model import build_model, build_state
from soft_tactile_node.estimation.rows import process_rows
from soft_tactile_node.estimation.settings import LIGHT, EstimatorSettings
from soft_tactile_node.estimation.tare import Tare, take_tare
from soft_tactile_node.estimation.types import CalibratedFinger
from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.samples import Array, ChannelParts, ContactEvent, Estimate, EventKind, Flag, Scan, State

LARGEST_TARE_SHIFT = 0.2
"""Relative inductance at tare beyond which the calibration belongs to another pad (1)."""

_EVENT_KINDS = (
    (rows.EVENT_FAULT, EventKind.FAULT),
    (rows.EVENT_RECOVERED, EventKind.RECOVERED),
    (rows.EVENT_CONTACT, EventKind.CONTACT),
    (rows.EVENT_SLIP, EventKind.SLIP),
    (rows.EVENT_OVERLOAD, EventKind.OVERLOAD),
    (rows.EVENT_RELEASE, EventKind.RELEASE),
)


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
    """

    def __init__(
        self,
        calibration: CalibratedFinger,
        settings: EstimatorSettings = LIGHT,
        tare_s: float = 1.0,
        tare: Tare | None = None,
    ) -> None:
        self._calibration = calibration
        self._channels = calibration.channels
        self._scale_pa = calibration.ranges.pressure_pa[1]
        self._noise = np.sqrt(np.diag(np.array(calibration.noise.white)))
        self._tare_s = tare_s
        self._settings = settings
        self._model = build_model(calibration, settings)
        self._memo = build_state(self._model)
        self._tare: Tare | None = None
        self._old_tare = False
        self._rest: deque[tuple[Scan, float]] = deque()
        self._refusal = ""
        if tare is not None:
            self._check_same_pad(tare)
            self._start(tare)
            self._old_tare = True

    @property
    def state(self) -> State:
        """What the estimator is doing (State)."""
        if self._tare is None:
            return State.TARING
        return State.CONTACT if self._memo.decision.mode[0] == 2 else State.FREE

    @property
    def tare(self) -> Tare | None:
        """The tare in use; None while taring."""
        return self._tare

    @property
    def tare_refusal(self) -> str:
        """Why the running tare has not succeeded yet; empty = no reason known."""
        return self._refusal

    def request_tare(self) -> None:
        """Start a new tare; estimates carry flag TARE until it is done.

        Raises
        ------
        NotAtRestError
            The finger is touched or pressurised.
        """
        if self._tare is not None:
            if self.state is State.CONTACT:
                raise NotAtRestError("tare refused: the pad is touched; release the object first")
            pressure_pa = self._memo.health.pressure[0] * self._scale_pa
            if abs(pressure_pa) > 1000.0:
                raise NotAtRestError(f"tare refused: pressure is {pressure_pa / 1000:.1f} kPa; vent the finger first")
        self._tare = None
        self._old_tare = False
        self._rest.clear()

    def use_settings(self, settings: EstimatorSettings) -> None:
        """Change the user's choices without losing the state.

        Parameters
        ----------
        settings : EstimatorSettings
            The new choices.
        """
        self._settings = settings
        self._model = build_model(self._calibration, settings)

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
        row = self._run(
            np.array([scan.time_s]), np.array([pressure_pa]), scan.inductance_h[None, :], np.array([scan.temperature_c])
        )[0]
        return Step(self._to_estimate(scan, row), self._to_events(scan.time_s, row))

    def stale(self, time_s: float) -> Estimate:
        """Return the one estimate to publish when the stream has stopped: no wrench, flag STALE.

        Parameters
        ----------
        time_s : float
            Now (s).

        Returns
        -------
        Estimate
            NaN wrench.
        """
        return self._blank(time_s, Flag.STALE, State.STALE)

    def replay(self, recording: Recording) -> tuple[EstimateTable, list[ContactEvent]]:
        """Run over a whole recording, tare first; the same loop as `step`, row k uses nothing after row k.

        Parameters
        ----------
        recording : Recording
            Readings; force and bend columns are not looked at.

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
            rest = slice(0, first)
            tare = take_tare(
                time_s[rest], recording.pressure_pa[rest], recording.inductance_h[rest], recording.temperature_c[rest],
                self._noise,
            )  # fmt: skip
            self._check_same_pad(tare)
            self._start(tare)
        later = slice(first, None)
        out = self._run(
            time_s[later], recording.pressure_pa[later], recording.inductance_h[later], recording.temperature_c[later]
        )
        table = self._to_table(time_s, first, out)
        events: list[ContactEvent] = []
        for k in np.flatnonzero(out[:, rows.EVENTS]):
            events.extend(self._to_events(float(time_s[first + k]), out[k]))
        return table, events

    def _start(self, tare: Tare) -> None:
        """Begin estimating from a tare."""
        self._tare = tare
        self._memo = build_state(self._model)
        self._refusal = ""

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

    def _collect(self, scan: Scan, pressure_pa: float) -> Step:
        """Gather rest for the tare; start once it has lasted and is at rest, else drop the oldest and go on."""
        self._rest.append((scan, pressure_pa))
        if scan.time_s < self._rest[0][0].time_s:
            self._rest.clear()
            self._rest.append((scan, pressure_pa))
        estimate = self._blank(scan.time_s, Flag.TARE, State.TARING)
        if scan.time_s - self._rest[0][0].time_s >= self._tare_s:
            scans = [entry[0] for entry in self._rest]
            try:
                tare = take_tare(
                    np.array([s.time_s for s in scans]),
                    np.array([entry[1] for entry in self._rest]),
                    np.array([s.inductance_h for s in scans]),
                    np.array([s.temperature_c for s in scans]),
                    self._noise,
                )
            except NotAtRestError as error:
                self._refusal = str(error)
                # trying again on every scan would cost a fit each; a tenth of the window is soon enough
                for _ in range(max(1, len(self._rest) // 10)):
                    self._rest.popleft()
                return Step(estimate, ())
            self._check_same_pad(tare)
            self._start(tare)
            self._rest.clear()
        return Step(estimate, ())

    def _run(self, time_s: Array, pressure_pa: Array, inductance_h: Array, temperature_c: Array) -> Array:
        """Run the inner loop over rows and return its output rows."""
        assert self._tare is not None
        change = inductance_h / self._tare.inductance_h - 1.0
        reference = self._tare.temperature_c
        out = np.zeros((time_s.size, rows.FIXED + 4 * self._channels))
        process_rows(
            self._model,
            self._memo,
            np.ascontiguousarray(time_s, dtype=np.float64),
            np.ascontiguousarray(pressure_pa / self._scale_pa),
            np.ascontiguousarray(change),
            np.ascontiguousarray(temperature_c - reference),
            out,
        )
        if self._old_tare:
            out[:, rows.FLAGS] += float(Flag.TARE_OLD)
        return out

    def _blank(self, time_s: float, flags: Flag, state: State) -> Estimate:
        """Return an estimate that claims nothing."""
        nothing = np.full(self._channels, np.nan)
        return Estimate(
            time_s=time_s,
            force_n=np.full(3, np.nan),
            force_covariance_n2=-np.eye(3),
            torque_variance_n2_m2=np.full(3, -1.0),
            observed=np.zeros(6, dtype=bool),
            contact_probability=0.0,
            in_contact=False,
            contact_id=int(self._memo.clock[rows.CONTACTS]),
            slip_probability=math.nan,
            friction_use=math.nan,
            bend_rad=math.nan,
            bend_variance_rad2=math.nan,
            bend_fraction=math.nan,
            pressure_pa=float(self._memo.health.pressure[0] * self._scale_pa),
            flags=flags,
            state=state,
            parts=ChannelParts(nothing, nothing, nothing, nothing, nothing),
        )

    def _to_estimate(self, scan: Scan, row: Array) -> Estimate:
        """Return an output row as an estimate."""
        c = self._channels
        covariance = row[rows.COVARIANCE : rows.COVARIANCE + 9].reshape(3, 3).copy()
        force = row[rows.FORCE : rows.FORCE + 3].copy()
        place = CONTACT_PLACE_M**2
        observed = np.concatenate([np.isfinite(force), np.isfinite(force)])
        squares = np.nan_to_num(force**2 + np.diag(covariance))
        torque = np.where(observed[3:], place * (squares.sum() - squares), -1.0)
        parts = [row[rows.PARTS + i * c : rows.PARTS + (i + 1) * c].copy() for i in range(4)]
        return Estimate(
            time_s=scan.time_s,
            force_n=force,
            force_covariance_n2=covariance,
            torque_variance_n2_m2=torque,
            observed=observed,
            contact_probability=float(row[rows.CONTACT_PROBABILITY]),
            in_contact=bool(row[rows.IN_CONTACT]),
            contact_id=int(row[rows.CONTACT_ID]),
            slip_probability=float(row[rows.SLIP_PROBABILITY]),
            friction_use=float(row[rows.FRICTION_USE]),
            bend_rad=float(row[rows.BEND]),
            bend_variance_rad2=float(row[rows.BEND_VARIANCE]),
            bend_fraction=float(row[rows.BEND_FRACTION]),
            pressure_pa=float(row[rows.PRESSURE] * self._scale_pa),
            flags=Flag(int(row[rows.FLAGS])),
            state=State(int(row[rows.STATE])),
            parts=ChannelParts(scan.inductance_h, parts[0], parts[1], parts[2], parts[3]),
        )

    def _to_events(self, time_s: float, row: Array) -> tuple[ContactEvent, ...]:
        """Return the events of an output row."""
        bits = int(row[rows.EVENTS])
        return tuple(
            ContactEvent(
                time_s=time_s,
                onset_s=float(row[rows.EVENT_ONSET]) if kind is EventKind.CONTACT else math.nan,
                kind=kind,
                contact_id=int(row[rows.CONTACT_ID]),
                force_n=row[rows.FORCE : rows.FORCE + 3].copy(),
                contact_probability=float(row[rows.CONTACT_PROBABILITY]),
                bend_fraction=float(row[rows.BEND_FRACTION]),
                detail=self._describe(kind, Flag(int(row[rows.FLAGS]))),
            )
            for bit, kind in _EVENT_KINDS
            if bits & bit
        )

    def _describe(self, kind: EventKind, flags: Flag) -> str:
        """Return one sentence for a person."""
        if kind is not EventKind.FAULT:
            return ""
        names = {1: "open", 2: "stuck", 3: "spiking"}
        faults = [f"coil {k + 1} {names[int(f)]}" for k, f in enumerate(self._memo.health.fault) if f > 0]
        if Flag.PRESSURE_MISSING in flags:
            faults.append("pressure missing")
        return ", ".join(faults)

    def _to_table(self, time_s: Array, first: int, out: Array) -> EstimateTable:
        """Return output rows as a table, with the rows of the tare in front."""

        def column(index: int, blank: float) -> Array:
            return np.concatenate([np.full(first, blank), out[:, index]])

        force = np.vstack([np.full((first, 3), np.nan), out[:, :3]])
        variance = out[:, [rows.COVARIANCE, rows.COVARIANCE + 4, rows.COVARIANCE + 8]]
        return EstimateTable(
            time_s=time_s,
            force_n=force,
            force_variance_n2=np.vstack([np.full((first, 3), np.nan), np.where(variance < 0.0, np.nan, variance)]),
            contact_probability=column(rows.CONTACT_PROBABILITY, 0.0),
            in_contact=column(rows.IN_CONTACT, 0.0) > 0.5,
            bend_rad=column(rows.BEND, np.nan),
            flags=column(rows.FLAGS, float(Flag.TARE)).astype(np.int64),
        )


CONTACT_PLACE_M = 0.004
"""Standard deviation of the unknown place of contact on the pad (m); makes the torque's variance."""
