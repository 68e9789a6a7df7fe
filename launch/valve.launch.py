"""The valve of one finger, on a serial port: it obeys one owner of `pressure_command` at a time.

ros2 launch soft_tactile_node valve.launch.py namespace:=left_finger serial_port:=/dev/serial/by-id/usb-...
CAUTION: it moves the finger. Read shared/docs/safety.md first.
"""

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument
from launch.substitutions import LaunchConfiguration, PathJoinSubstitution
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue
from launch_ros.substitutions import FindPackageShare

from soft_tactile_node.ros.parameters.launch_arguments import check_arguments


def generate_launch_description() -> LaunchDescription:
    share = FindPackageShare("soft_tactile_node")
    arguments = [
        DeclareLaunchArgument("namespace", default_value="finger", description="Namespace of the finger."),
        DeclareLaunchArgument(
            "serial_port",
            description="Serial port of the valve, best by id: /dev/serial/by-id/...; what it must speak: "
            "shared/docs/valve.md.",
        ),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "valve.yaml"]),
            description="Parameter file; each key is explained in it. Its max_pressure is the limit of this valve.",
        ),
        DeclareLaunchArgument("autostart", default_value="true", description="false = wait for a lifecycle manager."),
    ]
    check_arguments(__file__, arguments)
    valve = Node(
        package="soft_tactile_node",
        executable="valve",
        name="valve",
        namespace=LaunchConfiguration("namespace"),
        parameters=[
            LaunchConfiguration("parameters"),
            {
                "serial_port": ParameterValue(LaunchConfiguration("serial_port"), value_type=str),
                "autostart": ParameterValue(LaunchConfiguration("autostart"), value_type=bool),
            },
        ],
        output="screen",
    )
    return LaunchDescription([*arguments, valve])
