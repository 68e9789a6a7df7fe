"""The ROS 2 layer: the only part of the package that imports rclpy or message packages."""
