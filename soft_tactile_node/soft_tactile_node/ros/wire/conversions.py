"""Between messages and samples. Here and nowhere else: absolute and gauge pressure, quaternion order, stamps.

Every number is made a Python float on purpose: with field checks off, message classes take wrong types silently.
"""

from __future__ import annotations

import array
import math
from functools import cache
from typing import Any

import numpy as np
from builtin_interfaces.msg import Time
from geometry_msgs.msg import Pose, Quaternion, TransformStamped, Wrench
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import ChannelParts as ChannelPartsMessage
from soft_tactile_msgs.msg import CoilReadings, PadEstimate, PadTruth, PressureCommand
from soft_tactile_msgs.msg import ContactEvent as ContactEventMessage

from soft_tactile_node.errors import RangeError
from soft_tactile_node.grasp.pressure_lease import PressureRequest
from soft_tactile_node.physics.kinematics import quaternion_xyzw
from soft_tactile_node.ros.wire.written import WrittenMessage
from soft_tactile_node.samples import Array, ChannelParts, ContactEvent, Estimate, Scan, State, declared

CONTACT_PLACE_M = 0.004
"""Standard deviation of the unknown place of contact on the pad (m); makes the torque's variance."""

LEAST_ABSOLUTE_PA = 50e3
"""No vented line on Earth reads less than this (Pa absolute); anything below was meant as gauge."""

FIELDS = tuple(
    (item.name, item.message_name)
    for item in declared(Estimate)
    if not item.shape and item.message_name in PadEstimate.get_fields_and_field_types()
)
"""Fields of an estimate and their names in `PadEstimate`; wrench and covariance have all vectors."""


# -- time


def clock_s(node: Any) -> float:
    """Return the time on the clock of a node (s)."""
    return float(node.get_clock().now().nanoseconds) * 1e-9


def stamp_to_seconds(stamp: Time) -> float:
    """Return a stamp as seconds of its own clock (s)."""
    return float(stamp.sec + stamp.nanosec * 1e-9)


