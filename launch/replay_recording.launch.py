"""A recording played at its own pace through the sensor of one finger, as if the finger were there.

ros2 launch soft_tactile_node replay_recording.launch.py recording:=/path/to/pick.csv calibration:=/path/to/finger.yaml
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
        DeclareLaunchArgument("recording", description="Recording to play (CSV or MCAP)."),
        DeclareLaunchArgument("calibration", description="Calibration file (YAML) of the finger that was recorded."),
        DeclareLaunchArgument("namespace", default_value="finger", description="Namespace of the finger."),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "replay_recording.yaml"]),
            description="Parameter file; each key is explained in it.",
        ),
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
                "source": "recording",
                "recording_file": ParameterValue(LaunchConfiguration("recording"), value_type=str),
                "calibration": ParameterValue(LaunchConfiguration("calibration"), value_type=str),
            },
        ],
        output="screen",
    )
    return LaunchDescription([*arguments, sensor])
