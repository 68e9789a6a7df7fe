from __future__ import annotations

import math
import socket
import threading
from pathlib import Path

import numpy as np
import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, ContactEvent, PadEstimate

from devices.fake_device import Damage, Player, play
from devices.fake_ports import PtyPort, UdpPort
from graph.finger_driver import LEFT, SEED, SLEW_PA_S
from graph.graph_tools import ACTIVATE, CONFIGURE, DEACTIVATE, Graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.commands.main import run
from soft_tactile_node.errors import SourceError
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.recordings import Recording, save_recording
from soft_tactile_node.ros.feeds.topics import TopicSource
from soft_tactile_node.ros.nodes.coil_reader import CoilReader
from soft_tactile_node.ros.nodes.tactile_sensor import TactileSensor
from soft_tactile_node.ros.wire import qos
from soft_tactile_node.simulation.gripper import Gripper
from soft_tactile_node.sources.tank import Tank

RATE_HZ = 250.0
ATMOSPHERIC_PA = 99000.0
REST_S, PRESS_PA = 3.0, 45e3
SENSOR, READER = "/finger/tactile_sensor", "/finger/coil_reader"


@pytest.fixture(scope="module", autouse=True)
def _compiled() -> None:
    """Compile before the clock runs."""
    warm_up(load_calibration(LEFT))


@pytest.fixture(scope="module")
def picked() -> Recording:
    """Simulate a finger that rests for three seconds, then closes on a roll and holds it."""
    gripper = Gripper(fingers=("finger",), object="roll", seed=SEED, rate_hz=RATE_HZ)
    commands = [min(max(k / RATE_HZ - REST_S, 0.0) * SLEW_PA_S, PRESS_PA) for k in range(round(8.0 * RATE_HZ))]
    steps = [gripper.step([command]) for command in commands]
    return Recording(
        time_s=np.arange(len(steps)) / RATE_HZ,
        pressure_pa=np.array([step.pressure_pa[0] for step in steps]),
        inductance_h=np.array([step.scans[0].inductance_h for step in steps]),
        temperature_c=np.array([step.scans[0].temperature_c for step in steps]),
    )


class Board:
    """A device in a thread of this process, on a pseudo terminal or UDP; plays a recording once."""

    def __init__(self, port: PtyPort | UdpPort, recording: Recording, **options: float) -> None:
        self.port = port
        self._player = Player(recording, RATE_HZ, **options)
        self._thread: threading.Thread | None = None

    def play(self, seconds: float, *, lost: float = 0.0) -> None:
        """Send for a while, in real time; returns at once."""
        arguments = (self._player, self.port, Damage(0.0, lost), seconds)
        self._thread = threading.Thread(target=play, args=arguments)
        self._thread.start()

    def close(self) -> None:
        """Wait for the end of what is played and let go of the port."""
        if self._thread is not None:
            self._thread.join()
        self.port.close()


@pytest.fixture
def link(tmp_path: Path) -> Path:
    """Name the port of the board."""
    return tmp_path / "board"


