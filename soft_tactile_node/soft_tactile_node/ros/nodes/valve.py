"""Node `valve`: the pressure of one finger, kept for one owner at a time by a valve that vents without a heartbeat.

It moves the finger: read shared/docs/safety.md before something real moves.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from soft_tactile_msgs.msg import PressureCommand, ValveStatus

from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.parameters.valve import VALVE
from soft_tactile_node.ros.running import process
from soft_tactile_node.ros.running.awaiting import REAL_TIME, real_s
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.running.valve_health import ValveHealth
from soft_tactile_node.ros.running.valve_side import ValveSide, limits_of
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.valves.protocol import ValveDriver
from soft_tactile_node.valves.serial_valve import SerialValve
from soft_tactile_node.valves.simulated import SimulatedValve

LEAST_HEARTBEATS = 3
"""So many heartbeats may be lost before a valve vents."""


class ValveNode(ManagedNode):
    """Valve of one finger as a lifecycle node; its interface: shared/docs/reference/topics.md."""

    def __init__(self, name: str = "valve", **options: Any) -> None:
        super().__init__(name, VALVE, **options)
        self._health = ValveHealth(self)
        self._driver: ValveDriver | None = None

    def configure(self) -> None:
        """Open the valve and create its topics."""
        period_s = 1.0 / self.setting("rate")
        if self.setting("heartbeat_timeout") < LEAST_HEARTBEATS * period_s:
            raise ParameterError(
                f"parameter 'heartbeat_timeout' must be >= {LEAST_HEARTBEATS * period_s:g} s with rate "
                f"{self.setting('rate'):g} Hz; got {self.setting('heartbeat_timeout'):g}"
            )
        self._driver = self._make_driver()
        status = self.publish_on(ValveStatus, "valve_status", qos.reliable(1, latched=True))
        limits = limits_of(self, real=self.setting("valve") != "simulated")
        clock = self.get_clock()
        self._side = ValveSide(self, self.short_namespace, limits, status, lambda: int(clock.now().nanoseconds))
        self.subscribe_to(PressureCommand, "pressure_command", self._on_command, qos.sensor_data(10))
        self._health.watch({self.short_namespace: self._side})
        self._beat = self.call_every(period_s, self._on_beat, running=False, clock=REAL_TIME)

    def _make_driver(self) -> ValveDriver:
        if self.setting("valve") == "simulated":
            return SimulatedValve()
        if not self.setting("serial_port"):
            raise ParameterError("parameter 'serial_port' must name a port with valve: serial; got ''")
        return SerialValve(
            self.setting("serial_port"), self.setting("serial_baud"), self.setting("heartbeat_timeout")
        )  # fmt: skip

    def activate(self) -> None:
        """Obey commands from now on, vented."""
        self._beat.reset()

    def deactivate(self) -> None:
        """Vent; the valve does so by itself as well, for want of heartbeats."""
        self._beat.cancel()
        if self._driver is not None:
            self._driver.close()

    def release(self) -> None:
        """Let go of the valve."""
        if self._driver is not None:
            self._driver.close()
        self._driver = None

    def parameters_changed(self, _names: Sequence[str]) -> None:
        """Take up new limits."""
        self._side.lease.limits = limits_of(self, real=self.setting("valve") != "simulated")

    def _on_command(self, message: PressureCommand) -> None:
        if self.active:
            self._side.on_command(message)

    def _on_beat(self) -> None:
        assert self._driver is not None  # made by configure
        self._driver.keep(self._side.opening_pa(), self.setting("max_pressure"), real_s())
        self._side.fault, self._side.measured_pa = self._driver.fault, self._driver.measured_pa


def main(args: Sequence[str] | None = None) -> int:
    """Run one valve, or one for each finger namespace named on the command line, in this process."""
    fingers = process.plain_arguments(args)
    if not fingers:
        return process.run([ValveNode], args)
    above, others = process.split_namespace(args)
    return process.run([partial(ValveNode, namespace=f"{above}/{finger.strip('/')}") for finger in fingers], others)


if __name__ == "__main__":
    raise SystemExit(main())
