"""For grasping code: `from soft_tactile_node.grasping import Hand`. Needs ROS 2.

A Hand moves the gripper: read shared/docs/safety.md before something real moves.
"""

from soft_tactile_node.errors import NoAnswerError, SensorLostError
from soft_tactile_node.ros.hand.finger_watch import FingerWatch
from soft_tactile_node.ros.hand.hand import Hand, Touch
from soft_tactile_node.ros.hand.hold import Hold, HoldResult
from soft_tactile_node.ros.running.awaiting import pause

__all__ = ["FingerWatch", "Hand", "Hold", "HoldResult", "NoAnswerError", "SensorLostError", "Touch", "pause"]
