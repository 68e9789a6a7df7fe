"""What one sensor says on /diagnostics: a status of the finger and one of its stream, at 1 Hz and at once on change."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timezone

import numpy as np
from diagnostic_msgs.msg import DiagnosticStatus

from soft_tactile_node.ros.finger.advice import RangeUse, age_days, age_reason, measured_reasons
from soft_tactile_node.ros.finger.stream import FingerStream
from soft_tactile_node.ros.running.diagnostic_pace import DiagnosticPace
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire.diagnostics import ERROR, OK, WARN, FingerHealth, StreamCounters, worse
from soft_tactile_node.samples import ContactEvent, Estimate, EventKind, Flag, State

NO_SCAN = "no scan within coil_timeout: check cable and coil driver"


class SensorHealth:
    """Collects what there is to say about a finger and its stream.

    Parameters
    ----------
    node : ManagedNode
        Owner.
    stream : callable
        Returns the stream under way, or None where there is no calibration.
    source_report : callable
        Returns what the source of scans says of itself, as keys and values.
    source_fault : callable
        Returns why the source gives no scans; empty = it does.
    """

    def __init__(
        self,
        node: ManagedNode,
        stream: Callable[[], FingerStream | None],
        source_report: Callable[[], dict[str, str]],
        source_fault: Callable[[], str],
    ) -> None:
        self._node = node
        self._stream_of = stream
        self._source_report, self._source_fault = source_report, source_fault
        name, where = f"{node.short_namespace}/{node.get_name()}", node.short_namespace
        self._finger = FingerHealth(f"{name}: finger", where)
        self._stream = FingerHealth(f"{name}: stream", where)
        self.counters = StreamCounters()
        self._use = RangeUse()
        self._estimate: Estimate | None = None
        self._faults = self._refusal = self._tare_refusal = ""
        self._span = self._source_span = {}  # type: dict[str, str]
        self._lossy = self._late = self._scanless = False
        self.flags, self.state = Flag(0), State.STALE
        self._reported_ns = node.get_clock().now().nanoseconds
        self._pace = DiagnosticPace(node, self._status, self._report)

    def say(self, level: bytes, message: str) -> None:
        """Say how finger and stream are where neither estimate nor flags can tell."""
        self._finger.set_level(level, message)
        self._stream.set_level(level, message)
        self._publish_changes()

    def forget(self) -> None:
        """Begin anew with a new stream."""
        self.flags, self.state = Flag(0), State.STALE
        self._estimate, self._faults, self._refusal, self._tare_refusal = None, "", "", ""
        self._use = RangeUse()
        self._span, self._scanless = {}, False
        self._count_anew()

    def _count_anew(self) -> float:
        """Begin a period of the counters; returns how long the one before was (s)."""
        now_ns = self._node.get_clock().now().nanoseconds
        elapsed_s = float(now_ns - self._reported_ns) * 1e-9
        self._reported_ns = now_ns
        return elapsed_s

    def refuse(self, what: str, reason: str) -> None:
        """Count and show a message that cannot be used."""
        self.counters.refused += 1
        self._node.get_logger().error(f"{what}: {reason}" if what else reason, throttle_duration_sec=5.0)
        if what:
            self._refusal = f"{what}: {reason}"
            self.say(ERROR, self._refusal)

    def see(self, number: int, latency_s: float, estimate: Estimate, events: tuple[ContactEvent, ...]) -> None:
        """Take note of a scan: its running number, its age when the estimate left (s), estimate and events."""
        self.counters.count_scan(number, latency_s, estimate.flags)
        self._use.add(estimate.time_s, estimate.flags)
        self._estimate, self._scanless = estimate, False
        for event in events:
            if event.kind in (EventKind.FAULT, EventKind.RECOVERED):
                self._faults = event.detail if event.kind is EventKind.FAULT else ""
        stream = self._stream_of()
        refusal = stream.tare_refusal if stream is not None and estimate.state == State.TARING else ""
        changed = estimate.flags != self.flags or estimate.state != self.state or refusal != self._tare_refusal
        self._refusal, self._tare_refusal = "", refusal
        if changed or self._finger.level == ERROR or self._stream.level == ERROR:
            self.flags, self.state = estimate.flags, estimate.state
            self.show()

    def stop(self, estimate: Estimate | None) -> None:
        """Take note that no scans come any more."""
        self.flags, self.state = Flag.STALE, State.STALE
        self._estimate = estimate
        self.show()

    def show(self) -> None:
        """Say how things are by the flags and state of the last estimate, at once if that has changed."""
        self._judge()
        self._publish_changes()

    def _judge(self) -> None:
        stream = self._stream_of()
        if self._refusal:
            self._finger.set_level(ERROR, self._refusal)
            self._stream.set_level(ERROR, self._refusal)
            return
        self._finger.set_flags(self.flags, self.state)
        loss = self._what_is_lost()
        self._stream.set_level(WARN if loss else OK, loss or "good")
        if Flag.STALE in self.flags:
            self._stream.set_level(ERROR, self._source_fault() or NO_SCAN)
            if self._source_fault():
                self._finger.set_level(ERROR, self._source_fault())
        elif Flag.TIME_JUMP in self.flags:
            self._stream.set_level(WARN, "time stamps jump or stand still: check the clock of the driver")
        if stream is None:
            if Flag.STALE not in self.flags:
                self._finger.set_level(WARN, "there is no calibration: load one, or use the action calibrate")
            return
        if self._tare_refusal:
            self._finger.set_level(WARN, f"no tare yet: {self._tare_refusal}")
        if stream.pressure_fault:
            self._finger.set_level(ERROR, stream.pressure_fault)
            self._stream.set_level(ERROR, stream.pressure_fault)
        reasons = measured_reasons(stream.calibration, stream.tare, self._use.outside)
        if reasons:
            self._finger.set_level(*worse((self._finger.level, self._finger.text), (WARN, _again(reasons))))

    def _what_is_lost(self) -> str:
        """Return what the counters of the last period say; empty = nothing."""
        if self._scanless:
            return "no scan in the last period: check the coil driver"
        if self._late:
            return "scans waited too long, their estimates are left out: check the load of the machine"
        return "scans are lost: check the load of machine and network" if self._lossy else ""

    def _report(self) -> None:
        self._lossy, self._scanless = self.counters.is_lossy, not self.counters.scans
        self._late = self.counters.is_late
        self._span = self.counters.report(self._count_anew())
        self._source_span = self._source_report()
        if self._estimate is not None:
            self._judge()

    def _publish_changes(self) -> None:
        if self._finger.changed or self._stream.changed:
            self._pace.tell()

    def _status(self) -> list[DiagnosticStatus]:
        stream = {**self._span, **self._source_span}
        return [self._finger.status(self._finger_values()), self._stream.status(stream)]

    def _finger_values(self) -> dict[str, str]:
        names = " ".join(str(bit.name) for bit in Flag if bit in self.flags)
        values = {"state": self.state.name.lower(), "flags": names or "none"}
        stream = self._stream_of()
        if stream is None:
            return {**values, "calibration": "none"}
        calibration, today = stream.calibration, datetime.now(timezone.utc).astimezone().date()
        age = age_days(calibration, today)
        reasons = measured_reasons(calibration, stream.tare, self._use.outside) + age_reason(calibration, today)
        values |= {
            "calibration": stream.calibration_id,
            "calibration made on": "unknown" if age is None else str(calibration.made_on),
            "calibration age (days)": "unknown" if age is None else str(age),
            "calibrate again": "; ".join(reasons) or "no",
            "atmospheric pressure (Pa)": f"{stream.atmospheric_pa:.0f}",
        }
        return {**values, **self._estimate_values(stream)}

    def _estimate_values(self, stream: FingerStream) -> dict[str, str]:
        estimate, calibration = self._estimate, stream.calibration
        values = {}
        if self.state == State.TARING:
            values["tare refused"] = stream.tare_refusal or "no"
        if estimate is None:
            return values
        if stream.tare is not None:
            values["tare age (s)"] = f"{estimate.time_s - stream.tare.time_s:.0f}"
        drift = estimate.parts.split["drift"]
        if np.isfinite(drift).any():
            size = float(np.sqrt(np.nansum(np.square(drift))))
            sensitivity = calibration.figures.get("sensitivity")
            values["drift since tare (ppm)"] = " ".join(f"{1e6 * value:.0f}" for value in drift)
            if sensitivity is not None:
                values["drift since tare (N)"] = f"{size / sensitivity.value:.3f}"
        if math.isfinite(estimate.pressure_pa):
            values["pressure (kPa)"] = f"{estimate.pressure_pa / 1e3:.2f}"
            values["pressure margin (kPa)"] = f"{(calibration.ranges.pressure_pa[1] - estimate.pressure_pa) / 1e3:.2f}"
        values["channels"] = self._faults or _channels(estimate)
        return values


def _channels(estimate: Estimate) -> str:
    unused = [str(k + 1) for k in np.flatnonzero(np.isnan(estimate.parts.raw))]
    return f"without a sample: {' '.join(unused)}" if unused else "all good"


def _again(reasons: list[str]) -> str:
    return f"calibrate again: {'; '.join(reasons)}"
