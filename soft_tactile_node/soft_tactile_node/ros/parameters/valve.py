"""What the node of a valve can be told."""

from __future__ import annotations

from soft_tactile_node.ros.parameters.common import AUTOSTART, VALVE_SIDE
from soft_tactile_node.ros.parameters.spec import ParameterSpec as P

VALVE = (
    AUTOSTART,
    P(
        "valve",
        "serial",
        "What keeps the pressure: a valve on a serial port, or a simulated one, which moves nothing.",
        choices=("serial", "simulated"),
    ),
    P("serial_port", "", "Serial port of the valve; best by id, /dev/serial/by-id/..."),
    P("serial_baud", 115200, "Speed of the port in bits per second.", low=1200, high=4_000_000),
    *VALVE_SIDE,
    P("rate", 20.0, "Lines to the valve in a second, its heartbeat.", "Hz", low=5.0, high=200.0),
    P(
        "heartbeat_timeout",
        0.3,
        "The valve vents when it hears nothing for so long, and is at fault when it says nothing for so long; at least "
        "three heartbeats.",
        "s",
        low=0.05,
        high=10.0,
    ),
)