def seconds_to_stamp(time_s: float) -> Time:
    """Return seconds as a stamp, rounded to nanoseconds; NaN gives the stamp 0, "not known"."""
    if not math.isfinite(time_s):
        return Time()
    seconds = math.floor(time_s)
    nanoseconds = round((time_s - seconds) * 1e9)
    return Time(sec=seconds + nanoseconds // 10**9, nanosec=nanoseconds % 10**9)


# -- pressure


def absolute_to_gauge(absolute_pa: float, atmospheric_pa: float) -> float:
    """Return gauge pressure (Pa) from absolute and atmospheric pressure (Pa)."""
    return absolute_pa - atmospheric_pa


def gauge_to_absolute(gauge_pa: float, atmospheric_pa: float) -> float:
    """Return absolute pressure (Pa) from gauge and atmospheric pressure (Pa)."""
    return gauge_pa + atmospheric_pa


def check_absolute(absolute_pa: float, name: str) -> float:
    """Return an absolute pressure (Pa) unless it can only be a gauge pressure.

    Raises
    ------
    RangeError
        Below 50 kPa, NaN or infinite; the message says how to set the node right.
    """
    if not math.isfinite(absolute_pa):
        raise RangeError(f"{name} must be a finite absolute pressure in Pa; got {absolute_pa:g}")
    if absolute_pa < LEAST_ABSOLUTE_PA:
        raise RangeError(
            f"{name} must be absolute, >= {LEAST_ABSOLUTE_PA:g} Pa; got {absolute_pa:g} Pa: "
            "looks like gauge pressure; set pressure_reference: gauge"
        )
    return absolute_pa


def pressure_message(gauge_pa: float, atmospheric_pa: float, stamp: Time, frame_id: str) -> FluidPressure:
    """Return gauge pressure (Pa) as an absolute pressure message."""
    message = FluidPressure(fluid_pressure=float(gauge_to_absolute(gauge_pa, atmospheric_pa)))
    message.header.stamp = stamp
    message.header.frame_id = frame_id
    return message


def request_from_message(message: PressureCommand, now_ns: int | None) -> PressureRequest:
    """Return a pressure command as a request; its age follows from the clock `now_ns` (ns), None = age not known."""
    stamp = message.header.stamp
    stamped = now_ns is not None and (stamp.sec or stamp.nanosec)
    age_s = now_ns * 1e-9 - stamp_to_seconds(stamp) if now_ns is not None and stamped else 0.0
    return PressureRequest(
        message.owner, message.sequence, message.pressure, message.lease, age_s, simulated=message.simulated
    )


# -- scans


def scan_to_message(scan: Scan, number: int, stamp: Time, frame_id: str) -> CoilReadings:
    """Return a scan as a coil message with a running number (wraps at 2^32)."""
    message = CoilReadings(scan=number % 2**32, temperature=float(scan.temperature_c))
    message.header.stamp = stamp
    message.header.frame_id = frame_id
    message.inductance = doubles(scan.inductance_h)
    if scan.loss_ohm is not None:
        message.loss = doubles(scan.loss_ohm)
    return message


def doubles(values: Any) -> array.array[float]:
    """Return values as the array type of float64 sequences in messages."""
    return array.array("d", np.asarray(values, dtype=np.float64).tobytes())


# -- estimates


def wrench_of(estimate: Estimate, transform: Array | None = None) -> tuple[list[float], Array, list[bool]]:
    """Return wrench, covariance and observed axes of an estimate, in the pad frame or another.

    Parameters
    ----------
    estimate : Estimate
        From the estimator, pad frame.
    transform : numpy.ndarray, shape (6, 6), optional
        Takes a wrench (N, N m) about the pad origin to the wanted frame; None = stay in the pad frame. Needs all three
        forces: with one missing, everything comes out as not observed.

    Returns
    -------
    wrench : list of float
        fx, fy, fz, tx, ty, tz (N, N m); NaN = not observed.
    covariance : numpy.ndarray, shape (6, 6)
        Its covariance (N^2, N^2 m, N^2 m^2), that of the torque from the unknown place of the touch; rows
        and columns of unobserved axes are 0 with -1 on the diagonal.
    observed : list of bool
        Which axes are observed.
    """
    force, variance = estimate.force_n.tolist(), estimate.force_variance_n2.tolist()
    seen = [math.isfinite(one) for one in force]  # numpy is slow on so few numbers
    if transform is not None and not all(seen):
        return [math.nan] * 6, -np.eye(6), [False] * 6
    squares = [f * f + v if known else 0.0 for f, v, known in zip(force, variance, seen, strict=True)]
    across = [CONTACT_PLACE_M**2 * (sum(squares) - square) for square in squares]
    wrench, covariance, observed = force + [0.0 if known else math.nan for known in seen], np.zeros((6, 6)), seen + seen
    known_variance = zip(variance + across, observed, strict=True)
    covariance.reshape(36)[::7] = [v if known else -1.0 for v, known in known_variance]
    if transform is not None:
        wrench, covariance = (transform @ wrench).tolist(), transform @ covariance @ transform.T
    return wrench, covariance, observed


def wrench_message(wrench: Array) -> Wrench:
    """Return six numbers (N, N m) as a message."""
    message = Wrench()
    force, torque = message.force, message.torque
    force.x, force.y, force.z, torque.x, torque.y, torque.z = wrench.tolist()
    return message


def write_wrench(out: WrittenMessage, wrench: list[float], unobserved: float = math.nan) -> None:
    """Write six numbers (N, N m) into a WrenchStamped; `unobserved` stands where they are NaN."""
    out.fields["wrench"] = [unobserved if math.isnan(one) else one for one in wrench]


def write_estimate(
    out: WrittenMessage,
    estimate: Estimate,
    wrench: list[float],
    covariance: Array,
    observed: list[bool],
    calibration_id: str,
) -> None:
    """Write an estimate into a PadEstimate; the rest is as `wrench_of` gives it."""
    fields = out.fields
    fields["wrench"], fields["covariance"], fields["observed"] = wrench, covariance.reshape(36), observed
    for name, field in FIELDS:
        fields[field] = getattr(estimate, name)
    if estimate.state in (State.TARING, State.STALE):
        fields["contact_probability"] = math.nan
    fields["calibration"] = calibration_number(calibration_id)


@cache
def calibration_number(calibration_id: str) -> int:
    """Return the id of a calibration, hexadecimal digits, as the number that estimates carry; 0 for no calibration."""
    return int(calibration_id or "0", 16)


def event_to_message(event: ContactEvent, wrench: Array) -> ContactEventMessage:
    """Return an event as a message without stamp and frame; `wrench` (N, N m) in the frame it is published in."""
    return ContactEventMessage(
        kind=event.kind.number,
        contact_id=int(event.contact_id),
        onset=seconds_to_stamp(event.onset_s),
        wrench=wrench_message(wrench),
        probability=float(event.contact_probability),
        bend_fraction=float(event.bend_fraction),
        detail=event.detail,
    )


def truth_to_message(step: Any, finger: int) -> PadTruth:
    """Return what really happens at one pad, from a step of the simulated gripper, as a bare message."""
    truth = step.truths[finger]
    return PadTruth(
        wrench=wrench_message(np.concatenate([truth.force_n, truth.torque_n_m])),
        bend=float(truth.bend_rad),
        in_contact=bool(truth.in_contact),
        slip=bool(truth.slip),
        object_height=float(step.height_m),
        object_width=float(step.width_m),
        object_dropped=bool(step.dropped),
    )


def parts_to_message(parts: ChannelParts) -> ChannelPartsMessage:
    """Return the split signal as a message without stamp and frame."""
    return ChannelPartsMessage(
        raw=doubles(parts.raw),
        bending=doubles(parts.split["bending"]),
        free_bending=doubles(parts.split["bending"]),
        contact=doubles(parts.split["contact"]),
        drift=doubles(parts.split["drift"]),
    )


# -- poses


def quaternion_message(rotation: Array) -> Quaternion:
    """Return a rotation matrix, shape (3, 3), as a message; the only place where quaternion order matters."""
    x, y, z, w = (float(value) for value in quaternion_xyzw(rotation))
    return Quaternion(x=x, y=y, z=z, w=w)


def pose_message(position_m: Array, rotation: Array) -> Pose:
    """Return position (m), shape (3,), and rotation matrix, shape (3, 3), as a message."""
    pose = Pose(orientation=quaternion_message(rotation))
    pose.position.x, pose.position.y, pose.position.z = (float(value) for value in position_m)
    return pose


def transform_message(parent: str, child: str, position_m: Array, rotation: Array, stamp: Time) -> TransformStamped:
    """Return the transform from frame `child` to frame `parent`: position (m), shape (3,); rotation, shape (3, 3)."""
    message = TransformStamped(child_frame_id=child)
    message.header.stamp, message.header.frame_id = stamp, parent
    place = message.transform.translation
    place.x, place.y, place.z = (float(value) for value in position_m)
    message.transform.rotation = quaternion_message(rotation)
    return message
