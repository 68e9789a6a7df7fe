"""Parameters and words that several nodes share."""

from __future__ import annotations

from soft_tactile_node.ros.parameters.spec import ParameterSpec as P

NAN = float("nan")

AUTOSTART = P("autostart", "bool", True, "Configure and activate by itself; false = wait for a lifecycle manager.")
ATMOSPHERE = "Absolute pressure of the vented line"
