"""The simulated finger and gripper: stepped clock, seeded, no ROS; shares no model with the estimator."""

from soft_tactile_node.simulation.faults import Fault
from soft_tactile_node.simulation.gripper import Gripper, GripperStep, PadTruth
from soft_tactile_node.simulation.scenarios import simulate
from soft_tactile_node.words import SCENARIOS

__all__ = ["SCENARIOS", "Fault", "Gripper", "GripperStep", "PadTruth", "simulate"]
