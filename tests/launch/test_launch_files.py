from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import launch
import launch_pytest
import numpy as np
import pytest
from geometry_msgs.msg import WrenchStamped
from launch.actions import IncludeLaunchDescription, RegisterEventHandler
from launch.event_handlers import OnProcessExit
from launch.launch_description_sources import PythonLaunchDescriptionSource
from lifecycle_msgs.msg import State
from soft_tactile_msgs.msg import GraspState, PadEstimate, PressureCommand, ValveStatus

from devices.fake_device import Damage, Player, play
from devices.fake_ports import PtyPort
from graph.finger_driver import FingerDriver
from graph.graph_tools import ACTIVATE, ACTIVE, CONFIGURE, Graph, graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.recordings import Recording, save_recording
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.simulation.gripper import Gripper

ROOT = Path(__file__).resolve().parents[2]
CALIBRATION = ROOT / "config" / "calibrations" / "left_finger.yaml"
START_S = 120.0
"""Longest wait for a launched graph, compiling included."""

EXITS: dict[str, int] = {}
"""Exit code of each process of the launch under test."""


def launch_file(name: str, arguments: dict[str, str]) -> launch.LaunchDescription:
    """Return a shipped launch file with arguments; the exit code of each of its processes is kept."""
    EXITS.clear()

    def keep(event: Any, _context: Any) -> None:
        EXITS[event.process_name] = event.returncode

    source = PythonLaunchDescriptionSource(str(ROOT / "launch" / name))
    return launch.LaunchDescription([
        RegisterEventHandler(OnProcessExit(on_exit=keep)),
        IncludeLaunchDescription(source, launch_arguments=arguments.items()),
        launch_pytest.actions.ReadyToTest(),
    ])  # fmt: skip


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs."""
    warm_up(load_calibration(CALIBRATION))
    Gripper(rate_hz=250.0).step([0.0, 0.0])


@pytest.fixture
def live() -> Iterator[Graph]:
    """Give a graph of its own."""
    with graph() as made:
        yield made


def rest_recording() -> Recording:
    """Return four seconds of a simulated finger at rest."""
    gripper = Gripper(fingers=("finger",), seed=1, rate_hz=250.0)
    steps = [gripper.step([0.0]) for _ in range(1000)]
    return Recording(
        time_s=np.arange(len(steps)) / 250.0,
        pressure_pa=np.array([step.pressure_pa[0] for step in steps]),
        inductance_h=np.array([step.scans[0].inductance_h for step in steps]),
        temperature_c=np.array([step.scans[0].temperature_c for step in steps]),
    )


def all_ended_well(count: int) -> None:
    """Check that each launched process has ended with 0 after the shutdown."""
    assert len(EXITS) == count
    assert set(EXITS.values()) == {0}, EXITS


@launch_pytest.fixture
def one_finger() -> launch.LaunchDescription:
    """Launch one simulated finger under another name."""
    return launch_file("one_finger_simulated.launch.py", {"namespace": "thumb", "calibration": str(CALIBRATION)})


@pytest.mark.launch(fixture=one_finger)
def test_one_finger_simulated(live: Graph) -> Iterator[None]:
    """The simulated finger tares, bends on command, gives wrenches, and ends with 0."""
    live.wait(lambda: live.client.count_publishers("/thumb/pad_estimate"), "the sensor", START_S)
    estimates = live.listen(PadEstimate, "/thumb/pad_estimate", qos.reliable(100))
    wrenches = live.listen(WrenchStamped, "/thumb/wrench", qos.reliable(100))
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the tare", START_S)
    commands = live.client.create_publisher(PressureCommand, "/thumb/pressure_command", qos.reliable(10))

    def bent() -> bool:
        commands.publish(PressureCommand(owner="/client", pressure=15e3, lease=0.5))
        return bool(estimates[-1].pressure > 10e3)

    live.wait(bent, "pressure in the finger")
    live.wait(lambda: wrenches, "a wrench")
    assert wrenches[-1].header.frame_id == "thumb_pad"
    yield
    all_ended_well(1)


@launch_pytest.fixture
def two_fingers() -> launch.LaunchDescription:
    """Launch the simulated gripper for one pick."""
    return launch_file("two_finger_gripper_simulated.launch.py", {"object": "roll", "picks": "1"})


@pytest.mark.launch(fixture=two_fingers)
def test_two_finger_gripper_simulated(live: Graph) -> Iterator[None]:
    """The five nodes become active, the gripper holds the roll, and all end with 0."""
    live.wait(lambda: live.client.count_publishers("/sim/gripper/grasp_state"), "the monitor", START_S)
    grasps = live.listen(GraspState, "/sim/gripper/grasp_state", qos.reliable(50, latched=True))
    nodes = ("/sim/left_finger/tactile_sensor", "/sim/right_finger/tactile_sensor", "/sim/gripper/gripper_simulator",
             "/sim/gripper/grasp_monitor", "/sim/gripper/grasp_controller")  # fmt: skip
    for node in nodes:
        live.wait(lambda node=node: live.state(node) == ACTIVE, f"{node} active", START_S)
    live.wait(lambda: any(g.state == GraspState.HOLDING for g in grasps), "a held roll", START_S)
    yield
    all_ended_well(len(nodes))


@launch_pytest.fixture
def on_hardware(tmp_path: Path) -> launch.LaunchDescription:
    """Launch the sensor and a reader of a board that is not there yet."""
    arguments = {"namespace": "finger", "calibration": str(CALIBRATION), "serial_port": str(tmp_path / "board")}
    return launch_file("one_finger_hardware.launch.py", {**arguments, "separate_reader": "true"})


@pytest.mark.launch(fixture=on_hardware)
def test_one_finger_hardware(live: Graph, tmp_path: Path) -> Iterator[None]:
    """Reader and sensor become active without their board, give estimates once it is plugged in, and end with 0."""
    for node in ("/finger/coil_reader", "/finger/tactile_sensor"):
        live.wait(lambda node=node: _has_services(live, node), node, START_S)
        live.wait(lambda node=node: live.state(node) == ACTIVE, f"{node} active", START_S)
    estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    rest = rest_recording()
    port = PtyPort(tmp_path / "board")
    board = threading.Thread(target=play, args=(Player(rest, 250.0), port, Damage(0.0, 0.0), 4.0))
    board.start()
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the tare", START_S)
    board.join()
    port.close()
    yield
    all_ended_well(2)


@launch_pytest.fixture
def in_one_process() -> launch.LaunchDescription:
    """Launch the simulated gripper in a cell's namespace, in simulated time, both sensors in one process."""
    arguments = {"object": "roll", "picks": "1", "namespace": "cell_1", "one_process": "true", "time": "clock"}
    return launch_file("two_finger_gripper_simulated.launch.py", arguments)


