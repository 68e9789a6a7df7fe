"""Node `grasp_monitor`: estimates and events of all fingers of a gripper in, grasp state out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import TransformStamped
from soft_tactile_msgs.msg import ContactEvent, GraspState, PadEstimate

from soft_tactile_node.grasp.held_object import HeldObject, OwnCompliance
from soft_tactile_node.grasp.palm import PalmGeometry, pad_force, pad_gap, palm_forces
from soft_tactile_node.grasp.state import FingerView, Grasp, GraspTracker
from soft_tactile_node.ros.hand.finger_watch import FingerWatch
from soft_tactile_node.ros.parameters.gripper import MONITOR
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.running.diagnostic_pace import DiagnosticPace
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.ros.wire.conversions import clock_s, stamp_to_seconds, transform_message
from soft_tactile_node.ros.wire.diagnostics import ERROR, OK, WARN, FingerHealth
from soft_tactile_node.ros.wire.names import frame_prefix, sibling

try:
    from tf2_msgs.msg import TFMessage
except ImportError:  # not everywhere installed; the transforms are then left out and the reason said once
    TFMessage = None


class GraspMonitor(ManagedNode):
    """Grasp monitor as a lifecycle node; its interface: shared/docs/reference/topics.md."""

    def __init__(self, name: str = "grasp_monitor", **options: Any) -> None:
        super().__init__(name, MONITOR, **options)
        self._health = FingerHealth(f"{self.short_namespace}/{name}: gripper", self.short_namespace)
        self._views: list[FingerView] = []
        self._pace = DiagnosticPace(self, self._status)

    def configure(self) -> None:
        """Check fingers and palm, watch every finger."""
        fingers = self.setting("fingers")
        if not 2 <= len(fingers) <= 6 or len(set(fingers)) != len(fingers):
            raise ParameterError(f"parameter 'fingers' must be two to six different names; got {fingers}")
        self._fingers = fingers
        self._geometry = self._palm_geometry(len(fingers))
        self._geometry.pad_radius_m(0.0)  # compiles, or loads what was compiled: not in the middle of a grasp
        self._tracker = GraspTracker(
            self.setting("closing_rate"), self.setting("slip_hold"), self._geometry.angles_rad,
            self.setting("holding_force"),
        )  # fmt: skip
        own = OwnCompliance(self.setting("pad_compliance"), self.setting("pad_compliance_deviation"))
        self._object = HeldObject(own)
        self._frame = self.setting("palm_frame") or f"{self.short_namespace}_palm"
        self._in_root = self.setting("wrench_frame") == "root"
        self._views = [FingerView() for _ in fingers]
        self._lost: dict[str, str] = {}
        self._state = self.publish_on(GraspState, "grasp_state", qos.reliable(1, latched=True))
        self._watches = [self._watch(number, finger) for number, finger in enumerate(fingers)]
        self._roots = self._root_publisher()
        self.call_every(1.0 / self.setting("rate"), self._on_time)

    def activate(self) -> None:
        """Start to watch, and say where the finger roots are."""
        if self._roots is not None:
            self._roots.publish(TFMessage(transforms=self._root_transforms()))

    def release(self) -> None:
        """Forget the fingers."""
        self._views = []

    def parameters_changed(self, _names: Sequence[str]) -> None:
        """Take up new thresholds."""
        self._tracker.closing_rate_pa_s = self.setting("closing_rate")
        self._tracker.slip_hold_s = self.setting("slip_hold")
        self._tracker.holding_n = self.setting("holding_force")

    def _palm_geometry(self, count: int) -> PalmGeometry:
        angles = self.setting("finger_angles") or [2.0 * math.pi * number / count for number in range(count)]
        if len(angles) != count:
            raise ParameterError(f"parameter 'finger_angles' must be empty or of {count} numbers; got {len(angles)}")
        return PalmGeometry(
            tuple(angles),
            self.setting("finger_root_radius"),
            self.setting("arc_length"),
            self.setting("surface_offset"),
            self.setting("finger_tilt"),
        )

    def _root_publisher(self) -> Any:
        if TFMessage is None:
            self.get_logger().info("no transforms of the finger roots are published: tf2_msgs is not installed")
        elif math.isfinite(self._geometry.root_radius_m):
            return self.publish_on(TFMessage, "/tf_static", qos.reliable(1, latched=True))
        return None

    def _root_transforms(self) -> list[TransformStamped]:
        """Return palm to root for every finger, under the name that its sensor gives the root by default."""
        stamp = self.get_clock().now().to_msg()
        names = [f"{frame_prefix(sibling(self.get_namespace(), finger))}_finger_root" for finger in self._fingers]
        return [
            transform_message(
                self._frame, name, self._geometry.root_position_m(n), self._geometry.root_to_palm(n), stamp
            )
            for n, name in enumerate(names)
        ]

    def _watch(self, number: int, finger: str) -> FingerWatch:
        watch = FingerWatch(
            self, sibling(self.get_namespace(), finger), self.setting("finger_timeout"), qos_overrides=True,
            on_estimate=partial(self._on_estimate, number), on_event=partial(self._on_event, number),
            on_change=self._on_time,
        )  # fmt: skip
        self.keep(watch, FingerWatch.close)
        return watch

    # -- inputs

    def _on_estimate(self, number: int, message: PadEstimate) -> None:
        view = self._views[number]
        force = message.wrench.force
        touched_before = view.in_contact
        stale = message.state == PadEstimate.STATE_STALE
        view.in_contact = bool(message.in_contact)
        view.force_n = np.array([force.x, force.y, force.z])
        if self._in_root:
            view.force_n = pad_force(view.force_n, message.bend)
        view.pressure_pa = view.pressure_pa if stale else message.pressure
        view.bend_rad, view.bend_variance_rad2 = message.bend, message.bend_variance
        changed = view.in_contact != touched_before
        if changed:
            self._follow()
        if self._tracker.opposed and view.in_contact:
            gap_m, variance_m2 = pad_gap(self._geometry, self._views)
            self._object.add(stamp_to_seconds(message.header.stamp), self._mean_normal_n(), gap_m, variance_m2)
        if changed:
            self._on_time()

    def _on_event(self, number: int, message: ContactEvent) -> None:
        if message.kind == ContactEvent.SLIP:
            self._views[number].slip_time_s = clock_s(self)
            self._on_time()

    def _mean_normal_n(self) -> float:
        normals = [_normal_n(view) for view in self._views if view.in_contact]
        return sum(normals) / len(normals) if normals else math.nan

    # -- outputs

    def _on_time(self) -> None:
        if not self.active:
            return
        self._watch_fingers()
        self._follow()
        self._state.publish(self._grasp_message(self._tracker.state))

    def _follow(self) -> None:
        """Bring the state of the grasp up to date."""
        before = self._tracker.state
        state = self._tracker.update(clock_s(self), self._views)
        if not self._tracker.opposed:
            self._object.clear()
        if state != before:
            self.get_logger().info(f"grasp: {before.name} -> {state.name}")

    def _watch_fingers(self) -> None:
        lost = {watch.name: watch.lost for watch in self._watches if not watch.check()}
        for watch, view in zip(self._watches, self._views, strict=True):
            if watch.name in lost:
                view.force_n, view.bend_rad = np.full(3, np.nan), math.nan
        if lost:
            said = "; ".join(f"{finger}: {reason}" for finger, reason in lost.items())
            self._health.set_level(ERROR, f"no estimates from {said}: check its sensor node")
        else:
            self._health.set_level(OK, "good")
        if lost.keys() != self._lost.keys():
            self._lost = lost
            self._pace.tell()

    def _grasp_message(self, state: Grasp) -> GraspState:
        total_n, imbalance_n = palm_forces(self._geometry, self._views)
        width_m, width_variance_m2 = self._object.width()
        compliance, compliance_variance = self._object.compliance()
        message = GraspState(
            state=int(state),
            fingers=list(self._fingers),
            width=float(width_m),
            width_variance=float(width_variance_m2),
            compliance=float(compliance),
            compliance_variance=float(compliance_variance),
        )
        message.in_contact = [bool(view.in_contact) for view in self._views]
        message.normal_force = [_normal_n(view) for view in self._views]
        for vector, values in ((message.total_force, total_n), (message.imbalance, imbalance_n)):
            vector.x, vector.y, vector.z = (float(value) for value in values)
        message.header.stamp = self.get_clock().now().to_msg()
        message.header.frame_id = self._frame
        return message

    def _status(self) -> list[DiagnosticStatus]:
        if not self._views:
            self._health.set_level(ERROR if self.reason else WARN, self.reason or "not configured")
        elif not self.active:
            self._health.set_level(WARN, "not active")
        values = {watch.name: watch.lost or "heard" for watch in self._watches} if self._views else {}
        return [self._health.status(values)]


def _normal_n(view: FingerView) -> float:
    return math.nan if view.force_n is None else float(view.force_n[2])


def main(args: Sequence[str] | None = None) -> int:
    """Run the monitor in this process."""
    return process.run([GraspMonitor], args)


if __name__ == "__main__":
    raise SystemExit(main())
