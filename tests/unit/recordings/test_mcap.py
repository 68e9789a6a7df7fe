"""Recordings of topics: written as the recorder of ROS 2 writes them, read back whole, torn or hostile."""

from __future__ import annotations

import math
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from mcap.reader import make_reader
from mcap.writer import CompressionType, Writer
from mcap_ros2.decoder import DecoderFactory
from numpy.testing import assert_allclose, assert_array_equal
from rosbags.rosbag2 import Reader, StoragePlugin
from rosbags.rosbag2 import Writer as FolderWriter
from rosbags.rosbag2.metadata import parse_qos
from rosbags.typesys import Stores, get_types_from_msg, get_typestore

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.recordings import (
    Layout,
    Recording,
    load_events,
    load_recording,
    load_truth,
    open_recording_writer,
    save_recording,
    save_truth,
)
from soft_tactile_node.recordings.message_types import COILS, EVENT, PRESSURE, definition, type_store
from soft_tactile_node.samples import Scan
from soft_tactile_node.simulation import simulate


def make_recording(rows: int = 900, channels: int = 3) -> Recording:
    """Return a recording with everything a topic can carry, pressure and force on slower clocks."""
    rng = np.random.default_rng(3)
    time_s = 1.7e9 + np.arange(rows) * 0.004
    slow = np.arange(rows) % 3 == 0
    return Recording(
        time_s=time_s,
        pressure_pa=np.where(slow, np.where(np.arange(rows) < 300, 0.0, 2e4), np.nan),
        inductance_h=1e-5 * (1.0 + 0.01 * rng.normal(size=(rows, channels))),
        temperature_c=np.full(rows, 22.5),
        loss_ohm=1.0 + rng.uniform(size=(rows, channels)),
        acceleration_m_s2=rng.normal(size=(rows, 3)),
        force_n=np.where(slow[:, None], rng.normal(size=(rows, 3)), np.nan),
    )


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """Return a recording as MCAP."""
    path = tmp_path / "rec.mcap"
    save_recording(make_recording(), path)
    return path


def test_what_is_written_is_read_back(written: Path) -> None:
    """Every scan, reading, force and acceleration comes back at its row, pressure as gauge; stamps to a nanosecond."""
    want, found = make_recording(), load_recording(written)
    assert_allclose(found.time_s, want.time_s, atol=3e-7)  # spacing of floats at 1.7e9
    assert_array_equal(found.inductance_h, want.inductance_h)
    assert_array_equal(found.temperature_c, want.temperature_c)
    assert_allclose(found.pressure_pa, want.pressure_pa, atol=1e-9)
    for name in ("loss_ohm", "acceleration_m_s2", "force_n"):
        assert_array_equal(getattr(found, name), getattr(want, name))
    assert found.remarks == ()
    assert load_recording(written, reference=False).force_n is None


def test_other_libraries_read_it(written: Path) -> None:
    """Source: the general-purpose reader of MCAP with its ROS 2 decoder; profile, encodings, QoS as the recorder's."""
    want = make_recording()
    with written.open("rb") as stream:
        reader = make_reader(stream, decoder_factories=[DecoderFactory()])
        assert reader.get_header().profile == "ros2"
        summary = reader.get_summary()
        assert summary is not None
        channels = {channel.topic: channel for channel in summary.channels.values()}
        assert set(channels) == {f"/finger/{name}" for name in ("coils", "pressure", "reference_wrench", "base_motion")}
        coils = channels["/finger/coils"]
        schema = summary.schemas[coils.schema_id]
        assert (coils.message_encoding, schema.encoding, schema.name) == ("cdr", "ros2msg", COILS)
        (profile,) = yaml.safe_load(coils.metadata["offered_qos_profiles"])
        assert profile["reliability"] == "best_effort"
        assert coils.metadata["topic_type_hash"].startswith("RIHS01_")
        decoded = [message for _, _, _, message in reader.iter_decoded_messages(topics=["/finger/coils"])]
    assert len(decoded) == len(want)
    assert_array_equal([message.inductance for message in decoded], want.inductance_h)
    assert [message.scan for message in decoded] == list(range(len(want)))
    assert decoded[7].header.stamp.sec == 1_700_000_000


