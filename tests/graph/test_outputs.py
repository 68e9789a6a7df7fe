"""Markers, pose and transform of one finger, as RViz takes them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from builtin_interfaces.msg import Time
from geometry_msgs.msg import PoseStamped, TransformStamped, WrenchStamped
from numpy.testing import assert_allclose
from rclpy.serialization import deserialize_message, serialize_message
from soft_tactile_msgs.msg import PadEstimate
from visualization_msgs.msg import Marker

from graph.test_conversions import estimate
from soft_tactile_node.ros.finger import outputs
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.wire import markers
from soft_tactile_node.samples import State

GEOMETRY = (0.08, 0.01)
FRAMES = markers.Frames("left_finger_pad", "left_finger_finger_root")


class Pane:
    """Stands in for tf2_msgs, which not every installation has: a message with the one field it needs."""

    def __init__(self, transforms: list[TransformStamped]) -> None:
        self.transforms = transforms


class FakePublisher:
    """Keeps what is published."""

    def __init__(self, kind: type) -> None:
        self.kind = kind
        self.sent: list[Any] = []
        self.listeners = 1

    def publish(self, message: Any) -> None:
        """Keep it as a listener gets it, from a message or its bytes."""
        data = message if isinstance(message, bytes | Pane) else serialize_message(message)
        self.sent.append(deserialize_message(data, self.kind) if isinstance(data, bytes) else data)

    def get_subscription_count(self) -> int:
        """Return how many listen."""
        return self.listeners


class FakeNode:
    """A node that only hands out publishers and settings."""

    short_namespace = "left_finger"

    def __init__(self, **settings: object) -> None:
        self.settings = {
            "pad_frame": "", "root_frame": "", "wrench_frame": "pad", "unobserved_force": "nan", "tf_rate": 50.0,
            "marker_rate": 20.0, "coil_timeout": 0.1, "estimate_rate": 0.0, **settings,
        }  # fmt: skip
        self.topics: dict[str, FakePublisher] = {}
        self.said: list[str] = []
        self.info = self.said.append

    def setting(self, name: str) -> object:
        """Return a setting."""
        return self.settings[name]

    def publish_on(self, message: type, topic: str, _profile: object) -> FakePublisher:
        """Hand out a publisher."""
        return self.topics.setdefault(topic, FakePublisher(message))

    def get_logger(self) -> FakeNode:
        """Take what is logged."""
        return self


def test_tf_goes_from_root_to_pad_at_most_50_times_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where tf2_msgs is there, /tf says where the pad is at its bend: the pose of pad_pose, at the rate allowed."""
    monkeypatch.setattr(outputs, "TFMessage", Pane)
    node = FakeNode()
    published = outputs.FingerOutputs(node, GEOMETRY, "1d")  # type: ignore[arg-type]
    for scan in range(1000):
        published.publish(estimate(time_s=scan / 1000.0, bend_rad=math.pi / 2), (), Time(sec=scan))
    sent = node.topics["/tf"].sent
    assert 49 <= len(sent) <= 51
    (transform,) = sent[0].transforms
    assert (transform.header.frame_id, transform.child_frame_id) == ("left_finger_finger_root", "left_finger_pad")
    # a quarter circle of length s has the radius 2 s / pi; the surface lies h outside of it (hand calculation)
    radius = 2.0 * GEOMETRY[0] / math.pi
    place = transform.transform.translation
    assert_allclose([place.x, place.y, place.z], [radius - GEOMETRY[1], 0.0, -radius], atol=1e-12)
    turn = transform.transform.rotation
    assert_allclose([turn.x, turn.y, turn.z, turn.w], [0.0, math.sqrt(0.5), 0.0, math.sqrt(0.5)], atol=1e-12)
    pose: PoseStamped = node.topics["pad_pose"].sent[0]
    assert pose.header.frame_id == "left_finger_finger_root"
    assert_allclose(pose.pose.position.z, place.z)
    assert len(node.topics["pad_pose"].sent) == 1000


