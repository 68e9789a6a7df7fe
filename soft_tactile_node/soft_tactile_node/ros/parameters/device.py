"""Parameters of a device with coils: of the node that only reads it, and of a sensor that reads it by itself."""

from __future__ import annotations

from soft_tactile_node.registry import SOURCES
from soft_tactile_node.ros.parameters.common import AUTOSTART
from soft_tactile_node.ros.parameters.spec import ParameterSpec as P

KINDS = {name: kind for name, entry in SOURCES.items() if (kind := entry.load()).settings}
"""Kinds of sources that a node reads by itself."""


def _settings(of_devices: bool) -> tuple[P, ...]:
    kinds = [kind for kind in KINDS.values() if kind.is_device is of_devices]
    return tuple(P(**setting._asdict()) for kind in kinds for setting in kind.settings)


DEVICE = (
    *_settings(of_devices=True),
    P(
        "tank",
        "",
        "Description of the LC tanks (YAML) for a device that sends raw counts; empty = it sends inductances.",
    ),
    *_settings(of_devices=False),
)

READER = (
    AUTOSTART,
    P(
        "source",
        "serial",
        "Where scans come from: " + " or ".join(", ".join(SOURCES[name].words for name in KINDS).rsplit(", ", 1)) + ".",
        choices=tuple(KINDS),
    ),
    *DEVICE,
    P(
        "atmospheric_pressure",
        101325.0,
        "Absolute pressure of the surroundings, added where the device sends gauge pressure.",
        "Pa",
        low=50e3,
        high=110e3,
    ),
    P("pad_frame", "", "Frame of the pad, in the header of each scan; empty = <namespace>_pad."),
    P(
        "coil_timeout",
        0.1,
        "Longest gap between scans before diagnostics say that the device is silent.",
        "s",
        low=0.005,
        high=10.0,
    ),
)