def test_a_bag_folder_is_read_by_a_ros_library_and_by_us(tmp_path: Path) -> None:
    """Source: the rosbags library writes a folder that is read here, and reads our file in a folder with metadata."""
    want = make_recording(60)
    ours = tmp_path / "rec.mcap"
    save_recording(want, ours)
    store = get_typestore(Stores.ROS2_JAZZY)
    text = (Path(__file__).parents[3] / "soft_tactile_msgs" / "msg" / "CoilReadings.msg").read_text()
    store.register(get_types_from_msg(text, COILS))
    folder = tmp_path / "bag"
    connections: dict[str, Any] = {}
    with FolderWriter(folder, version=9, storage_plugin=StoragePlugin.MCAP) as bag, ours.open("rb") as stream:
        for schema, channel, message in make_reader(stream).iter_messages():
            assert schema is not None
            if channel.topic not in connections:
                profiles = parse_qos(channel.metadata["offered_qos_profiles"])
                connections[channel.topic] = bag.add_connection(
                    channel.topic, schema.name, typestore=store, offered_qos_profiles=profiles
                )
            bag.write(connections[channel.topic], message.log_time, message.data)
    assert_array_equal(load_recording(folder).inductance_h, want.inductance_h)
    (piece,) = folder.glob("*.mcap")
    ours.replace(piece)
    with Reader(folder) as opened:
        raw = [data for connection, _, data in opened.messages() if connection.topic == "/finger/coils"]
    found = [store.deserialize_cdr(data, COILS).inductance for data in raw]  # type: ignore[attr-defined]
    assert_array_equal(found, want.inductance_h)


def test_simulated_truth_goes_through(tmp_path: Path) -> None:
    """The truth of a simulated finger comes back to the bit."""
    _, truth = simulate("light-touch", seed=1, rate_hz=100.0, duration_s=8.0)
    save_truth(truth, tmp_path / "truth.mcap")
    found = load_truth(tmp_path / "truth.mcap")
    assert_allclose(found.time_s, truth.time_s, atol=1e-9)
    for name in ("force_n", "bend_rad", "in_contact", "slip"):
        assert_array_equal(getattr(found, name), getattr(truth, name))


def test_live_recordings_take_the_ending(tmp_path: Path) -> None:
    """A recording made scan by scan is MCAP by its ending, and takes its name only once it is whole."""
    want = make_recording(50)
    assert want.loss_ohm is not None
    writer = open_recording_writer(tmp_path / "live.mcap")
    writer.start(Layout(channels=3, loss=True, atmospheric_pa=98_000.0))
    for k in range(50):
        writer.add(
            Scan(float(want.time_s[k]), want.inductance_h[k], 22.5, want.loss_ohm[k]), float(want.pressure_pa[k])
        )
    assert not (tmp_path / "live.mcap").exists()
    writer.finish()
    assert_array_equal(load_recording(tmp_path / "live.mcap").inductance_h, want.inductance_h)
    assert [path.name for path in tmp_path.iterdir()] == ["live.mcap"]
    with pytest.raises(RecordingError, match=r"must end in .csv or .mcap"):
        open_recording_writer(tmp_path / "live.db3")


STORE = type_store()