@pytest.mark.launch(fixture=in_one_process)
def test_two_finger_gripper_in_a_cell(live: Graph) -> Iterator[None]:
    """In a namespace, with /clock and one process for both sensors, the gripper holds the roll, and all end with 0."""
    live.wait(lambda: live.client.count_publishers("/cell_1/gripper/grasp_state"), "the monitor", START_S)
    grasps = live.listen(GraspState, "/cell_1/gripper/grasp_state", qos.reliable(50, latched=True))
    for finger in ("left_finger", "right_finger"):
        live.wait(lambda f=finger: live.state(f"/cell_1/{f}/tactile_sensor") == ACTIVE, f"{finger} active", START_S)
    live.wait(lambda: any(g.state == GraspState.HOLDING for g in grasps), "a held roll", START_S)
    assert live.client.count_publishers("/clock") == 1
    assert grasps[-1].header.stamp.sec < 10_000, "a time of its own"
    yield
    all_ended_well(4)


@launch_pytest.fixture
def two_boards(tmp_path: Path) -> launch.LaunchDescription:
    """Launch a gripper on two boards that are not there yet, with the example controller."""
    ports = ",".join(str(tmp_path / finger) for finger in ("left", "right"))
    arguments = {"calibrations": f"{CALIBRATION},{CALIBRATION}", "serial_ports": ports, "controller": "true"}
    return launch_file("two_finger_gripper_hardware.launch.py", arguments)


@pytest.mark.launch(fixture=two_boards)
def test_two_finger_gripper_hardware(live: Graph, tmp_path: Path) -> Iterator[None]:
    """All nodes become active without boards; plugged in, each finger tares, the monitor hears both, all end with 0."""
    nodes = ("/left_finger/tactile_sensor", "/right_finger/tactile_sensor", "/gripper/grasp_monitor",
             "/gripper/grasp_controller")  # fmt: skip
    for node in nodes:
        live.wait(lambda node=node: _has_services(live, node), node, START_S)
        live.wait(lambda node=node: live.state(node) == ACTIVE, f"{node} active", START_S)
    fingers = ("left_finger", "right_finger")
    heard = {f: live.listen(PadEstimate, f"/{f}/pad_estimate", qos.reliable(500)) for f in fingers}
    grasps = live.listen(GraspState, "/gripper/grasp_state", qos.reliable(50, latched=True))
    rest = rest_recording()
    ports = [PtyPort(tmp_path / name) for name in ("left", "right")]
    boards = [threading.Thread(target=play, args=(Player(rest, 250.0), port, Damage(0.0, 0.0), 5.0)) for port in ports]
    for board in boards:
        board.start()
    free = PadEstimate.STATE_FREE
    live.wait(lambda: all(any(e.state == free for e in es) for es in heard.values()), "both tares", START_S)
    live.wait(lambda: all(math.isfinite(force) for force in grasps[-1].normal_force), "forces of both", START_S)
    for board, port in zip(boards, ports, strict=True):
        board.join()
        port.close()
    yield
    all_ended_well(len(nodes))


