"""Touch for soft pneumatic gripper fingers: separate bending from contact, on the bench and on a robot."""
