"""One finger on hardware: its board on a serial port or UDP is read by the sensor itself, or by a node of its own.

ros2 launch soft_tactile_node one_finger_hardware.launch.py namespace:=left_finger \
    calibration:=/path/to/left_finger.yaml serial_port:=/dev/serial/by-id/usb-...

The action `calibrate` moves the finger. Read shared/docs/safety.md first.
"""

from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument
from launch.conditions import IfCondition, UnlessCondition
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
        DeclareLaunchArgument("source", default_value="serial", description="How the board is read: serial or udp."),
        DeclareLaunchArgument(
            "serial_port",
            default_value="",
            description="Serial port of the board, best by id: /dev/serial/by-id/... (source serial).",
        ),
        DeclareLaunchArgument("serial_baud", default_value="921600", description="Its speed in bits per second."),
        DeclareLaunchArgument(
            "udp_address",
            default_value="0.0.0.0",  # noqa: S104 - the board is another machine
            description="Address of this machine to listen on (source udp); 0.0.0.0 = any.",
        ),
        DeclareLaunchArgument("udp_port", default_value="7700", description="UDP port to listen on (source udp)."),
        DeclareLaunchArgument(
            "tank", default_value="", description="Description of the LC tanks (YAML) of a board that sends raw counts."
        ),
        DeclareLaunchArgument(
            "separate_reader",
            default_value="false",
            description="true = the node coil_reader reads the board, and the sensor takes its topics.",
        ),
        DeclareLaunchArgument(
            "parameters",
            default_value=PathJoinSubstitution([share, "config", "one_finger_hardware.yaml"]),
            description="Parameter file; each key is explained in it.",
        ),
        DeclareLaunchArgument("autostart", default_value="true", description="false = wait for a lifecycle manager."),
    ]
    check_arguments(__file__, arguments)
    autostart = {"autostart": ParameterValue(LaunchConfiguration("autostart"), value_type=bool)}
    calibration = {"calibration": ParameterValue(LaunchConfiguration("calibration"), value_type=str)}
    board = {
        "source": ParameterValue(LaunchConfiguration("source"), value_type=str),
        "serial_port": ParameterValue(LaunchConfiguration("serial_port"), value_type=str),
        "serial_baud": ParameterValue(LaunchConfiguration("serial_baud"), value_type=int),
        "udp_address": ParameterValue(LaunchConfiguration("udp_address"), value_type=str),
        "udp_port": ParameterValue(LaunchConfiguration("udp_port"), value_type=int),
        "tank": ParameterValue(LaunchConfiguration("tank"), value_type=str),
    }
    separate = LaunchConfiguration("separate_reader")
    common = {"namespace": LaunchConfiguration("namespace"), "package": "soft_tactile_node", "output": "screen"}
    file = LaunchConfiguration("parameters")
    return LaunchDescription([
        *arguments,
        Node(
            executable="tactile_sensor", name="tactile_sensor", condition=UnlessCondition(separate),
            parameters=[file, autostart, calibration, board], **common,
        ),
        Node(
            executable="coil_reader", name="coil_reader", condition=IfCondition(separate),
            parameters=[file, autostart, board], **common,
        ),
        Node(
            executable="tactile_sensor", name="tactile_sensor", condition=IfCondition(separate),
            parameters=[file, autostart, calibration, {"source": "topic"}], **common,
        ),
    ])  # fmt: skip
