"""One simulated finger with its sensor, nothing else needed; press it by commanding pressure.

Its name begins with `sim` and its discovery stays on this machine, so that nothing of it is taken for a real finger.

ros2 launch soft_tactile_node one_finger_simulated.launch.py
ros2 topic pub -r 20 /sim/finger/pressure_command soft_tactile_msgs/msg/PressureCommand \
    "{owner: me, pressure: 30000.0, lease: 0.5}"
"""

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument, SetEnvironmentVariable
from launch.substitutions import EnvironmentVariable, LaunchConfiguration, PathJoinSubstitution
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue
from launch_ros.substitutions import FindPackageShare

from soft_tactile_node.ros.parameters.launch_arguments import check_arguments


def generate_launch_description() -> LaunchDescription:
    share = FindPackageShare("soft_tactile_node")
    arguments = [
        DeclareLaunchArgument("namespace", default_value="sim/finger", description="Namespace of the finger."),
        DeclareLaunchArgument(
            "object", default_value="bun", description="Object within reach: bun, roll, jar or none."
        ),
        DeclareLaunchArgument(
            "calibration",
            default_value=PathJoinSubstitution([share, "config", "calibrations", "left_finger.yaml"]),
            description="Calibration file (YAML) of the simulated finger.",
        ),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "one_finger_simulated.yaml"]),
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
                "calibration": ParameterValue(LaunchConfiguration("calibration"), value_type=str),
                "simulated_object": ParameterValue(LaunchConfiguration("object"), value_type=str),
            },
        ],
        output="screen",
    )
    here = EnvironmentVariable("ROS_AUTOMATIC_DISCOVERY_RANGE", default_value="LOCALHOST")
    stay_here = SetEnvironmentVariable("ROS_AUTOMATIC_DISCOVERY_RANGE", here)
    return LaunchDescription([*arguments, stay_here, sensor])
