"""Recordings as MCAP files that `ros2 bag play` plays: the topics a driver and a pressure sensor would publish."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from mcap.writer import CompressionType, Writer

from soft_tactile_node.recordings.live import Layout
from soft_tactile_node.recordings.mcap_files import KINDS
from soft_tactile_node.recordings.message_types import definition, type_store
from soft_tactile_node.recordings.part_file import PartFile
from soft_tactile_node.recordings.tables import Recording, Truth
from soft_tactile_node.samples import Array, Scan

STANDARD_ATMOSPHERE_PA = 101_325.0
"""Added to gauge pressure where the atmosphere was not measured (Pa); ISO 2533."""

NAMESPACE = "finger"
CHUNK_BYTES = 256 * 1024
"""A chunk is written when it is full: what a crash may cost (bytes)."""

_QOS = [{
    "history": "keep_last", "depth": 500, "reliability": "best_effort", "durability": "volatile",
    "deadline": {"sec": 9223372036, "nsec": 854775807}, "lifespan": {"sec": 9223372036, "nsec": 854775807},
    "liveliness": "automatic", "liveliness_lease_duration": {"sec": 9223372036, "nsec": 854775807},
    "avoid_ros_namespace_conventions": False,
}]  # fmt: skip


class McapWriter(PartFile):
    """Writes a recording as MCAP while it is made.

    Parameters
    ----------
    path : pathlib.Path
        The recording to make, ending in .mcap.

    Raises
    ------
    RecordingError
        The folder cannot be written to, or an unfinished recording of that name is there.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path, "it reads as it is once its name ends in .mcap; move or delete it", mode="xb")
        self._channels: dict[str, int] = {}
        self._sequence: dict[str, int] = {}
        self._atmospheric_pa = STANDARD_ATMOSPHERE_PA
        self._writer: Any = Writer(self._open_stream, chunk_size=CHUNK_BYTES, compression=CompressionType.ZSTD)
        self._guarded(lambda: self._writer.start(profile="ros2", library="soft_tactile_node"))

    def start(self, layout: Layout) -> None:
        """Say what the rows will hold: `layout`, whose atmospheric pressure is added to each reading."""
        if math.isfinite(layout.atmospheric_pa):
            self._atmospheric_pa = layout.atmospheric_pa

    def add(self, scan: Scan, pressure_pa: float) -> None:
        """Write `scan` and the `pressure_pa` (gauge Pa, NaN = no new) that came with it; RecordingError: disk full."""
        types = type_store().types
        if math.isfinite(pressure_pa):
            absolute_pa = pressure_pa + self._atmospheric_pa
            self.write("pressure", scan.time_s, fluid_pressure=absolute_pa, variance=0.0)
        if scan.acceleration_m_s2 is not None and np.isfinite(scan.acceleration_m_s2).all():
            x, y, z = (float(value) for value in scan.acceleration_m_s2)
            vector, quaternion = types["geometry_msgs/msg/Vector3"], types["geometry_msgs/msg/Quaternion"]
            unknown = np.array([-1.0, *[0.0] * 8])  # sensor_msgs/Imu: -1 first means not measured
            self.write(
                "base_motion", scan.time_s, orientation=quaternion(x=0.0, y=0.0, z=0.0, w=1.0),
                orientation_covariance=unknown, angular_velocity=vector(x=0.0, y=0.0, z=0.0),
                angular_velocity_covariance=unknown, linear_acceleration=vector(x=x, y=y, z=z),
                linear_acceleration_covariance=np.zeros(9),
            )  # fmt: skip
        self.write(
            "coils", scan.time_s, scan=self._sequence.get("coils", 0) % 2**32,
            inductance=np.array(scan.inductance_h, dtype=np.float64),
            loss=np.zeros(0) if scan.loss_ohm is None else np.array(scan.loss_ohm, dtype=np.float64),
            offset=np.zeros(0), temperature=float(scan.temperature_c),
        )  # fmt: skip

    def write(self, topic: str, time_s: float, **fields: Any) -> None:
        """Write one message.

        Parameters
        ----------
        topic : str
            Topic of a finger, relative to its namespace.
        time_s : float
            Its stamp (s).
        fields : object
            Its other fields by name.

        Raises
        ------
        RecordingError
            The disk is full, or the recording has ended.
        """
        store = type_store()
        sec = math.floor(time_s)
        nanosec = round((time_s - sec) * 1e9)
        sec, nanosec = sec + nanosec // 10**9, nanosec % 10**9
        stamp = store.types["builtin_interfaces/msg/Time"](sec=sec, nanosec=nanosec)
        header = store.types["std_msgs/msg/Header"](stamp=stamp, frame_id=f"{NAMESPACE}_pad")
        data = bytes(store.serialize_cdr(store.types[KINDS[topic]](header=header, **fields), KINDS[topic]))
        time_ns = max(sec * 10**9 + nanosec, 0)
        number = self._sequence.get(topic, 0)
        self._sequence[topic] = number + 1
        self._open_stream  # noqa: B018 - refuses messages after the end
        channel = self._channel(topic)
        self._guarded(
            lambda: self._writer.add_message(
                channel_id=channel, log_time=time_ns, data=data, publish_time=time_ns, sequence=number % 2**32
            )
        )
        self._written += 1

    def _end(self) -> None:
        """Write index and summary; a file that was cut short then reads like one that is whole."""
        self._writer.finish()

    def _channel(self, topic: str) -> int:
        """Return the number of a topic; the first time its type is written, as the recorder of ROS 2 does it."""
        if topic not in self._channels:
            name = KINDS[topic]
            schema = self._writer.register_schema(name, "ros2msg", definition(name).encode())
            metadata = {
                "offered_qos_profiles": yaml.safe_dump(_QOS, sort_keys=False),
                "topic_type_hash": type_store().hash_rihs01(name),
            }
            self._channels[topic] = self._writer.register_channel(f"/{NAMESPACE}/{topic}", "cdr", schema, metadata)
        return self._channels[topic]


