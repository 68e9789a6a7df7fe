"""What the fingers of a gripper feel together, and what a controller does about it. No middleware, no clock."""
