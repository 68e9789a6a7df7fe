"""The simulated two-finger gripper of the bakery packing bench; it picks again and again.

Its names begin with `sim` and its discovery stays on this machine, so that it never commands a real finger.

ros2 launch soft_tactile_node two_finger_gripper_simulated.launch.py object:=jar
"""

from pathlib import Path

from launch import LaunchContext, LaunchDescription
from launch.actions import DeclareLaunchArgument, OpaqueFunction, SetEnvironmentVariable
from launch.substitutions import EnvironmentVariable, LaunchConfiguration, PathJoinSubstitution
from launch_ros.actions import Node
from launch_ros.substitutions import FindPackageShare

from soft_tactile_node.ros.parameters.finger_files import finger_file, join_namespace
from soft_tactile_node.ros.parameters.launch_arguments import check_arguments

FINGERS = ("left_finger", "right_finger")


def start(context: LaunchContext) -> list[Node]:
    """Return the nodes, now that the arguments are known."""

    def given(name: str) -> str:
        return LaunchConfiguration(name).perform(context)

    parent, parameters = given("namespace"), given("parameters")
    fingers = [join_namespace(parent, finger) for finger in FINGERS]
    own = finger_file(fingers, {"calibration": [given(f"{finger}_calibration") for finger in FINGERS]})
    own_time = given("time") != "system"
    follow = {"use_sim_time": own_time}
    common = {"package": "soft_tactile_node", "output": "screen"}
    gripper = {**common, "namespace": join_namespace(parent, "gripper")}
    simulator = {"object": given("object"), "time": given("time"), "speed": float(given("speed"))}
    if given("one_process").lower() == "true":
        sensors = [Node(executable="tactile_sensor", arguments=fingers, parameters=[parameters, own, follow], **common)]
    else:
        sensors = [
            Node(executable="tactile_sensor", name="tactile_sensor", namespace=f, parameters=[parameters, own, follow],
                 **common)
            for f in fingers
        ]  # fmt: skip
    picks = {"picks": int(given("picks"))}
    viewers = []
    if given("rviz").lower() == "true":
        here = Path(FindPackageShare("soft_tactile_node").perform(context), "config")
        model = {"robot_description": (here / "two_finger_gripper_simulated.urdf").read_text()}
        file = str(here / "two_finger_gripper_simulated.rviz")
        viewers = [
            Node(package="robot_state_publisher", executable="robot_state_publisher", namespace=parent,
                 parameters=[model, follow]),
            Node(package="rviz2", executable="rviz2", arguments=["-d", file], parameters=[follow]),
        ]  # fmt: skip
    return [
        Node(executable="gripper_simulator", name="gripper_simulator", parameters=[parameters, simulator], **gripper),
        *sensors,
        Node(executable="grasp_monitor", name="grasp_monitor", parameters=[parameters, follow], **gripper),
        Node(executable="grasp_controller", name="grasp_controller", parameters=[parameters, follow, picks], **gripper),
        *viewers,
    ]


def generate_launch_description() -> LaunchDescription:
    share = FindPackageShare("soft_tactile_node")
    arguments = [
        DeclareLaunchArgument("object", default_value="jar", description="Object on the tray: bun, roll, jar or none."),
        DeclareLaunchArgument("picks", default_value="-1", description="How many picks to do; -1 = without end."),
        DeclareLaunchArgument("namespace", default_value="sim", description="Put before every namespace, e.g. cell_1."),
        DeclareLaunchArgument("one_process", default_value="false", description="true = one process for both sensors."),
        DeclareLaunchArgument(
            "time", default_value="system", description="system, or clock = the simulator publishes /clock, all follow."
        ),
        DeclareLaunchArgument(
            "speed", default_value="1.0", description="Simulated seconds in one second (time clock)."
        ),
        DeclareLaunchArgument(
            "rviz",
            default_value="false",
            description="true = shows it in RViz (namespace sim); needs rviz2 and robot_state_publisher.",
        ),
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
    check_arguments(__file__, arguments)
    here = EnvironmentVariable("ROS_AUTOMATIC_DISCOVERY_RANGE", default_value="LOCALHOST")
    stay_here = SetEnvironmentVariable("ROS_AUTOMATIC_DISCOVERY_RANGE", here)
    return LaunchDescription([*arguments, stay_here, OpaqueFunction(function=start)])
