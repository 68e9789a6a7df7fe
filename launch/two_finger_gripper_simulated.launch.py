"""The simulated two-finger gripper of the bakery packing bench, one process each; it picks again and again.

ros2 launch soft_tactile_node two_finger_gripper_simulated.launch.py object:=jar
"""

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument
from launch.substitutions import LaunchConfiguration, PathJoinSubstitution
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue
from launch_ros.substitutions import FindPackageShare

FINGERS = ("left_finger", "right_finger")


def generate_launch_description() -> LaunchDescription:
    share = FindPackageShare("soft_tactile_node")
    parameters = LaunchConfiguration("parameters")
    arguments = [
        DeclareLaunchArgument("object", default_value="jar", description="Object on the tray: bun, roll, jar or none."),
        DeclareLaunchArgument("picks", default_value="-1", description="How many picks to do; -1 = without end."),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "two_finger_gripper_simulated.yaml"]),
            description="Parameter file; each key is explained in it.",
        ),
        *(
            DeclareLaunchArgument(
                f"{finger}_calibration",
                default_value=PathJoinSubstitution([share, "config", "calibrations", f"{finger}.yaml"]),
                description=f"Calibration file (YAML) of {finger}.",
            )
            for finger in FINGERS
        ),
    ]
    simulator = Node(
        package="soft_tactile_node",
        executable="gripper_simulator",
        name="gripper_simulator",
        namespace="gripper",
        parameters=[parameters, {"object": ParameterValue(LaunchConfiguration("object"), value_type=str)}],
        output="screen",
    )
    sensors = [
        Node(
            package="soft_tactile_node",
            executable="tactile_sensor",
            name="tactile_sensor",
            namespace=finger,
            parameters=[
                parameters,
                {"calibration": ParameterValue(LaunchConfiguration(f"{finger}_calibration"), value_type=str)},
            ],
            output="screen",
        )
        for finger in FINGERS
    ]
    monitor = Node(
        package="soft_tactile_node",
        executable="grasp_monitor",
        name="grasp_monitor",
        namespace="gripper",
        parameters=[parameters],
        output="screen",
    )
    controller = Node(
        package="soft_tactile_node",
        executable="grasp_controller",
        name="grasp_controller",
        namespace="gripper",
        parameters=[parameters, {"picks": ParameterValue(LaunchConfiguration("picks"), value_type=int)}],
        output="screen",
    )
    return LaunchDescription([*arguments, simulator, *sensors, monitor, controller])