def free_port() -> int:
    """Return a UDP port nobody uses."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def add_reader(live: Graph, **parameters: object) -> CoilReader:
    """Add a reader, not started by itself."""
    return live.add(CoilReader, namespace="finger", parameters={"autostart": False, **parameters})


def add_sensor(live: Graph, **parameters: object) -> TactileSensor:
    """Add a sensor, not started by itself; a busy machine may keep it waiting for a second."""
    given = {"autostart": False, "calibration": str(LEFT), "tare_file": "none", "coil_timeout": 1.0, **parameters}
    return live.add(TactileSensor, namespace="finger", parameters=given)


def start(live: Graph, node: str) -> None:
    """Configure and activate."""
    assert live.transition(node, CONFIGURE)
    assert live.transition(node, ACTIVATE)


def hear(live: Graph, message: type, topic: str) -> list:
    """Listen to a topic of the finger, best effort, with a match on both sides."""
    heard = live.listen(message, f"/finger/{topic}", qos.sensor_data(500))
    live.wait(lambda: live.client.count_subscribers(f"/finger/{topic}"), "subscription")
    return heard


@pytest.mark.parametrize("absolute", [True, False])
def test_reader_publishes_coils_and_absolute_pressure(
    live: Graph, link: Path, picked: Recording, absolute: bool
) -> None:
    """Scans leave as the board took them, stamped at its pace; pressure is absolute, whatever the board sends."""
    board = Board(PtyPort(link), picked, atmospheric_pa=ATMOSPHERIC_PA if absolute else None)
    add_reader(live, serial_port=str(link), atmospheric_pressure=98000.0)
    start(live, READER)
    coils, pressures = hear(live, CoilReadings, "coils"), hear(live, FluidPressure, "pressure")
    board.play(2.0)
    live.wait(lambda: len(coils) > 200 and pressures, "scans and pressure")
    board.close()
    # rows that were sent before anybody listened are not heard; from the first one on, all are those of the board
    scans, sent = np.array([one.scan for one in coils]), picked.inductance_h
    heard = np.array([one.inductance for one in coils])
    firsts = [row for row in range(100) if np.allclose(sent[row + scans - scans[0]], heard, rtol=1e-7, atol=0.0)]
    assert len(firsts) == 1
    stamps = np.array([one.header.stamp.sec + one.header.stamp.nanosec * 1e-9 for one in coils])
    assert np.median(np.diff(stamps)) == pytest.approx(1.0 / RATE_HZ, rel=0.01)
    assert {one.header.frame_id for one in (*coils, *pressures)} == {"finger_pad"}
    expected = (ATMOSPHERIC_PA if absolute else 98000.0) + np.nanmean(picked.pressure_pa[: round(RATE_HZ)])
    assert np.mean([one.fluid_pressure for one in pressures]) == pytest.approx(expected, abs=100.0)


def test_lost_scans_show_in_numbers_and_diagnostics(live: Graph, link: Path, picked: Recording) -> None:
    """A scan that never came is a gap in `scan`, and is counted in diagnostics."""
    board = Board(PtyPort(link), picked)
    add_reader(live, serial_port=str(link))
    start(live, READER)
    coils = hear(live, CoilReadings, "coils")
    health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    board.play(3.0, lost=0.05)
    live.wait(lambda: any(told(one, "lost") > 0 and one.status[0].level == DiagnosticStatus.OK for one in health), "it")
    board.close()
    assert max(np.diff([one.scan for one in coils])) >= 2
    assert newest(health).name == "finger/coil_reader: stream"


def newest(health: list) -> DiagnosticStatus:
    """Return the newest status, an empty one before the first."""
    return health[-1].status[0] if health else DiagnosticStatus()


def told(array: DiagnosticArray, key: str) -> int:
    """Return a count of a status, 0 where it is not told."""
    return next((int(value.value) for value in array.status[0].values if value.key == key), 0)


def test_reader_says_that_the_board_is_missing_and_waits(live: Graph, link: Path, picked: Recording) -> None:
    """Without its board the reader becomes active, says what is missing, and publishes as soon as it is plugged in."""
    add_reader(live, serial_port=str(link))
    health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    start(live, READER)
    live.wait(lambda: "is not there; ports of this machine" in newest(health).message, "the missing port")
    assert newest(health).level == DiagnosticStatus.ERROR
    coils = hear(live, CoilReadings, "coils")
    board = Board(PtyPort(link), picked)
    board.play(4.0)
    live.wait(lambda: len(coils) > 50, "scans")
    live.wait(lambda: newest(health).level == DiagnosticStatus.OK, "good health")
    board.close()


def test_a_board_that_cannot_be_understood(live: Graph, link: Path, picked: Recording) -> None:
    """Raw counts without a description of the tanks are a fault in words; another board on that port is read."""
    board = Board(PtyPort(link), picked, tank=Tank(reference_hz=50e6, divider=8000.0, capacitor_f=470e-12))
    add_reader(live, serial_port=str(link))
    start(live, READER)
    health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    board.play(2.0)
    live.wait(lambda: "sends raw counts: give the description" in newest(health).message, "the fault")
    assert newest(health).level == DiagnosticStatus.ERROR
    board.close()
    coils = hear(live, CoilReadings, "coils")
    other = Board(PtyPort(link), picked)
    other.play(3.0)
    live.wait(lambda: coils and newest(health).level == DiagnosticStatus.OK, "scans of the other board")
    other.close()


def test_sensor_on_a_port_feels_the_roll(live: Graph, link: Path, picked: Recording) -> None:
    """A sensor that reads its board by itself tares, finds the touch and gives the force the simulated pad feels."""
    board = Board(PtyPort(link), picked, atmospheric_pa=ATMOSPHERIC_PA)
    add_sensor(live, source="serial", serial_port=str(link))
    start(live, SENSOR)
    estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    events = live.listen(ContactEvent, "/finger/contact_events", qos.reliable(50))
    board.play(8.0)
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the tare")
    live.wait(lambda: [event.kind for event in events][:1] == [ContactEvent.CONTACT], "the touch")
    live.wait(lambda: estimates[-1].wrench.force.z > 0.3, "the force")
    assert estimates[-1].pressure > 10e3
    assert not estimates[-1].flags & PadEstimate.TIME_JUMP
    board.close()


def test_sensor_whose_board_is_unplugged(live: Graph, link: Path, picked: Recording) -> None:
    """Unplugged, the sensor says STALE and why, once; plugged in again it goes on without anybody's help."""
    port = PtyPort(link)
    board = Board(port, picked)
    add_sensor(live, source="serial", serial_port=str(link))
    start(live, SENSOR)
    estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    board.play(2.6)
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE, "the tare")
    board.close()  # takes the port away
    live.wait(lambda: estimates[-1].state == PadEstimate.STATE_STALE, "STALE")
    assert math.isnan(estimates[-1].wrench.force.z)
    live.wait(lambda: "plug the device in" in newest(health).message, "the reason")
    assert newest(health).level == DiagnosticStatus.ERROR
    heard = len(estimates)
    live.run(0.3)
    assert len(estimates) == heard
    again = Board(PtyPort(link), picked)
    again.play(2.6)
    live.wait(lambda: len(estimates) > heard + 50, "estimates again")
    live.wait(lambda: newest(health).level != DiagnosticStatus.ERROR, "health again")
    again.close()


