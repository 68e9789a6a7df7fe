"""The owner's side of the pressure of a finger: takes the lease by commanding, gives it back, hears who has it."""

from __future__ import annotations

from typing import Any

from builtin_interfaces.msg import Time
from soft_tactile_msgs.msg import PressureCommand, ValveStatus

from soft_tactile_node.grasp.pressure_lease import NUMBERS
from soft_tactile_node.ros.running.managed_node import ManagedNode


class PressureOwner:
    """Commands the pressure of one finger and knows what its valve says about it.

    Parameters
    ----------
    node : ManagedNode
        Owner; its parameter `lease` says how long a command stands without another.
    publisher : rclpy.lifecycle.LifecyclePublisher
        Of the `pressure_command` of the finger; the node gives `hear` what comes on its `valve_status`.
    simulated : bool
        Whether the node belongs to a simulation.
    """

    def __init__(self, node: ManagedNode, publisher: Any, *, simulated: bool) -> None:
        self._publisher = publisher
        self._name = f"{node.get_namespace().rstrip('/')}/{node.get_name()}"
        self._simulated = simulated
        self._lease_s: float = node.setting("lease")
        self._number = 0
        self._first = 1
        self._has_lease = False
        self._status: ValveStatus | None = None

    @property
    def topic(self) -> str:
        """The topic of the commands, fully qualified."""
        return str(self._publisher.topic_name)

    @property
    def takers(self) -> int:
        """How many listen to the commands (1)."""
        return int(self._publisher.get_subscription_count())

    def hear(self, status: ValveStatus) -> None:
        """Take what the valve says."""
        self._status = status

    def command(self, gauge_pa: float, stamp: Time) -> None:
        """Command a pressure (gauge Pa); takes the lease, or renews it."""
        if not self._has_lease:
            self._has_lease, self._first = True, _after(self._number)
        self._send(gauge_pa, stamp, self._lease_s)

    def give_back(self, stamp: Time) -> None:
        """Vent and let somebody else command; nothing where this one has commanded nothing."""
        if self._has_lease:
            self._has_lease = False
            self._send(0.0, stamp, 0.0)

    def in_the_way(self) -> str:
        """Return what speaks against beginning to command, as one sentence; empty = nothing."""
        status = self._status
        if status is not None and status.owner not in ("", self._name):
            return f"{self.topic} is commanded by {status.owner}, too: stop that first"
        return self._fault()

    def trouble(self) -> str:
        """Return why the valve does not obey the present commands, as one sentence; empty = it does."""
        status = self._status
        if status is None or not self._has_lease:
            return ""
        of_these = (status.refused_sequence - self._first) % NUMBERS < NUMBERS // 2
        if status.refused == self._name and of_these and status.owner != self._name:
            return f"{self.topic} is refused: {status.reason}"
        return self._fault()

    def _fault(self) -> str:
        if self._status is None or self._status.state != ValveStatus.FAULT:
            return ""
        return f"the valve behind {self.topic} does not work: {self._status.reason}"

    def _send(self, gauge_pa: float, stamp: Time, lease_s: float) -> None:
        self._number = _after(self._number)
        message = PressureCommand(
            owner=self._name, simulated=self._simulated, sequence=self._number, pressure=float(gauge_pa), lease=lease_s
        )
        message.header.stamp = stamp
        self._publisher.publish(message)


def _after(number: int) -> int:
    """Return the running number that comes after another; 0 is none."""
    return number % (NUMBERS - 1) + 1
