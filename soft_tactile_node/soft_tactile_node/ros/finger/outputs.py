"""Everything one finger publishes: estimates, events and what people look at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from builtin_interfaces.msg import Time
from geometry_msgs.msg import PoseStamped, WrenchStamped
from soft_tactile_msgs.msg import ChannelParts, ContactEvent, PadEstimate
from std_msgs.msg import Header

from soft_tactile_node import samples
from soft_tactile_node.physics.kinematics import pad_pose, wrench_transfer_matrix
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running.managed_node import ManagedNode, root_frame_of
from soft_tactile_node.ros.wire import conversions, markers, qos
from soft_tactile_node.ros.wire.written import WrittenMessage
from soft_tactile_node.samples import Array

try:
    from tf2_msgs.msg import TFMessage
except ImportError:  # not everywhere installed; the transform is then left out and the reason said once
    TFMessage = None


LEAST_IN_TIMEOUT = 2.0
"""Fewest estimates within the gap that is promised (1): a late one breaks no promise."""


class FingerOutputs:
    """Publishers of one finger.

    Parameters
    ----------
    node : ManagedNode
        Owner; its parameters choose frames, rates and what stands for unobserved axes.
    geometry : tuple of float or None
        Arc length root to pad and neutral line to pad surface (m); None = not known, then nothing in the root frame.
    calibration_id : str
        Shown in every estimate; empty = there is no calibration yet.

    Attributes
    ----------
    pad_frame : str
        Name of the pad frame.
    """

    def __init__(self, node: ManagedNode, geometry: tuple[float, float] | None, calibration_id: str) -> None:
        prefix = node.short_namespace
        self._geometry = geometry
        self.calibration_id = calibration_id
        self.pad_frame = node.setting("pad_frame") or f"{prefix}_pad"
        self._root_frame = root_frame_of(node)
        self._in_root = node.setting("wrench_frame") == "root"
        self._frame = self._root_frame if self._in_root else self.pad_frame
        self._unobserved = 0.0 if node.setting("unobserved_force") == "zero" else math.nan
        self._next_s = {"tf": -math.inf, "markers": -math.inf, "estimate": -math.inf}
        self._rates_hz = {
            "tf": node.setting("tf_rate"), "markers": node.setting("marker_rate"),
            "estimate": node.setting("estimate_rate"),
        }  # fmt: skip
        header = Header(frame_id=self._frame)
        self._estimate_out = WrittenMessage(PadEstimate(header=header))
        self._wrench_out = WrittenMessage(WrenchStamped(header=header))
        self._told: tuple[Any, ...] = ()
        promised = node.setting("coil_timeout")
        least_hz = LEAST_IN_TIMEOUT / promised
        if 0.0 < self._rates_hz["estimate"] < least_hz:
            raise ParameterError(
                f"parameter 'estimate_rate' must be 0 or >= {LEAST_IN_TIMEOUT:g} / coil_timeout = {least_hz:g} Hz; "
                f"got {self._rates_hz['estimate']:g}"
            )
        # no DEADLINE: there is no wrench during a tare, and who reads wrenches alone must not take that for a dead node
        self._wrench = node.publish_on(WrenchStamped, "wrench", qos.estimate())
        self._estimate = node.publish_on(PadEstimate, "pad_estimate", qos.estimate(promised))
        self._events = node.publish_on(ContactEvent, "contact_events", qos.reliable(50))
        self._parts = node.publish_on(ChannelParts, "channel_parts", qos.reliable(10))
        self._pose: Any = None
        self._tf: Any = None
        if geometry is not None or not calibration_id:  # a finger without a calibration may get one with lengths
            self._pose = node.publish_on(PoseStamped, "pad_pose", qos.reliable(10))
            if TFMessage is None:
                node.get_logger().info("no transform is published: tf2_msgs is not installed")
            elif self._rates_hz["tf"] > 0.0:
                self._tf = node.publish_on(TFMessage, "/tf", qos.reliable(100))
        self._markers: Any = None
        if not markers.available():
            node.get_logger().info("no markers are published: visualization_msgs is not installed")
        elif self._rates_hz["markers"] > 0.0:
            self._markers = node.publish_on(markers.MarkerArray, "markers", qos.reliable(5))

    def use_calibration(self, geometry: tuple[float, float] | None, calibration_id: str) -> None:
        """Go on with the lengths (m) and the name of another calibration."""
        self._geometry = geometry if self._pose is not None else None
        self.calibration_id = calibration_id

    def publish(self, estimate: samples.Estimate, events: Sequence[samples.ContactEvent], stamp: Time) -> None:
        """Publish one estimate and its events, and a wrench: none during a tare, NaN when the stream has gone stale.

        Only what somebody listens to is made; of the estimates as many as `estimate_rate` says, and each that tells of
        another state, touch or flag.

        Parameters
        ----------
        estimate : samples.Estimate
            From the estimator.
        events : sequence of samples.ContactEvent
            What happened at this scan.
        stamp : builtin_interfaces.msg.Time
            Acquisition time of the scan.
        """
        for event in events:  # before the estimate: who acts on an estimate has heard of what happened by then
            self._publish_event(event, estimate.bend_rad, stamp)
        wants_estimate = self._wants_estimate(estimate) and self._estimate.get_subscription_count()
        wants_wrench = estimate.state != samples.State.TARING and self._wrench.get_subscription_count()
        if wants_estimate or wants_wrench:
            transform = self._transform(estimate.bend_rad) if self._in_root else None
            wrench, covariance, observed = conversions.wrench_of(estimate, transform)
        if wants_wrench:
            blind = math.isnan(estimate.force_n[2])  # not a matter of axes: nothing is known
            unobserved = math.nan if blind else self._unobserved
            conversions.write_wrench(self._wrench_out, wrench, unobserved)
            self._wrench.publish(self._wrench_out.stamped(stamp))
        if wants_estimate:
            out = self._estimate_out
            conversions.write_estimate(out, estimate, wrench, covariance, observed, self.calibration_id)
            self._estimate.publish(out.stamped(stamp))
        if self._parts.get_subscription_count():
            parts = conversions.parts_to_message(estimate.parts)
            parts.header.stamp, parts.header.frame_id = stamp, self.pad_frame
            self._parts.publish(parts)
        self._publish_pose(estimate, stamp)
        self._publish_markers(estimate, stamp)

    def publish_events(self, estimate: samples.Estimate, events: Sequence[samples.ContactEvent], stamp: Time) -> None:
        """Publish the events of an estimate alone, as in `publish`: what it says itself has come too late."""
        for event in events:
            self._publish_event(event, estimate.bend_rad, stamp)

    def _wants_estimate(self, estimate: samples.Estimate) -> bool:
        """Return whether an estimate is due, or tells of something new."""
        if not self._rates_hz["estimate"]:
            return True
        told = (estimate.state, estimate.flags, estimate.in_contact, estimate.contact_id)
        new, self._told = told != self._told, told
        return self._is_due("estimate", estimate.time_s) or new

    def _transform(self, bend_rad: float) -> Array | None:
        if self._geometry is None:
            return None
        position_m, rotation = pad_pose(bend_rad, *self._geometry)
        return wrench_transfer_matrix(rotation, position_m)

    def _publish_event(self, event: samples.ContactEvent, bend_rad: float, stamp: Time) -> None:
        wrench = np.concatenate([np.asarray(event.force_n, dtype=np.float64), np.zeros(3)])
        transform = self._transform(bend_rad) if self._in_root else None
        if transform is not None:
            wrench = transform @ wrench
        message = conversions.event_to_message(event, wrench)
        message.header.stamp, message.header.frame_id = stamp, self._frame
        self._events.publish(message)

    def _publish_pose(self, estimate: samples.Estimate, stamp: Time) -> None:
        if self._geometry is None or not math.isfinite(estimate.bend_rad):
            return
        wants_tf = self._tf is not None and self._is_due("tf", estimate.time_s)
        if not wants_tf and not self._pose.get_subscription_count():
            return
        position_m, rotation = pad_pose(estimate.bend_rad, *self._geometry)
        if self._pose.get_subscription_count():
            posed = PoseStamped(pose=conversions.pose_message(position_m, rotation))
            posed.header.stamp, posed.header.frame_id = stamp, self._root_frame
            self._pose.publish(posed)
        if wants_tf:
            turned = conversions.transform_message(self._root_frame, self.pad_frame, position_m, rotation, stamp)
            self._tf.publish(TFMessage(transforms=[turned]))

    def _publish_markers(self, estimate: samples.Estimate, stamp: Time) -> None:
        if self._markers is None or not self._markers.get_subscription_count():
            return
        if self._is_due("markers", estimate.time_s):
            frames = markers.Frames(self.pad_frame, self._root_frame)
            self._markers.publish(markers.finger_markers(estimate, self._geometry, frames, stamp))

    def _is_due(self, what: str, time_s: float) -> bool:
        """Return whether the next one is due at `time_s` (s); a clock that ran backwards starts afresh."""
        period_s = 1.0 / self._rates_hz[what]
        if self._next_s[what] - period_s <= time_s < self._next_s[what]:
            return False
        self._next_s[what] = time_s + period_s
        return True
