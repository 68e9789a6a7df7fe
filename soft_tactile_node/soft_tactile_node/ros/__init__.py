"""The ROS 2 layer: the only part of the package that imports rclpy or message packages."""

from soft_tactile_node.ros.one_installation import refuse_mixture

refuse_mixture()
