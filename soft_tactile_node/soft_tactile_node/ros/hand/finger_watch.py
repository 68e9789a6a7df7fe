"""One finger as grasping code sees it: newest estimate, events, and whether its sensor is alive."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from rclpy.event_handler import SubscriptionEventCallbacks
from rclpy.node import Node
from soft_tactile_msgs.msg import ContactEvent, PadEstimate

from soft_tactile_node.ros.wire import qos
from soft_tactile_node.ros.wire.conversions import clock_s

READY_STATES = (PadEstimate.STATE_FREE, PadEstimate.STATE_CONTACT, PadEstimate.STATE_HELD_ELSEWHERE)
"""States in which an estimate tells forces."""


def _ignore(*_arguments: object) -> None:
    """Do nothing."""


class FingerWatch:
    """Follows one finger; asks for DEADLINE and LIVELINESS, so that a dead sensor is noticed without a message.

    A sensor is called lost when its node has died (LIVELINESS), when estimates stay away (DEADLINE; with simulated time
    the node's clock is asked instead, because DDS counts real time), or when it says itself that no scans arrive.

    Parameters
    ----------
    node : rclpy.node.Node
        Node that listens; any kind.
    namespace : str
        Namespace of the finger, fully qualified, or relative to the node's.
    deadline_s : float
        Longest gap between two estimates (s), at least the `coil_timeout` of the sensor.
    on_estimate : callable
        Takes each PadEstimate, after `estimate` and `lost` are up to date.
    on_event : callable
        Takes each ContactEvent.
    on_change : callable
        Called whenever the sensor is lost or comes back.
    qos_overrides : bool
        True = the standard `qos_overrides` parameters are declared on the node.
    """

    def __init__(
        self,
        node: Node,
        namespace: str,
        deadline_s: float = 0.3,
        *,
        on_estimate: Callable[[PadEstimate], None] = _ignore,
        on_event: Callable[[ContactEvent], None] = _ignore,
        on_change: Callable[[], None] = _ignore,
        qos_overrides: bool = False,
    ) -> None:
        self.name = namespace.rstrip("/").rsplit("/", 1)[-1]
        self.estimate: PadEstimate | None = None
        self.lost = "nothing heard yet"
        self._node = node
        self._deadline_s = deadline_s
        self._on_estimate, self._on_event, self._on_change = on_estimate, on_event, on_change
        self._heard_s = -math.inf
        callbacks = SubscriptionEventCallbacks(
            deadline=self._on_deadline, liveliness=self._on_liveliness, incompatible_qos=self._on_incompatible
        )
        overrides = qos.overridable() if qos_overrides else None
        self._subscriptions = [
            node.create_subscription(
                PadEstimate, f"{namespace}/pad_estimate", self._take_estimate, qos.estimate(deadline_s),
                event_callbacks=callbacks, qos_overriding_options=overrides,
            ),
            node.create_subscription(
                ContactEvent, f"{namespace}/contact_events", self._on_event, qos.reliable(50),
                qos_overriding_options=overrides,
            ),
        ]  # fmt: skip

    def close(self) -> None:
        """Listen no more."""
        while self._subscriptions:
            self._node.destroy_subscription(self._subscriptions.pop())

    @property
    def alive(self) -> bool:
        """Whether estimates arrive."""
        return not self.lost

    @property
    def ready(self) -> bool:
        """Whether estimates arrive and tell forces: the tare is done, the stream is good."""
        return self.alive and self.estimate is not None and self.estimate.state in READY_STATES

    @property
    def in_contact(self) -> bool:
        """Whether the pad touches, as far as is known."""
        return self.estimate is not None and bool(self.estimate.in_contact)

    @property
    def normal_n(self) -> float:
        """Newest normal force in the frame of the estimate (N); NaN = not observed, or the sensor is lost."""
        return math.nan if self.estimate is None or not self.alive else float(self.estimate.wrench.force.z)

    def check(self) -> bool:
        """Look at the node's clock, too; returns whether the sensor is alive."""
        silent_s = clock_s(self._node) - self._heard_s
        if not self.lost and silent_s > self._deadline_s:
            self._set_lost(f"no estimate for {silent_s:.2f} s")
        return self.alive

    def _take_estimate(self, message: PadEstimate) -> None:
        if message.state == PadEstimate.STATE_STALE:  # the word that nothing is known any more is no sign of life
            touches = self.in_contact
            self.estimate = message
            message.in_contact = bool(message.in_contact or touches)
            self._set_lost("its coils are silent")
        else:
            self.estimate = message
            self._heard_s = clock_s(self._node)
            self._set_lost("")
        self._on_estimate(message)

    def _on_deadline(self, _event: Any) -> None:
        if not self._node.get_clock().ros_time_is_active:
            self._set_lost(f"no estimate for {self._deadline_s:g} s", only_alive=True)

    def _on_liveliness(self, event: Any) -> None:
        if event.alive_count == 0:
            self._set_lost("its node has died")

    def _on_incompatible(self, _event: Any) -> None:
        if self.estimate is None:
            self._set_lost(
                f"its estimates do not promise a DEADLINE of {self._deadline_s:g} s: "
                "lower its coil_timeout, or wait longer"
            )

    def _set_lost(self, reason: str, *, only_alive: bool = False) -> None:
        """Take up the reason why the sensor is lost, "" = alive; a first reason is not overwritten by a deadline."""
        if reason == self.lost or (only_alive and self.lost):
            return
        was_alive, self.lost = self.alive, reason
        if was_alive != self.alive:
            self._on_change()
