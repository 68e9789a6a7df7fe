"""Parameters and words that several nodes share."""

from __future__ import annotations

from soft_tactile_node.ros.parameters.spec import ParameterSpec as P

NAN = float("nan")

AUTOSTART = P("autostart", True, "Configure and activate by itself; false = wait for a lifecycle manager.")
ATMOSPHERE = "Absolute pressure of the vented line"

COMMANDING = (
    P(
        "lease",
        0.5,
        "How long each pressure command stands without another; a valve cuts it to its `command_timeout`.",
        "s",
        low=0.05,
        high=60.0,
    ),
    P(
        "simulated",
        False,
        "Whether this node belongs to a simulation, as it does with `use_sim_time`: a real valve refuses its commands.",
    ),
)
"""Of the nodes that command pressure."""

VALVE_SIDE = (
    P(
        "command_timeout",
        0.5,
        "Longest time that a pressure command stands without another; then the valve acts by itself.",
        "s",
        low=0.05,
        high=60.0,
        dynamic=True,
    ),
    P(
        "on_command_timeout",
        "vent",
        "What the valve does when the lease of its owner has ended: vents, or holds the last pressure.",
        choices=("vent", "hold"),
        dynamic=True,
    ),
    P(
        "max_pressure",
        60e3,
        "Gauge pressure above which a command is refused.",
        "Pa",
        low=1e3,
        high=200e3,
        dynamic=True,
    ),
)
"""Of the nodes that take pressure commands."""