def serialized(type_name: str, time_ns: int, **fields: Any) -> bytes:
    """Return a message in CDR."""
    stamp = STORE.types["builtin_interfaces/msg/Time"](sec=time_ns // 10**9, nanosec=time_ns % 10**9)
    header = STORE.types["std_msgs/msg/Header"](stamp=stamp, frame_id="pad")
    return bytes(STORE.serialize_cdr(STORE.types[type_name](header=header, **fields), type_name))


def coils(time_ns: int, *inductance_h: float, **fields: Any) -> bytes:
    """Return a scan in CDR."""
    given = {"scan": 0, "loss": np.zeros(0), "offset": np.zeros(0), "temperature": math.nan, **fields}
    return serialized(COILS, time_ns, inductance=np.array(inductance_h), **given)


def pressure(time_ns: int, absolute_pa: float) -> bytes:
    """Return an absolute pressure in CDR."""
    return serialized(PRESSURE, time_ns, fluid_pressure=absolute_pa, variance=0.0)


def write_bag(
    path: Path,
    messages: list[tuple[str, str, bytes]],
    *,
    compression: CompressionType = CompressionType.NONE,
    chunk_size: int = 4000,
    change: Callable[[str], str] = lambda text: text,
    encoding: str = "ros2msg",
) -> Path:
    """Write (topic, type, CDR) in this order, as a recorder would."""
    with path.open("wb") as stream:
        writer = Writer(stream, chunk_size=chunk_size, compression=compression)
        writer.start(profile="ros2")
        channels: dict[str, int] = {}
        for number, (topic, type_name, data) in enumerate(messages):
            if topic not in channels:
                text = change(definition(type_name)).encode()
                channels[topic] = writer.register_channel(
                    topic, "cdr", writer.register_schema(type_name, encoding, text)
                )
            writer.add_message(channels[topic], number, data, number)
        writer.finish()
    return path


def make_scans(count: int = 300, topic: str = "/finger/coils") -> list[tuple[str, str, bytes]]:
    """Return scans of one channel whose inductance counts up."""
    return [(topic, COILS, coils(4_000_000 * k, 1e-5 + 1e-9 * k)) for k in range(count)]


def test_readings_enter_by_the_rule_of_the_node(tmp_path: Path) -> None:
    """A reading goes to the first scan after it arrived that is not older, once; gauge is against the tare."""
    ms = 1_000_000
    path = write_bag(
        tmp_path / "a.mcap",
        [
            ("/f/pressure", PRESSURE, pressure(0, 100_000.0)),
            ("/f/coils", COILS, coils(0, 1e-5)),
            ("/f/pressure", PRESSURE, pressure(500 * ms, 100_020.0)),
            ("/f/pressure", PRESSURE, pressure(501 * ms, math.nan)),
            ("/f/coils", COILS, coils(499 * ms, 1e-5)),
            ("/f/coils", COILS, coils(600 * ms, 1e-5)),
            ("/f/coils", COILS, coils(1000 * ms, 1e-5)),
            ("/f/coils", COILS, coils(1100 * ms, 1e-5)),
            ("/f/pressure", PRESSURE, pressure(1050 * ms, 130_000.0)),
            ("/f/pressure", PRESSURE, pressure(1060 * ms, 131_000.0)),
            ("/f/coils", COILS, coils(1200 * ms, 1e-5)),
        ],
    )
    found = load_recording(path)
    # during the tare against the first reading, afterwards against the mean 100010
    assert_array_equal(found.pressure_pa, [0.0, math.nan, 20.0, math.nan, math.nan, 30_990.0])
    assert found.loss_ohm is None
    assert found.force_n is None


def test_multiplexed_scans_stand_at_the_mean_time_of_their_channels(tmp_path: Path) -> None:
    """The offsets of the channels count, as in the node."""
    scan = coils(10**9, 1e-5, 2e-5, offset=np.array([0.0, 0.002]))
    found = load_recording(write_bag(tmp_path / "a.mcap", [("/f/coils", COILS, scan)]))
    assert_allclose(found.time_s, [1.001])


def test_several_fingers_are_told_apart_by_namespace(tmp_path: Path) -> None:
    """With several fingers the namespace must be given, with or without slashes; readings of the others stay out."""
    both = [
        ("/left/pressure", PRESSURE, pressure(0, 100_000.0)),
        ("/right/pressure", PRESSURE, pressure(0, 90_000.0)),
        ("/left/coils", COILS, coils(0, 1e-5)),
        ("/right/coils", COILS, coils(0, 2e-5)),
        ("/left/chatter", PRESSURE, pressure(0, 1.0)),
    ]
    path = write_bag(tmp_path / "a.mcap", both)
    with pytest.raises(RecordingError, match=r"several fingers \(/left, /right, ...\); say which with --namespace"):
        load_recording(path)
    assert_array_equal(load_recording(path, namespace="/right/").inductance_h, [[2e-5]])
    assert_array_equal(load_recording(path, namespace="left").inductance_h, [[1e-5]])
    with pytest.raises(RecordingError, match=r"has no topic /middle/coils .*topics: .*/left/coils"):
        load_recording(path, namespace="middle")


@pytest.mark.parametrize("compression", [CompressionType.NONE, CompressionType.ZSTD, CompressionType.LZ4])
def test_a_recording_cut_short_is_read_up_to_the_cut(tmp_path: Path, compression: CompressionType) -> None:
    """Cut anywhere, every scan up to the cut comes back in order, and the loss is said; nothing is made up."""
    whole = write_bag(tmp_path / "whole.mcap", make_scans(), compression=compression).read_bytes()
    everything = load_recording(tmp_path / "whole.mcap")
    assert everything.remarks == ()
    torn = tmp_path / "torn.mcap"
    kept = []
    for share in (0.25, 0.4, 0.55, 0.7):
        torn.write_bytes(whole[: int(share * len(whole))])
        found = load_recording(torn)
        assert_array_equal(found.inductance_h, everything.inductance_h[: len(found)])
        assert "torn.mcap ends in a torn record" in found.remarks[0]
        kept.append(len(found))
    assert kept == sorted(kept)
    assert kept[0] > 20
    summary = make_reader(BytesIO(whole)).get_summary()
    assert summary is not None
    chunk = summary.chunk_indexes[2]
    before = sum(m.log_time < chunk.message_start_time for _, _, m in make_reader(BytesIO(whole)).iter_messages())
    inside = chunk.message_end_time - chunk.message_start_time + 1
    torn.write_bytes(whole[: chunk.chunk_start_offset + chunk.chunk_length - 3])
    if compression is CompressionType.NONE:  # what is whole in the chunk that broke off counts as well
        assert len(load_recording(torn)) == before + inside - 1


def test_a_damaged_chunk_costs_only_itself(tmp_path: Path) -> None:
    """Bytes turned over in the middle of a compressed chunk: the rest is read, the damage is said."""
    path = write_bag(tmp_path / "a.mcap", make_scans(), compression=CompressionType.ZSTD)
    data = bytearray(path.read_bytes())
    frames = [k for k in range(len(data) - 4) if data[k : k + 4] == b"\x28\xb5\x2f\xfd"]
    place = frames[len(frames) // 2]
    data[place + 8 : place + 40] = bytes(32)
    path.write_bytes(data)
    found = load_recording(path)
    assert 100 < len(found) < 300
    assert "is damaged" in found.remarks[0]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"is no MCAP file"),
        (b"time_s,pressure_pa\n0,0\n", r"is no MCAP file"),
        (b"\x89MCAP0\r\n", r"has no topic <namespace>/coils .*topics: none"),
        (b"\x89MCAP0\r\n" + bytes(range(256)) * 20, r"has no topic <namespace>/coils"),
        (b"\x89MCAP0\r\n\x06" + b"\xff" * 40, r"has no topic <namespace>/coils .*torn record at byte 8"),
    ],
)
def test_garbage_is_refused_in_one_line(tmp_path: Path, content: bytes, message: str) -> None:
    """Files that are no MCAP, or only begin like one, are refused by name."""
    path = tmp_path / "a.mcap"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=message) as caught:
        load_recording(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def test_a_chunk_that_claims_too_much_is_not_believed(tmp_path: Path) -> None:
    """A few bytes that claim to unpack to petabytes are left out at once and said."""
    path = write_bag(tmp_path / "a.mcap", make_scans(), compression=CompressionType.ZSTD)
    data = bytearray(path.read_bytes())
    reader = make_reader(BytesIO(bytes(data)))
    summary = reader.get_summary()
    assert summary is not None
    start = summary.chunk_indexes[1].chunk_start_offset
    data[start + 9 + 16 : start + 9 + 24] = (1 << 50).to_bytes(8, "little")
    path.write_bytes(data)
    found = load_recording(path)
    assert 0 < len(found) < 300
    assert f"a chunk at byte {start} claims {1 << 50} bytes: left out" in found.remarks[0]


@pytest.mark.parametrize(
    ("messages", "message"),
    [
        ([("/f/coils", PRESSURE, pressure(0, 1e5))], r"topic /f/coils: must be of type soft_tactile_msgs/msg/CoilR"),
        ([("/f/pressure", PRESSURE, pressure(0, 1e5))], r"has no topic <namespace>/coils"),
        ([("/f/coils", COILS, coils(0))], r"message 1 \(/f/coils\): must be of 1 to 16 channels; got 0"),
        ([("/f/coils", COILS, coils(0, *[1e-5] * 17))], r"message 1 .* 1 to 16 channels; got 17"),
        ([("/f/coils", COILS, coils(0, 1.0, 2.0)), ("/f/coils", COILS, coils(1, 1.0))], r"message 2 .* 2, as before,"),
        ([("/f/coils", COILS, coils(0, 1.0, loss=np.ones(2)))], r"loss must be empty or of 1 channels"),
        ([("/f/coils", COILS, coils(0, 1.0)[:-9])], r"message 1 \(/f/coils\): is no soft_tactile_msgs"),
        ([("/f/coils", COILS, coils(0, 1.0)[:20] + b"\xff" * 20)], r"message 1 \(/f/coils\): is no soft_tactile_msgs"),
        ([("/f/coils", COILS, coils(0, 1.0)), ("/f/pressure", PRESSURE, pressure(0, 300.0))], r"looks like gauge"),
        ([("/f/coils", COILS, coils(0, 1.0)), ("/f/pressure", PRESSURE, pressure(0, 2e5))], r"finger vented"),
    ],
)  # fmt: skip
def test_wrong_content_is_named_with_its_place(
    tmp_path: Path, messages: list[tuple[str, str, bytes]], message: str
) -> None:
    """Wrong types, channel counts, damaged messages and gauge pressure: one line with file and message or topic."""
    path = write_bag(tmp_path / "a.mcap", messages)
    with pytest.raises(RecordingError, match=message) as caught:
        load_recording(path)
    assert str(caught.value).startswith(str(path))


def test_another_definition_is_refused(tmp_path: Path) -> None:
    """Messages of another version are not misread; comments and blanks may differ; other encodings are refused."""
    scans = make_scans(3)
    renamed = write_bag(
        tmp_path / "a.mcap", scans, change=lambda text: text.replace("float64 temperature", "float32 temperature")
    )
    with pytest.raises(RecordingError, match=r"topic /finger/coils: was recorded with another definition of"):
        load_recording(renamed)
    remarked = write_bag(
        tmp_path / "b.mcap", scans, change=lambda text: "# made by hand\n\n" + text.replace(" ", "   ")
    )
    assert len(load_recording(remarked)) == 3
    other = write_bag(tmp_path / "c.mcap", scans, encoding="ros2idl")
    with pytest.raises(RecordingError, match=r"must be in cdr with a ros2msg definition; got 'cdr' with 'ros2idl'"):
        load_recording(other)


def test_a_split_recording_is_one(tmp_path: Path) -> None:
    """The pieces of a folder are read in the order of their numbers, 2 before 10."""
    folder = tmp_path / "bag"
    folder.mkdir()
    scans = make_scans(30)
    for piece in range(3):
        write_bag(folder / f"bag_{(0, 2, 10)[piece]}.mcap", scans[10 * piece : 10 * piece + 10])
    assert_allclose(load_recording(folder).time_s, 0.004 * np.arange(30))
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(RecordingError, match=r"is a folder without .mcap files"):
        load_recording(empty)


def test_events_of_the_node_are_read(tmp_path: Path) -> None:
    """Events come back with kind, onset and force; a kind nobody knows is refused."""
    vector = STORE.types["geometry_msgs/msg/Vector3"]
    wrench = STORE.types["geometry_msgs/msg/Wrench"](vector(x=0.1, y=0.2, z=0.3), vector(x=0.0, y=0.0, z=0.0))

    def event(kind: int) -> bytes:
        onset = STORE.types["builtin_interfaces/msg/Time"](sec=1, nanosec=0)
        return serialized(
            EVENT, 2 * 10**9, kind=kind, contact_id=4, onset=onset, wrench=wrench, probability=0.9, bend_fraction=0.5,
            detail="",
        )  # fmt: skip

    path = write_bag(tmp_path / "a.mcap", [("/f/contact_events", EVENT, event(3))])
    (found,) = load_events(path)
    assert (found.time_s, found.onset_s, found.kind.value, found.contact_id) == (2.0, 1.0, "slip", 4)
    assert_array_equal(found.force_n, [0.1, 0.2, 0.3])
    path = write_bag(tmp_path / "b.mcap", [("/f/contact_events", EVENT, event(7))])
    with pytest.raises(RecordingError, match=r"must be of a known kind, 1 to 6; got 7"):
        load_events(path)
