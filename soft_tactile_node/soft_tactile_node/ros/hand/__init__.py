"""Fingers and gripper as grasping code sees them: waits, touches, holds."""