def test_sensor_over_udp(live: Graph, picked: Recording) -> None:
    """A sensor that listens for datagrams tares on them, and publishes the raw coils beside its estimate."""
    number = free_port()
    board = Board(UdpPort("127.0.0.1", number), picked, atmospheric_pa=ATMOSPHERIC_PA)
    add_sensor(live, source="udp", udp_address="127.0.0.1", udp_port=number)
    start(live, SENSOR)
    estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    coils = hear(live, CoilReadings, "coils")
    board.play(2.6)
    live.wait(lambda: estimates and estimates[-1].state == PadEstimate.STATE_FREE and coils, "the tare")
    board.close()


def test_sensor_on_a_recording(live: Graph, picked: Recording, tmp_path: Path) -> None:
    """A recording is played at its own pace to its end, which diagnostics tell; activated again it starts again."""
    save_recording(picked.select_rows(slice(0, round(2.0 * RATE_HZ))), tmp_path / "rest.csv")
    add_sensor(live, source="recording", recording_file=str(tmp_path / "rest.csv"))
    assert live.transition(SENSOR, CONFIGURE)
    estimates = live.listen(PadEstimate, "/finger/pad_estimate", qos.reliable(500))
    health = live.listen(DiagnosticArray, "/diagnostics", qos.reliable(50))
    for _ in range(2):
        estimates.clear()
        assert live.transition(SENSOR, ACTIVATE)
        live.wait(lambda: "has come to its end" in newest(health).message, "the end")
        states = [one.state for one in estimates]
        assert states[0] == PadEstimate.STATE_TARING
        assert PadEstimate.STATE_FREE in states
        assert live.transition(SENSOR, DEACTIVATE)
        live.wait(lambda: newest(health).message == "not active", "inactive")


