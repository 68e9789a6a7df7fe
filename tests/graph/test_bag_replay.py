"""What was recorded of a running sensor gives offline what it gave online."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from mcap.writer import Writer
from numpy.testing import assert_array_equal
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, PadEstimate

from graph.finger_driver import LEFT, FingerDriver
from graph.graph_tools import ACTIVATE, CONFIGURE, Graph, graph
from soft_tactile_node.calibration.storage import load_calibration
from soft_tactile_node.commands.main import run
from soft_tactile_node.estimation.warming import warm_up
from soft_tactile_node.recordings import EstimateTable, load_estimate, load_events, load_recording
from soft_tactile_node.recordings.message_types import COILS, ESTIMATE, PRESSURE, definition
from soft_tactile_node.ros.wire import qos

NODE = "/finger/tactile_sensor"
RECORDED = {
    "/finger/coils": (CoilReadings, COILS, qos.sensor_data(500)),
    "/finger/pressure": (FluidPressure, PRESSURE, qos.sensor_data(500)),
    "/finger/pad_estimate": (PadEstimate, ESTIMATE, qos.reliable(500)),
}


@pytest.fixture
def live() -> Iterator[Graph]:
    """Give a graph of its own, everything compiled."""
    warm_up(load_calibration(LEFT))
    with graph() as made:
        yield made


class Recorder:
    """Writes serialized messages as they arrive, as `ros2 bag record -s mcap` does."""

    def __init__(self, live: Graph, path: Path) -> None:
        self._stream = path.open("wb")
        self._writer = Writer(self._stream)
        self._writer.start(profile="ros2", library="test")
        self._live = live
        for topic, (message, name, profile) in RECORDED.items():
            schema = self._writer.register_schema(name, "ros2msg", definition(name).encode())
            channel = self._writer.register_channel(topic, "cdr", schema)
            live.client.create_subscription(
                message, topic, lambda data, channel=channel: self._write(channel, bytes(data)), profile, raw=True
            )

    def _write(self, channel: int, data: bytes) -> None:
        now_ns = self._live.client.get_clock().now().nanoseconds
        self._writer.add_message(channel, now_ns, data, now_ns)

    def close(self) -> None:
        """Finish the file."""
        self._writer.finish()
        self._stream.close()


def record_presses(live: Graph, path: Path) -> FingerDriver:
    """Run a sensor on a simulated finger that touches a roll twice, with a recorder beside it."""
    driver = FingerDriver(live, "roll")
    driver.sensor()
    assert live.transition(NODE, CONFIGURE)
    recorder = Recorder(live, path)
    driver.listen()
    live.wait(lambda: driver.coils.get_subscription_count() >= 2, "recorder on the coils")
    live.wait(lambda: driver.pressure.get_subscription_count() >= 2, "recorder on the pressure")
    assert live.transition(NODE, ACTIVATE)
    for pressure_pa, duration_s in ((0.0, 2.0), (45e3, 4.0), (0.0, 4.0), (45e3, 4.0)):
        driver.run(duration_s, pressure_pa)
    recorder.close()
    return driver


def replayed(folder: Path, recording: Path) -> EstimateTable:
    """Return the estimate of the command line."""
    words = ["replay", str(recording), "--calibration", str(LEFT), "--out", str(folder / "est.csv")]
    assert run([*words, "--events", str(folder / "ev.csv")]) == 0
    return load_estimate(folder / "est.csv")


def test_the_offline_estimate_is_the_online_one(live: Graph, tmp_path: Path) -> None:
    """Every sample: time, force, variance, probability, contact and flags are those that the node published."""
    path = tmp_path / "bag_0.mcap"
    driver = record_presses(live, path)
    online, offline = load_estimate(path), replayed(tmp_path, path)
    assert load_recording(path).remarks == ()
    assert len(online) == len(driver.estimates) == len(offline)
    assert_array_equal(online.time_s, offline.time_s)
    assert_array_equal(online.force_n, offline.force_n)
    assert_array_equal(online.force_variance_n2, offline.force_variance_n2)
    assert_array_equal(online.contact_probability, offline.contact_probability)
    assert_array_equal(online.in_contact, offline.in_contact)
    assert_array_equal(online.flags, offline.flags)
    assert offline.in_contact.any()
    heard = [(event.kind, event.contact_id) for event in driver.events]
    assert heard == [(event.kind.number, event.contact_id) for event in load_events(tmp_path / "ev.csv")]
