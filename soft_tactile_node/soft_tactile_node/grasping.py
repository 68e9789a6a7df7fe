"""For grasping code: `from soft_tactile_node.grasping import Hand`. Needs ROS 2."""

from soft_tactile_node.errors import SensorLostError
from soft_tactile_node.ros.finger_watch import FingerWatch
from soft_tactile_node.ros.hand import Hand, Touch
from soft_tactile_node.ros.hold import Hold, HoldResult

__all__ = ["FingerWatch", "Hand", "Hold", "HoldResult", "SensorLostError", "Touch"]
