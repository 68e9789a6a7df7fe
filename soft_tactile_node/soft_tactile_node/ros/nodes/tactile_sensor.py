"""Node `tactile_sensor`: coils and pressure of one finger in, wrench, estimate and contact events out."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from builtin_interfaces.msg import Time
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings
from soft_tactile_msgs.srv import LoadCalibration
from std_srvs.srv import Trigger

from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.calibration.storage import calibration_id
from soft_tactile_node.errors import CalibrationError, SoftTactileError
from soft_tactile_node.estimation.tare import Tare
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.ros.calibrate.action import CalibrateAction
from soft_tactile_node.ros.feeds.factory import ScanSource, make_scan_source
from soft_tactile_node.ros.finger.base_motion import BaseMotion
from soft_tactile_node.ros.finger.estimator_setup import (
    estimator_settings,
    geometry_of,
    load_for,
    make_estimator,
)
from soft_tactile_node.ros.finger.freshness import Freshness
from soft_tactile_node.ros.finger.health import SensorHealth
from soft_tactile_node.ros.finger.last_messages import LastMessages
from soft_tactile_node.ros.finger.outputs import FingerOutputs
from soft_tactile_node.ros.finger.silence import SilenceWatch
from soft_tactile_node.ros.finger.stream import FingerStream
from soft_tactile_node.ros.finger.tare_store import KeptTare, keep_tare, recall_tare, tare_path
from soft_tactile_node.ros.parameters.finger import SENSOR
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.running.managed_node import ManagedNode, root_frame_of
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.ros.wire.coil_bytes import read_coils
from soft_tactile_node.ros.wire.diagnostics import ERROR, WARN
from soft_tactile_node.samples import Scan, State

NONE = "none"
"""Value of the parameter `calibration` of a finger that has none yet."""


class TactileSensor(ManagedNode):
    """The sensor of one finger as a lifecycle node; its interface: shared/docs/reference/topics.md."""

    def __init__(self, name: str = "tactile_sensor", **options: Any) -> None:
        super().__init__(name, SENSOR, **options)
        self._stream: FingerStream | None = None
        self._source: ScanSource | None = None
        self._last = LastMessages()
        self._health = SensorHealth(self, lambda: self._stream, self._source_report, self._source_fault)
        self._health.say(WARN, "not configured")

    # -- lifecycle

    def configure(self) -> None:
        """Load the calibration, check it against the parameters, create topics and services."""
        calibration = self._wanted_calibration()
        geometry = None if calibration is None else geometry_of(calibration)
        if self.setting("source") != "topic" and self.setting("pressure_reference") != "absolute":
            raise ParameterError("parameter 'pressure_reference' must be absolute unless source: topic; got 'gauge'")
        self._stream = None if calibration is None else self._new_stream(calibration)
        self._tare_path = tare_path(self.setting("tare_file"), self.short_namespace)
        self._outputs = FingerOutputs(self, geometry, "" if calibration is None else calibration_id(calibration))
        self._action = CalibrateAction(
            self, self._outputs.pad_frame, root_frame_of(self), self._calibration_in_use, self._use_new
        )
        self.serve(Trigger, "tare", self._on_tare)
        self.serve(LoadCalibration, "load_calibration", self._on_load_calibration)
        self._silence = SilenceWatch(self, self.setting("coil_timeout"), self._on_silence)
        self._motion = BaseMotion(self)
        self._source = make_scan_source(self, self._outputs.pad_frame, self._on_scan, self._on_pressure)
        if self._source is None:
            # in this order, in which waiting messages are taken: a scan does not see pressure that came after it
            self.subscribe_to(CoilReadings, "coils", self._on_coils, qos.sensor_data(qos.COIL_DEPTH), raw=True)
            self.subscribe_to(FluidPressure, "pressure", self._on_pressure_message, qos.sensor_data())
        self._health.say(WARN, "not active")

    def _wanted_calibration(self) -> Calibration | None:
        """Return the calibration of the parameters, None where they want none.

        Raises
        ------
        ParameterError
            It cannot be used; says which parameter and why.
        """
        path = self.setting("calibration")
        if not path:
            raise ParameterError(f"parameter 'calibration' must name a calibration file, or be {NONE}; got ''")
        if path == NONE:
            if self.setting("wrench_frame") == "root":
                raise ParameterError(f"parameter 'wrench_frame' must be pad with calibration: {NONE}; got 'root'")
            return None
        try:
            return load_for(path, self.setting)
        except CalibrationError as error:
            raise ParameterError(f"parameter 'calibration': {error}") from error

    def _new_stream(self, calibration: Calibration) -> FingerStream:
        warm_up(calibration)
        return FingerStream(
            partial(make_estimator, setting=self.setting),
            calibration,
            pressure_is_gauge=self.setting("pressure_reference") == "gauge",
            atmospheric_pa=self.setting("atmospheric_pressure"),
            on_tare=self._on_new_tare,
        )

    def activate(self) -> None:
        """Start with a tare, at once; scans that come while inactive are not used."""
        if self._stream is not None:
            self._stream.restart(self._recall_tare(self._stream.channels))
        self._last = LastMessages()
        self._fresh = Freshness(self.setting("coil_timeout"))
        self._health.forget()
        self._health.say(WARN, "waiting for the first scan")
        self._silence.start()
        if self._source is not None:
            self._source.start()

    def deactivate(self) -> None:
        """Publish nothing any more; a calibration under way is given up and the finger vented."""
        self._action.stop("the node was deactivated")
        self._silence.stop()
        if self._source is not None:
            self._source.stop()
        self._health.forget()
        self._health.say(WARN, "not active")

    def release(self) -> None:
        """Forget the stream."""
        self._health.forget()
        self._stream = None
        self._source = None

    def parameters_changed(self, _names: Sequence[str]) -> None:
        """Give new thresholds to the running estimator."""
        if self._stream is not None:
            self._stream.estimator.use_settings(estimator_settings(self.setting))

    # -- inputs

    def _on_coils(self, data: bytes) -> None:
        if not self.active:
            return
        try:
            coils = read_coils(data)
        except SoftTactileError as error:
            self._health.refuse("coils", str(error))
            return
        if self._last.has_scan(coils):
            self._last.repeat(self._outputs.publish)
            return
        self._on_scan(coils.scan, coils.stamp, coils.number)

    @staticmethod
    def _check_channels(scan: Scan, wanted: int) -> None:
        if scan.inductance_h.size != wanted:
            raise CalibrationError(
                f"inductance must be of {wanted} channels, as calibrated; got {scan.inductance_h.size}: "
                "load the calibration of this pad"
            )

    def _on_pressure_message(self, message: FluidPressure) -> None:
        if not self._last.has_pressure(message):
            self._on_pressure(conversions.stamp_to_seconds(message.header.stamp), message.fluid_pressure)

    def _on_pressure(self, time_s: float, pressure_pa: float) -> None:
        if not self.active:
            return
        self._health.counters.pressures += 1
        self._action.add_pressure(time_s, pressure_pa)
        if self._stream is None:
            return
        before = self._stream.pressure_fault
        self._stream.add_pressure(time_s, pressure_pa)
        fault = self._stream.pressure_fault
        if fault:
            self._health.refuse("", fault)
        if bool(fault) != bool(before):
            self._health.show()

    def _on_scan(self, scan: Scan, stamp: Time, number: int) -> None:
        if scan.acceleration_m_s2 is None and (force := self._motion.at(scan.time_s)) is not None:
            scan = replace(scan, acceleration_m_s2=force)
        self._action.add_scan(scan)
        if self._stream is None:
            self._silence.hear(conversions.clock_s(self))
            self._health.forget()
            self._health.show()
            return
        try:
            self._check_channels(scan, self._stream.channels)
            now_s, begun_s = conversions.clock_s(self), time.perf_counter()
            self._silence.hear(now_s)
            late = self._fresh.is_late(conversions.stamp_to_seconds(stamp), now_s)
            estimate, events = self._stream.step(scan)
        except SoftTactileError as error:
            self._health.refuse("coils", str(error))
            return
        if late:
            self._health.counters.late += 1
            self._outputs.publish_events(estimate, events, stamp)
        else:
            self._outputs.publish(estimate, events, stamp)
            self._last.keep(estimate, stamp)
        now_s += time.perf_counter() - begun_s  # to ask the node's clock costs ten times as much
        self._fresh.done(now_s)
        self._health.see(number, now_s - conversions.stamp_to_seconds(stamp), estimate, events)

    def _on_silence(self) -> None:
        """Say once that the stream has stopped, then keep silent until it comes back."""
        self._last.forget_estimate()
        if self._stream is None:
            self._health.stop(None)
            return
        now = self.get_clock().now()
        estimate = self._stream.stale(now.nanoseconds * 1e-9)
        self._outputs.publish(estimate, (), now.to_msg())
        self._health.stop(estimate)

    # -- services

    def _on_tare(self, _request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        try:
            self._require_stream().request_tare()
        except SoftTactileError as error:
            response.success, response.message = False, str(error)
            return response
        response.success = True
        response.message = f"taking the tare; keep the finger at rest for {self.setting('tare_duration'):g} s"
        return response

    def _require_stream(self) -> FingerStream:
        if not self.active:
            raise SoftTactileError("the node is not active: activate it first")
        if self._stream is None:
            raise SoftTactileError("there is no calibration: load one, or use the action calibrate")
        if self._action.is_running:
            raise SoftTactileError("a calibration is under way: wait for its end, or cancel it")
        if self._health.state == State.STALE:
            raise SoftTactileError("no scans arrive: check the topic coils")
        return self._stream

    def _on_load_calibration(
        self, request: LoadCalibration.Request, response: LoadCalibration.Response
    ) -> LoadCalibration.Response:
        try:
            if self._action.is_running:
                raise CalibrationError("a calibration is under way: wait for its end, or cancel it")
            self._use(load_for(request.path, self.setting))
        except SoftTactileError as error:
            response.success, response.message = False, str(error)
        else:
            response.success, response.message = True, f"loaded {request.path}; taking the tare"
        response.calibration_id = self._outputs.calibration_id
        return response

    def _use(self, calibration: Calibration) -> None:
        """Go on with another calibration, from a new tare; SoftTactileError if it cannot be used."""
        if self._stream is None:
            self._stream = self._new_stream(calibration)
        else:
            self._stream.load(calibration)
        self._outputs.use_calibration(geometry_of(calibration), calibration_id(calibration))

    def _use_new(self, path: Path) -> str:
        """Go on with the calibration that was just made; returns what became of it."""
        try:
            self._use(load_for(str(path), self.setting))
        except SoftTactileError as error:
            return f"not in use yet: {error}"
        return "in use, taking the tare"

    def _calibration_in_use(self) -> Calibration | None:
        return None if self._stream is None else self._stream.calibration

    # -- tare

    def _on_new_tare(self, tare: Tare, atmospheric_pa: float) -> None:
        """Keep a tare for the next start; a full disk is no reason to stop."""
        self.get_logger().info("tare done")
        if self._tare_path is None:
            return
        try:
            keep_tare(self._tare_path, tare, self._outputs.calibration_id, atmospheric_pa)
        except (OSError, SoftTactileError) as error:
            self.get_logger().warning(f"the tare is not kept for a restart: {error}")

    def _recall_tare(self, channels: int) -> KeptTare | None:
        if self._tare_path is None:
            return None
        try:
            return recall_tare(self._tare_path, self._outputs.calibration_id, channels)
        except SoftTactileError as error:
            self.get_logger().warning(f"no earlier tare: {error}")
            return None

    # -- diagnostics

    def _source_report(self) -> dict[str, str]:
        return {} if self._source is None else self._source.report()

    def _source_fault(self) -> str:
        return "" if self._source is None else self._source.fault

    def transition_failed(self) -> None:
        """Show why a transition was refused, so that nobody has to read a log."""
        self._health.say(ERROR, self.reason)


def main(args: Sequence[str] | None = None) -> int:
    """Run one sensor, or one for each finger namespace named on the command line, in this process."""
    fingers = process.plain_arguments(args)
    if not fingers:
        return process.run([TactileSensor], args)
    above, others = process.split_namespace(args)
    return process.run([partial(TactileSensor, namespace=f"{above}/{finger.strip('/')}") for finger in fingers], others)


if __name__ == "__main__":
    raise SystemExit(main())