@launch_pytest.fixture
def three_fingers() -> launch.LaunchDescription:
    """Launch three fingers in one process, in a cell, on topics of somebody else's driver, to be managed."""
    arguments = {
        "fingers": "a,b,c", "calibrations": ",".join([str(CALIBRATION)] * 3), "source": "topic", "namespace": "cell_1",
        "one_process": "true", "autostart": "false",
    }  # fmt: skip
    return launch_file("two_finger_gripper_hardware.launch.py", arguments)


@pytest.mark.launch(fixture=three_fingers)
def test_three_fingers_in_one_process(live: Graph) -> Iterator[None]:
    """Three sensors of one process and the monitor of three wait for their manager, become active, and end with 0."""
    nodes = [*(f"/cell_1/{finger}/tactile_sensor" for finger in "abc"), "/cell_1/gripper/grasp_monitor"]
    for node in nodes:
        live.wait(lambda node=node: _has_services(live, node), node, START_S)
        assert live.state(node) == State.PRIMARY_STATE_UNCONFIGURED
        assert live.transition(node, CONFIGURE)
        assert live.transition(node, ACTIVATE)
    grasps = live.listen(GraspState, "/cell_1/gripper/grasp_state", qos.reliable(50, latched=True))
    live.wait(lambda: grasps, "a grasp state")
    assert list(grasps[-1].fingers) == ["a", "b", "c"]
    yield
    all_ended_well(2)


@launch_pytest.fixture
def replayed(tmp_path: Path) -> launch.LaunchDescription:
    """Launch the replay of a recording that is made here."""
    file = tmp_path / "rest.csv"
    save_recording(rest_recording(), file)
    arguments = {"recording": str(file), "calibration": str(CALIBRATION), "namespace": "thumb"}
    return launch_file("replay_recording.launch.py", arguments)


@pytest.mark.launch(fixture=replayed)
def test_replay_recording(live: Graph) -> Iterator[None]:
    """The recording goes through the sensor as if the finger were there, and the process ends with 0."""
    live.wait(lambda: live.client.count_publishers("/thumb/pad_estimate"), "the sensor", START_S)
    estimates = live.listen(PadEstimate, "/thumb/pad_estimate", qos.reliable(500))
    live.wait(lambda: any(e.state == PadEstimate.STATE_FREE for e in estimates), "the tare", START_S)
    yield
    all_ended_well(1)


@launch_pytest.fixture
def on_topics() -> launch.LaunchDescription:
    """Launch the sensor for somebody else's driver, to be managed."""
    arguments = {"namespace": "finger", "calibration": str(CALIBRATION), "autostart": "false"}
    return launch_file("sensor_on_topics.launch.py", arguments)


@pytest.mark.launch(fixture=on_topics)
def test_sensor_on_topics(live: Graph) -> Iterator[None]:
    """Without autostart the sensor waits for its manager, then follows a driver on real topics, and ends with 0."""
    node = "/finger/tactile_sensor"
    live.wait(lambda: _has_services(live, node), "the sensor", START_S)
    assert live.state(node) == State.PRIMARY_STATE_UNCONFIGURED
    assert live.transition(node, CONFIGURE)
    driver = FingerDriver(live)
    driver.estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    live.wait(lambda: driver.coils.get_subscription_count(), "the sensor on the topics")
    assert live.transition(node, ACTIVATE)
    driver.run(0.4, heard=False)
    live.wait(lambda: driver.estimates, "an estimate")
    yield
    all_ended_well(1)


@launch_pytest.fixture
def valve(tmp_path: Path) -> launch.LaunchDescription:
    """Launch the node of a valve that is not there yet."""
    return launch_file("valve.launch.py", {"namespace": "finger", "serial_port": str(tmp_path / "valve")})


@pytest.mark.launch(fixture=valve)
def test_valve(live: Graph) -> Iterator[None]:
    """The node becomes active without its valve, says that it is at fault, and ends with 0."""
    live.wait(lambda: live.client.count_publishers("/finger/valve_status"), "the node", START_S)
    statuses = live.listen(ValveStatus, "/finger/valve_status", qos.reliable(5, latched=True))
    live.wait(lambda: any("cannot be opened" in status.reason for status in statuses), "the fault")
    assert statuses[-1].state == ValveStatus.FAULT
    assert live.state("/finger/valve") == ACTIVE
    yield
    all_ended_well(1)


def _has_services(live: Graph, node: str) -> bool:
    return any(name == f"{node}/change_state" for name, _ in live.client.get_service_names_and_types())