@pytest.mark.parametrize(
    ("parameters", "words"),
    [
        ({"source": "serial"}, "parameter 'serial_port' must name a port with source: serial; got ''"),
        ({"source": "serial", "serial_port": "x", "tank": "gone.yaml"}, "parameter 'tank': gone.yaml: cannot be read"),
        ({"source": "serial", "serial_port": "x", "use_sim_time": True}, "parameter 'use_sim_time' must be false"),
        ({"source": "udp", "udp_address": "192.0.2.1"}, "parameters 'udp_address' and 'udp_port': udp:192.0.2.1:7700"),
        ({"source": "recording"}, "parameter 'recording_file' must name a recording"),
        ({"source": "recording", "recording_file": "gone.csv"}, "parameter 'recording_file': gone.csv: cannot be read"),
        ({"source": "gramophone"}, "parameter 'source' must be"),
    ],
)
@pytest.mark.parametrize("add", [add_reader, add_sensor])
def test_configure_refuses_by_name(
    live: Graph, capfd: pytest.CaptureFixture[str], add: object, parameters: dict[str, object], words: str
) -> None:
    """What can be known to be wrong before a board is there is refused at configure, by the parameter's name."""
    node = add(live, **parameters)
    assert not live.transition(READER if add is add_reader else SENSOR, CONFIGURE)
    assert words in node.reason


def test_a_bench_tool_listens_to_topics(
    live: Graph, link: Path, picked: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`ros:/finger` records what the reader publishes: gauge pressure again, no scan lost."""
    process = live.start("coil_reader", "-r", "__ns:=/finger", "-p", f"serial_port:={link}")
    board = Board(PtyPort(link), picked, atmospheric_pa=ATMOSPHERIC_PA)
    live.wait(lambda: live.client.count_publishers("/finger/coils"), "the reader")
    board.play(6.0)
    code = run(["record", "--source", "ros:/finger", "--out", str(tmp_path / "r.csv"), "--duration", "2"])
    board.close()
    shown = capsys.readouterr()
    assert (code, shown.err) == (0, "")
    assert "4 channels, 0 scans lost" in shown.out
    header, *rows = (tmp_path / "r.csv").read_text().splitlines()
    assert header.startswith("time_s,pressure_pa,coil_1_h")
    assert len(rows) > 300
    assert live.stop(process)[0] == 0


def test_a_bench_tool_says_that_nobody_publishes(live: Graph, monkeypatch: pytest.MonkeyPatch) -> None:
    """A namespace where nobody publishes coils is refused, with the coil topics there are."""
    monkeypatch.setattr("soft_tactile_node.ros.feeds.topics.FIND_S", 1.0)
    live.client.create_publisher(CoilReadings, "/thumb/coils", qos.sensor_data())
    source = TopicSource("/finger")
    with pytest.raises(SourceError, match=r"nobody publishes /finger/coils; coil topics there are: /thumb/coils"):
        source.open()
    source.close()


def test_a_bench_tool_catches_up(live: Graph) -> None:
    """A tool that was busy takes all that waits at once, each scan with the pressure of its own time."""
    coils = live.client.create_publisher(CoilReadings, "/finger/coils", qos.sensor_data())
    pressures = live.client.create_publisher(FluidPressure, "/finger/pressure", qos.sensor_data())
    source = TopicSource("/finger")
    source.open()
    live.wait(lambda: coils.get_subscription_count() and pressures.get_subscription_count(), "the tool")
    count = 300
    for publisher, message, field in (
        (pressures, FluidPressure(), "fluid_pressure"),
        (coils, CoilReadings(inductance=[1e-6]), "scan"),
    ):
        for number in range(count):
            message.header.stamp.nanosec = number * 1_000_000
            setattr(message, field, type(getattr(message, field))(number))
            publisher.publish(message)
    took: list[list[float]] = []
    live.wait(lambda: took.append([r.pressure_pa for r in source.read(0.1)]) or sum(map(len, took)) == count, "scans")
    source.close()
    assert [pressure for part in took for pressure in part] == list(range(count))
    assert len(took) < 20  # one, unless DDS hands them over slowly
