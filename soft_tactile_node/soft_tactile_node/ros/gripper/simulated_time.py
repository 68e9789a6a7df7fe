"""The time a simulator lives in: the system's, its own on /clock at some speed, or its own scan by scan on request."""

from __future__ import annotations

from collections.abc import Iterator

from rclpy.time import Time
from rosgraph_msgs.msg import Clock as ClockMessage

from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running.awaiting import REAL_TIME
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.simulation.pacing import Pacer

START_NS = 100_000_000_000
"""Where a time of one's own begins (ns): not at 0, which means "not known" in ROS."""


class SimulatedTime:
    """Says which scans are due and what time it is then.

    Parameters
    ----------
    node : ManagedNode
        The simulator; its parameters `time`, `speed` and `rate` choose.

    Raises
    ------
    ParameterError
        The node is told to follow /clock and to publish it.
    """

    def __init__(self, node: ManagedNode) -> None:
        self._node = node
        self.mode = str(node.setting("time"))
        self._rate_hz: float = node.setting("rate")
        self._scans = 0
        if self.is_own and node.get_parameter("use_sim_time").value:
            raise ParameterError(
                f"parameter 'use_sim_time' must be false with time: {self.mode}; got true: this node is the clock"
            )
        self._clock = node.publish_on(ClockMessage, "/clock", qos.reliable(10)) if self.is_own else None
        self.restart()

    @property
    def is_own(self) -> bool:
        """Whether the simulation has a time of its own."""
        return self.mode != "system"

    @property
    def now_ns(self) -> int:
        """Present time (ns): of the last scan where the simulation has its own."""
        if self.is_own:
            return START_NS + round(self._scans / self._rate_hz * 1e9)
        return int(self._node.get_clock().now().nanoseconds)

    @property
    def lost_s(self) -> float:
        """Time given up so far because the machine was too slow (s)."""
        return self._pacer.lost_s

    def restart(self) -> None:
        """Begin to pace afresh, with a new speed or after a pause; a time of one's own goes on where it was."""
        speed = self._node.setting("speed") if self.mode == "clock" else 1.0
        self._pacer = Pacer(self._rate_hz * speed)

    def due(self) -> Iterator[int]:
        """Yield the stamp of each scan that is due now (ns); a time of one's own moves on with each."""
        if not self.is_own:
            yield from self._pacer.due(self.now_ns)
            return
        for _ in self._pacer.due(int(REAL_TIME.now().nanoseconds)):
            yield self.advance()

    def advance(self) -> int:
        """Go on by one scan; returns its stamp (ns)."""
        self._scans += 1
        return self.now_ns

    def publish(self) -> None:
        """Tell the time to those who follow /clock."""
        if self._clock is not None:
            self._clock.publish(ClockMessage(clock=Time(nanoseconds=self.now_ns).to_msg()))