def save_mcap_recording(recording: Recording, path: str | Path) -> None:
    """Write `recording` as topics to the MCAP file `path`, as `formats.save_recording` says."""
    writer = McapWriter(Path(path))
    try:
        for k in range(len(recording)):
            time_s = float(recording.time_s[k])
            if recording.force_n is not None and np.isfinite(recording.force_n[k]).any():
                writer.write("reference_wrench", time_s, wrench=_wrench(recording.force_n[k]))
            loss, acceleration = recording.loss_ohm, recording.acceleration_m_s2
            scan = Scan(
                time_s=time_s,
                inductance_h=recording.inductance_h[k],
                temperature_c=float(recording.temperature_c[k]),
                loss_ohm=None if loss is None else loss[k],
                acceleration_m_s2=None if acceleration is None else acceleration[k],
            )
            writer.add(scan, float(recording.pressure_pa[k]))
        writer.finish()
    finally:
        writer.abandon()


def save_mcap_truth(truth: Truth, path: str | Path) -> None:
    """Write `truth` as a topic to the MCAP file `path`, as `formats.save_truth` says."""
    writer = McapWriter(Path(path))
    try:
        for k in range(len(truth)):
            writer.write(
                "truth", float(truth.time_s[k]), wrench=_wrench(truth.force_n[k]), bend=float(truth.bend_rad[k]),
                in_contact=bool(truth.in_contact[k]), slip=bool(truth.slip[k]), object_height=math.nan,
                object_width=math.nan, object_dropped=False,
            )  # fmt: skip
        writer.finish()
    finally:
        writer.abandon()


def _wrench(force_n: Array) -> Any:
    types = type_store().types
    vector = types["geometry_msgs/msg/Vector3"]
    x, y, z = (float(value) for value in force_n)
    return types["geometry_msgs/msg/Wrench"](force=vector(x=x, y=y, z=z), torque=vector(x=0.0, y=0.0, z=0.0))
