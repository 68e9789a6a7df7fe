"""A gripper on hardware: one sensor for each finger, the grasp monitor, and on request the example controller.

ros2 launch soft_tactile_node two_finger_gripper_hardware.launch.py calibrations:=/path/left.yaml,/path/right.yaml \
    serial_ports:=/dev/serial/by-id/usb-...left,/dev/serial/by-id/usb-...right

Two to six fingers: name them in `fingers`, for the monitor and the controller in the parameter file, too.
CAUTION: with controller:=true the gripper moves by itself. Read shared/docs/safety.md first.
"""

from launch import LaunchContext, LaunchDescription
from launch.actions import DeclareLaunchArgument, OpaqueFunction
from launch.substitutions import LaunchConfiguration, PathJoinSubstitution
from launch_ros.actions import Node
from launch_ros.substitutions import FindPackageShare

from soft_tactile_node.ros.parameters.finger_files import finger_file, join_namespace, split_names
from soft_tactile_node.ros.parameters.launch_arguments import check_arguments


def start(context: LaunchContext) -> list[Node]:
    """Return the nodes, now that the arguments are known."""

    def given(name: str) -> str:
        return LaunchConfiguration(name).perform(context)

    parent, parameters = given("namespace"), given("parameters")
    names = split_names(given("fingers"))
    fingers = [join_namespace(parent, name) for name in names]
    own = finger_file(
        fingers,
        {
            "calibration": split_names(given("calibrations")),
            "source": [given("source")] * len(fingers),
            "serial_port": split_names(given("serial_ports")),
            "udp_port": [int(port) for port in split_names(given("udp_ports"))],
        },
    )
    autostart = {"autostart": given("autostart").lower() == "true"}
    common = {"package": "soft_tactile_node", "output": "screen"}
    gripper = {**common, "namespace": join_namespace(parent, "gripper")}
    members = {"fingers": names}
    files = [parameters, own, autostart]
    if given("one_process").lower() == "true":
        nodes = [Node(executable="tactile_sensor", arguments=fingers, parameters=files, **common)]
    else:
        nodes = [
            Node(executable="tactile_sensor", name="tactile_sensor", namespace=f, parameters=files, **common)
            for f in fingers
        ]
    for node in ("grasp_monitor", "grasp_controller"):
        if node == "grasp_monitor" or given("controller").lower() == "true":
            nodes.append(Node(executable=node, name=node, parameters=[parameters, autostart, members], **gripper))
    return nodes


def generate_launch_description() -> LaunchDescription:
    share = FindPackageShare("soft_tactile_node")
    arguments = [
        DeclareLaunchArgument("calibrations", description="Calibration files (YAML), one a finger, with commas."),
        DeclareLaunchArgument(
            "fingers", default_value="left_finger,right_finger", description="Names of the fingers, with commas."
        ),
        DeclareLaunchArgument(
            "source",
            default_value="serial",
            description="How the boards are read: serial, udp, or topic = your driver.",
        ),
        DeclareLaunchArgument(
            "serial_ports",
            default_value="",
            description="Serial ports, one a finger, with commas, best by id (source serial).",
        ),
        DeclareLaunchArgument(
            "udp_ports", default_value="", description="UDP ports, one a finger, with commas (source udp)."
        ),
        DeclareLaunchArgument("namespace", default_value="", description="Put before every namespace, e.g. cell_1."),
        DeclareLaunchArgument("one_process", default_value="false", description="true = one process for all sensors."),
        DeclareLaunchArgument(
            "controller", default_value="false", description="true = the example controller commands pressure as well."
        ),
        DeclareLaunchArgument("autostart", default_value="true", description="false = wait for a lifecycle manager."),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "two_finger_gripper_hardware.yaml"]),
            description="Parameter file; each key is explained in it.",
        ),
    ]
    check_arguments(__file__, arguments)
    return LaunchDescription([*arguments, OpaqueFunction(function=start)])
