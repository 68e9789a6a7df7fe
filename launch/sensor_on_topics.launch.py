"""One tactile sensor beside your own coil driver and pressure sensor, which publish `coils` and `pressure`.

ros2 launch soft_tactile_node sensor_on_topics.launch.py namespace:=left_finger calibration:=/path/to/left_finger.yaml
The action `calibrate` moves the finger. Read shared/docs/safety.md first.
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
        DeclareLaunchArgument("calibration", description="Calibration file (YAML) of this finger."),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "sensor_on_topics.yaml"]),
            description="Parameter file; each key is explained in it.",
        ),
        DeclareLaunchArgument("autostart", default_value="true", description="false = wait for a lifecycle manager."),
        DeclareLaunchArgument("use_sim_time", default_value="false", description="Follow the topic /clock."),
    ]
    check_arguments(__file__, arguments)
    sensor = Node(
        package="soft_tactile_node",
        executable="tactile_sensor",
        name="tactile_sensor",
        namespace=LaunchConfiguration("namespace"),
        parameters=[
            LaunchConfiguration("parameters"),
            {
                "calibration": ParameterValue(LaunchConfiguration("calibration"), value_type=str),
                "autostart": ParameterValue(LaunchConfiguration("autostart"), value_type=bool),
                "use_sim_time": ParameterValue(LaunchConfiguration("use_sim_time"), value_type=bool),
            },
        ],
        output="screen",
    )
    return LaunchDescription([*arguments, sensor])
