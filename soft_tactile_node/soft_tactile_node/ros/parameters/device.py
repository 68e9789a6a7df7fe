"""Parameters of a device with coils: of the node that only reads it, and of a sensor that reads it by itself."""

from __future__ import annotations

from soft_tactile_node.ros.parameters.common import AUTOSTART
from soft_tactile_node.ros.parameters.spec import ParameterSpec as P
from soft_tactile_node.sources.naming import DEFAULT_BAUD

DEVICE = (
    P(
        "serial_port",
        "string",
        "",
        "Serial port of the device (source `serial`); best by id, /dev/serial/by-id/..., which stays when others come.",
    ),
    P(
        "serial_baud",
        "int",
        DEFAULT_BAUD,
        "Speed of the serial port in bits per second (source `serial`); USB devices take any.",
        low=50,
        high=20_000_000,
    ),
    P(
        "udp_address",
        "string",
        "0.0.0.0",  # noqa: S104 - the device is another machine; its frames cannot do anything but be read
        "Address of this machine to listen on (source `udp`); 0.0.0.0 = any.",
    ),
    P("udp_port", "int", 7700, "UDP port to listen on (source `udp`).", low=1, high=65535),
    P(
        "tank",
        "string",
        "",
        "Description of the LC tanks (YAML) for a device that sends raw counts; empty = it sends inductances.",
    ),
    P("recording_file", "string", "", "Recording to play at its own pace (source `recording`)."),
)

READER = (
    AUTOSTART,
    P(
        "source",
        "string",
        "serial",
        "Where scans come from: a serial port, UDP or a recording.",
        choices=("serial", "udp", "recording"),
    ),
    *DEVICE,
    P(
        "atmospheric_pressure",
        "double",
        101325.0,
        "Absolute pressure of the surroundings, added where the device sends gauge pressure.",
        "Pa",
        low=50e3,
        high=110e3,
    ),
    P("pad_frame", "string", "", "Frame of the pad, in the header of each scan; empty = <namespace>_pad."),
    P(
        "coil_timeout",
        "double",
        0.1,
        "Longest gap between scans before diagnostics say that the device is silent.",
        "s",
        low=0.005,
        high=10.0,
    ),
)
