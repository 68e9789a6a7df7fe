"""For grasping code: `from soft_tactile_node.grasping import Hand`. Needs ROS 2."""

from soft_tactile_node.errors import NoAnswerError, SensorLostError
from soft_tactile_node.ros.awaiting import pause
from soft_tactile_node.ros.finger_watch import FingerWatch
from soft_tactile_node.ros.hand import Hand, Touch
from soft_tactile_node.ros.hold import Hold, HoldResult

__all__ = ["FingerWatch", "Hand", "Hold", "HoldResult", "NoAnswerError", "SensorLostError", "Touch", "pause"]