def test_without_tf2_the_reason_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where tf2_msgs is missing there is no /tf, everything else goes on, and the log says why."""
    monkeypatch.setattr(outputs, "TFMessage", None)
    node = FakeNode()
    published = outputs.FingerOutputs(node, GEOMETRY, "1d")  # type: ignore[arg-type]
    published.publish(estimate(), (), Time())
    assert "/tf" not in node.topics
    assert node.said == ["no transform is published: tf2_msgs is not installed"]
    assert isinstance(node.topics["wrench"].sent[0], WrenchStamped)
    assert isinstance(node.topics["pad_estimate"].sent[0], PadEstimate)


def test_estimates_come_at_the_rate_allowed_and_at_once_on_a_change() -> None:
    """With an estimate_rate of 100 Hz one scan of ten has an estimate, and each that tells of a touch; all a wrench."""
    node = FakeNode(estimate_rate=100.0)
    published = outputs.FingerOutputs(node, None, "1d")  # type: ignore[arg-type]
    for scan in range(1000):
        touches = 500 <= scan < 503
        published.publish(
            estimate(time_s=scan / 1000.0, in_contact=touches, contact_id=int(scan >= 500)), (), Time(sec=scan)
        )
    sent = [message.header.stamp.sec for message in node.topics["pad_estimate"].sent]
    assert 99 <= len(sent) <= 103
    assert {500, 503} <= set(sent)
    assert len(node.topics["wrench"].sent) == 1000


def test_an_estimate_rate_must_keep_the_promised_gap() -> None:
    """A rate that would break the DEADLINE offered is refused by name."""
    with pytest.raises(ParameterError, match=r"'estimate_rate' must be 0 or >= 2 / coil_timeout = 20 Hz; got 15"):
        outputs.FingerOutputs(FakeNode(estimate_rate=15.0), None, "1d")  # type: ignore[arg-type]


def test_nothing_is_made_for_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a listener no estimate and no wrench is converted; with one of the two, that one is published."""
    node = FakeNode()
    published = outputs.FingerOutputs(node, None, "1d")  # type: ignore[arg-type]
    monkeypatch.setattr(outputs.conversions, "wrench_of", lambda *_: pytest.fail("converted for nobody"))
    node.topics["wrench"].listeners = node.topics["pad_estimate"].listeners = 0
    published.publish(estimate(), (), Time())
    assert not node.topics["wrench"].sent
    assert not node.topics["pad_estimate"].sent
    monkeypatch.undo()
    node.topics["wrench"].listeners = 1
    published.publish(estimate(), (), Time())
    assert len(node.topics["wrench"].sent) == 1
    assert not node.topics["pad_estimate"].sent


def test_nothing_of_an_estimate_is_left_in_the_next() -> None:
    """A stale estimate after a good one is all NaN, and a good one after it is whole, as if made alone."""
    node = FakeNode()
    published = outputs.FingerOutputs(node, None, "1d")  # type: ignore[arg-type]
    good = estimate()
    blind = estimate(
        force_n=np.full(3, math.nan), force_variance_n2=np.full(3, math.nan), in_contact=False, state=State.STALE,
    )  # fmt: skip
    for each in (good, blind, good):
        published.publish(each, (), Time(sec=1))
    first, nothing, last = node.topics["pad_estimate"].sent
    assert first == last
    assert math.isnan(nothing.wrench.force.z)
    assert not any(nothing.observed)
    assert_allclose(nothing.covariance.reshape(6, 6), -np.eye(6))
    assert node.topics["wrench"].sent[0] == node.topics["wrench"].sent[2]
    assert math.isnan(node.topics["wrench"].sent[1].wrench.torque.x)


def test_markers_show_arc_pad_force_and_touch() -> None:
    """With a geometry there are arc, pad, force arrow and touch, in the root frame, and they vanish by themselves."""
    shown = markers.finger_markers(estimate(bend_rad=0.4), GEOMETRY, FRAMES, Time(sec=3)).markers
    kinds = {marker.type: marker for marker in shown}
    assert set(kinds) == {Marker.CUBE, Marker.ARROW, Marker.SPHERE, Marker.LINE_STRIP}
    assert len({marker.id for marker in shown}) == 4
    for marker in shown:
        assert marker.header.frame_id == FRAMES.root
        assert marker.header.stamp.sec == 3
        assert marker.lifetime.sec + marker.lifetime.nanosec > 0
        assert marker.action == Marker.ADD
    arc, pad = kinds[Marker.LINE_STRIP], kinds[Marker.CUBE]
    assert_allclose([arc.points[0].x, arc.points[0].z], [0.0, 0.0], atol=1e-12)
    reach = math.dist((arc.points[-1].x, arc.points[-1].z), (pad.pose.position.x, pad.pose.position.z))
    assert_allclose(reach, GEOMETRY[1], rtol=1e-9)
    tail, head = kinds[Marker.ARROW].points
    force = np.array([head.x - tail.x, head.y - tail.y, head.z - tail.z]) / markers.ARROW_M_PER_N
    assert_allclose(np.linalg.norm(force), np.linalg.norm([0.1, -0.2, 3.0]), rtol=1e-9)
    assert head.z == pad.pose.position.z


def test_markers_of_a_free_or_silent_finger() -> None:
    """Without a touch the ball, without a force the arrow is taken away; without a bend all stays in the pad frame."""
    quiet = estimate(in_contact=False, force_n=np.full(3, math.nan), bend_rad=math.nan, state=State.STALE)
    shown = {marker.type: marker for marker in markers.finger_markers(quiet, GEOMETRY, FRAMES, Time()).markers}
    assert shown[Marker.SPHERE].action == shown[Marker.ARROW].action == Marker.DELETE
    assert Marker.LINE_STRIP not in shown
    assert shown[Marker.CUBE].header.frame_id == FRAMES.pad
