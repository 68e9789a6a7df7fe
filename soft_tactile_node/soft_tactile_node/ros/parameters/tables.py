"""What each node can be told: the tables behind the nodes, their checks and the documentation."""

from __future__ import annotations

from soft_tactile_node.ros.parameters.device import READER
from soft_tactile_node.ros.parameters.finger import SENSOR
from soft_tactile_node.ros.parameters.gripper import CONTROLLER, MONITOR, SIMULATOR
from soft_tactile_node.ros.parameters.valve import VALVE

NODES = {
    "tactile_sensor": SENSOR,
    "coil_reader": READER,
    "gripper_simulator": SIMULATOR,
    "grasp_monitor": MONITOR,
    "grasp_controller": CONTROLLER,
    "valve": VALVE,
}
"""Parameters of each node, by the name of the node."""
