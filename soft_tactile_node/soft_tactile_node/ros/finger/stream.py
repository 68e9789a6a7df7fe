"""One finger's stream: pressure and scans in, estimates out. Knows absolute pressure and tare, but no topics."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.errors import NotAtRestError, RangeError
from soft_tactile_node.estimation.pipeline import Estimator
from soft_tactile_node.estimation.tare import REST_PRESSURE_PA, Tare
from soft_tactile_node.merging import MOST_VENTED_PA, PressureMerge, VentedReference
from soft_tactile_node.ros.finger.tare_store import KeptTare
from soft_tactile_node.ros.wire.conversions import absolute_to_gauge, check_absolute
from soft_tactile_node.samples import ContactEvent, Estimate, Flag, Scan, State


class FingerStream:
    """Feeds an estimator with scans and gauge pressure.

    Parameters
    ----------
    make_estimator : callable
        Takes a calibration and an earlier tare or None, returns a fresh estimator.
    calibration : Calibration
        The one to start with.
    pressure_is_gauge : bool
        True if readings are gauge already.
    atmospheric_pa : float
        Absolute pressure of the vented line (Pa); NaN = from the tare.
    on_tare : callable, optional
        Told every new tare and the vented reference (Pa absolute).

    Attributes
    ----------
    calibration, calibration_id : Calibration, str
        The calibration in use, and its short name.
    """

    def __init__(
        self,
        make_estimator: Callable[[Calibration, Tare | None], Estimator],
        calibration: Calibration,
        *,
        pressure_is_gauge: bool,
        atmospheric_pa: float,
        on_tare: Callable[[Tare, float], None] = lambda _tare, _reference: None,
    ) -> None:
        self._make_estimator = make_estimator
        self._is_gauge = pressure_is_gauge
        self._atmospheric_pa = 0.0 if pressure_is_gauge else atmospheric_pa
        self._on_tare = on_tare
        self._merge = PressureMerge()
        self.calibration = calibration
        self.calibration_id = calibration_id(calibration)
        self.restart()

    @property
    def is_taring(self) -> bool:
        """Whether the tare is being taken."""
        return self.estimator.state == State.TARING

    @property
    def atmospheric_pa(self) -> float:
        """Reference that makes gauge pressure of absolute (Pa); NaN = not known yet."""
        return self._reference.value_pa

    @property
    def tare(self) -> Tare | None:
        """The tare in use; None while it is taken."""
        return self.estimator.tare

    @property
    def tare_refusal(self) -> str:
        """Why the tare under way has not succeeded; empty = no reason known."""
        return self.estimator.tare_refusal

    @property
    def channels(self) -> int:
        """Number of channels the calibration is for."""
        return self.calibration.channels

    def restart(self, kept: KeptTare | None = None) -> None:
        """Begin afresh with a tare; `kept` is used instead if the finger turns out to be pressurised."""
        self._reference = VentedReference(self._atmospheric_pa)
        self.estimator = self._make_estimator(self.calibration, None)
        self._merge.clear()
        self._kept = kept
        self._was_taring = False
        self.pressure_fault = ""

    def load(self, calibration: Calibration) -> None:
        """Go on with another calibration, from a new tare.

        Raises
        ------
        NotAtRestError
            While the pad touches something: a tare could not be taken.
        SoftTactileError
            The calibration cannot be used; the one in use stays.
        """
        if self.estimator.state in (State.CONTACT, State.HELD_ELSEWHERE):
            raise NotAtRestError("the pad touches something: release it, then load the calibration")
        self.estimator = self._make_estimator(calibration, None)
        self.calibration = calibration
        self.calibration_id = calibration_id(calibration)
        self._kept = None
        self._was_taring = False

    def request_tare(self) -> None:
        """Start a tare; one that is under way already goes on.

        Raises
        ------
        NotAtRestError
            While touching, pressurised or moving, or while the pressure topic cannot be right; says which.
        """
        if self.pressure_fault:
            raise NotAtRestError(self.pressure_fault)
        if self.is_taring and self.tare_refusal:
            raise NotAtRestError(f"a tare is under way and goes on; so far: {self.tare_refusal}")
        self.estimator.request_tare()

    def add_pressure(self, time_s: float, pressure_pa: float) -> None:
        """Keep a pressure reading (Pa, as the topic carries it) for the scans to come.

        While the finger is vented for its tare, an absolute reading that can only be a gauge reading is refused and
        said in `pressure_fault`; NaN is always refused.
        """
        self._go_on_with_kept_tare(pressure_pa)
        try:
            self._check_pressure(pressure_pa)
        except RangeError as error:
            self.pressure_fault = str(error)
            return
        self.pressure_fault = ""
        if not self._is_gauge:
            self._follow_tare()
            if self.is_taring or math.isnan(self._reference.value_pa):
                self._reference.add(pressure_pa)
        self._merge.add(time_s, pressure_pa)

    def step(self, scan: Scan) -> tuple[Estimate, tuple[ContactEvent, ...]]:
        """Return the estimate after one scan and what happened; without usable pressure the tare waits.

        Raises
        ------
        CalibrationError
            The calibration is that of another pad.
        """
        pressure_pa = self._merge.take(scan.time_s)
        if self.is_taring and self.pressure_fault:
            flags = Flag.TARE | Flag.PRESSURE_MISSING
            return replace(self.estimator.stale(scan.time_s), state=State.TARING, flags=flags), ()
        self._follow_tare()
        if not self._is_gauge:
            pressure_pa = absolute_to_gauge(pressure_pa, self._reference.value_pa)
        result = self.estimator.step(scan, pressure_pa)
        self._follow_tare()
        return result.estimate, tuple(result.events)

    def stale(self, time_s: float) -> Estimate:
        """Return the one estimate that says that no scans come any more."""
        return self.estimator.stale(time_s)

    def _check_pressure(self, pressure_pa: float) -> None:
        if not math.isfinite(pressure_pa):
            raise RangeError(f"pressure must be finite; got {pressure_pa:g} Pa")
        if self._is_gauge or not self.is_taring:
            return
        check_absolute(pressure_pa, "vented pressure")
        if not self._reference.is_given and pressure_pa > MOST_VENTED_PA:
            raise RangeError(
                f"vented pressure must be <= {MOST_VENTED_PA:g} Pa absolute; got {pressure_pa:g} Pa: "
                "vent the finger, or set atmospheric_pressure"
            )

    def _go_on_with_kept_tare(self, pressure_pa: float) -> None:
        """At the first reading after a restart: a pressurised finger cannot be tared, the kept tare serves."""
        kept, self._kept = self._kept, None
        if kept is None or not math.isfinite(pressure_pa):
            return
        if absolute_to_gauge(pressure_pa, kept.atmospheric_pa) > REST_PRESSURE_PA:
            self.estimator = self._make_estimator(self.calibration, kept.to_tare())
            self._reference.assume(kept.atmospheric_pa)

    def _follow_tare(self) -> None:
        """Take the vented reference along with the tare of the coils."""
        if self.is_taring and not self._was_taring:
            self._reference.begin()
        elif not self.is_taring and self._was_taring:
            self._reference.finish()
            assert self.tare is not None  # it has just been taken
            self._on_tare(self.tare, self._reference.value_pa)
        self._was_taring = self.is_taring
