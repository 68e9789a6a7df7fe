"""The parts of the nodes of a gripper: action servers of the controller, time of the simulator."""
