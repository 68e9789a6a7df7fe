"""A coil driver and a pressure sensor for tests: the simulated finger behind real topics, as fast as it goes."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import WrenchStamped
from rclpy.time import Time
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, ContactEvent, PadEstimate

from graph.graph_tools import Graph
from soft_tactile_node.ros.nodes.tactile_sensor import TactileSensor
from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.simulation.gripper import Gripper, GripperStep

CALIBRATIONS = Path(__file__).resolve().parents[2] / "config" / "calibrations"
LEFT, RIGHT = CALIBRATIONS / "left_finger.yaml", CALIBRATIONS / "right_finger.yaml"
ATMOSPHERIC_PA = 99000.0
SEED = 1
RATE_HZ = 250.0
CHUNK = 20
SLEW_PA_S = 20e3
"""How fast the command follows what is asked for, as a gripper controller would do it."""


class FingerDriver:
    """Publishes `/finger/coils` and `/finger/pressure` and hears what a sensor makes of them.

    Scans are stamped on a clock of their own that runs as fast as the sensor follows: nothing here waits for real time
    to pass, and nothing depends on how fast the machine is.
    """

    def __init__(self, live: Graph, thing: str = "none") -> None:
        self.live = live
        self.gripper = Gripper(fingers=("finger",), object=thing, seed=SEED, rate_hz=RATE_HZ)
        self.coils = live.client.create_publisher(CoilReadings, "/finger/coils", qos.sensor_data(500))
        self.pressure = live.client.create_publisher(FluidPressure, "/finger/pressure", qos.sensor_data(500))
        self.number = 0
        self.command_pa = 0.0
        self.start_ns = live.client.get_clock().now().nanoseconds
        self.gauge = False
        self.spoil: Callable[[np.ndarray], np.ndarray] = lambda inductance: inductance
        self.step: GripperStep | None = None
        self.estimates: list[PadEstimate] = []
        self.wrenches: list[WrenchStamped] = []
        self.events: list[ContactEvent] = []
        self.health: list[Any] = []

    def sensor(self, **parameters: object) -> TactileSensor:
        """Add a sensor on these topics, not started by itself."""
        given = {"autostart": False, "calibration": str(LEFT), "tare_file": "none", "coil_timeout": 10.0, **parameters}
        return self.live.add(TactileSensor, namespace="finger", parameters=given)

    def listen(self) -> None:
        """Hear everything the sensor publishes; to be called once it is configured."""
        self.estimates = self.live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
        self.wrenches = self.live.listen(WrenchStamped, "/finger/wrench", qos.reliable(500))
        self.events = self.live.listen(ContactEvent, "/finger/contact_events", qos.reliable(50))
        heard: list[DiagnosticArray] = self.live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
        self.health = heard
        matched = self.coils.get_subscription_count
        self.live.wait(lambda: matched() and self.pressure.get_subscription_count(), "sensor on the topics")
        sensor = self.live.nodes[0]
        publishers = [
            p for p in sensor.publishers if p.topic_name.endswith(("wrench", "pad_estimate", "contact_events"))
        ]
        self.live.wait(lambda: all(p.get_subscription_count() for p in publishers), "client on the topics")

    def status(self) -> Any:
        """Return the newest diagnostic status of the finger."""
        return self.health[-1].status[0]

    def run(self, duration_s: float, pressure_pa: float = 0.0, *, heard: bool = True) -> None:
        """Let the finger live for a while at a commanded pressure; `heard` waits for an estimate of each scan."""
        self.run_until(lambda: False, duration_s, pressure_pa, heard=heard, must=False)

    def run_until(
        self,
        condition: Callable[[], bool],
        limit_s: float,
        pressure_pa: float,
        *,
        heard: bool = True,
        must: bool = True,
    ) -> None:
        """Let the finger live until a condition holds, at most `limit_s` of its own time."""
        for _ in range(math.ceil(limit_s * RATE_HZ / CHUNK)):
            wanted = len(self.estimates) + CHUNK
            for _ in range(CHUNK):
                most_pa = SLEW_PA_S / RATE_HZ
                self.command_pa += min(max(pressure_pa - self.command_pa, -most_pa), most_pa)
                self._publish(self.gripper.step([self.command_pa]))
            if heard:
                self.live.wait(lambda wanted=wanted: len(self.estimates) >= wanted, "an estimate of each scan")
            else:
                self.live.run(0.05)
            if condition():
                return
        assert not must, f"did not happen within {limit_s:g} s of simulated time"

    def _publish(self, step: GripperStep) -> None:
        self.step = step
        stamp = Time(nanoseconds=self.start_ns + round(step.time_s * 1e9)).to_msg()
        if math.isfinite(step.pressure_pa[0]):
            atmospheric_pa = 0.0 if self.gauge else ATMOSPHERIC_PA
            self.pressure.publish(
                conversions.pressure_message(step.pressure_pa[0], atmospheric_pa, stamp, "finger_pad")
            )
        message = conversions.scan_to_message(step.scans[0], self.number, stamp, "finger_pad")
        message.inductance = conversions.doubles(self.spoil(np.array(message.inductance)))
        self.number += 1
        self.coils.publish(message)
