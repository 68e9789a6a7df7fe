"""Recordings of topics (MCAP) in: coil stamps make the rows, readings enter by the sensor node's own rule."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from soft_tactile_node.errors import RecordingError
from soft_tactile_node.merging import PressureMerge, VentedReference
from soft_tactile_node.recordings.bag_messages import Bag, BagMessage
from soft_tactile_node.recordings.message_tables import NUMBERED, estimate_of, event_of, stamp_s, truth_of
from soft_tactile_node.recordings.message_types import COILS, ESTIMATE, EVENT, MOTION, PRESSURE, TRUTH, WRENCH
from soft_tactile_node.recordings.tables import EstimateTable, Recording, Truth
from soft_tactile_node.samples import MAX_CHANNELS, Array, ContactEvent

VENTED_PA = (50_000.0, 110_000.0)
"""Absolute pressures of a vented line on Earth (Pa)."""

KINDS = {
    "coils": COILS, "pressure": PRESSURE, "reference_wrench": WRENCH, "base_motion": MOTION, "truth": TRUTH,
    "pad_estimate": ESTIMATE, "contact_events": EVENT,
}  # fmt: skip
"""Topics of a finger, relative to its namespace, and their types."""


@dataclass
class _Rows:
    """Rows as they grow."""

    time_s: list[float] = field(default_factory=list)
    pressure_pa: list[float] = field(default_factory=list)
    inductance_h: list[Array] = field(default_factory=list)
    loss_ohm: list[Array | None] = field(default_factory=list)
    temperature_c: list[float] = field(default_factory=list)
    force_n: list[Array] = field(default_factory=list)
    acceleration_m_s2: list[Array] = field(default_factory=list)


class _Latest:
    """The newest reading up to a scan, each handed out once, as `PressureMerge` does it."""

    def __init__(self) -> None:
        self._merges = (PressureMerge(), PressureMerge(), PressureMerge())
        self.heard = False

    def add(self, time_s: float, vector: Any) -> None:
        self.heard = True
        for merge, value in zip(self._merges, (vector.x, vector.y, vector.z), strict=True):
            merge.add(time_s, float(value))

    def take(self, time_s: float) -> Array:
        return np.array([merge.take(time_s) for merge in self._merges])


def load_mcap_recording(
    path: str | Path, *, reference: bool = True, namespace: str | None = None, tare_s: float = 1.0
) -> Recording:
    """Read a recording of topics.

    Messages count in the order in which they were recorded. Absolute pressure becomes gauge against the vented line: as
    in the node, the first reading serves during the tare, the mean of its readings afterwards.

    Parameters
    ----------
    path : str or pathlib.Path
        MCAP file of `ros2 bag record -s mcap`, or the folder with it.
    reference : bool
        False leaves out `reference_wrench`.
    namespace : str or None
        Namespace of the finger; None = there is only one.
    tare_s : float
        Length of the tare (s).

    Returns
    -------
    Recording
        Times are the stamps (s); `remarks` say what of the file was damaged.

    Raises
    ------
    RecordingError
        No MCAP, no coils, several fingers, another definition of the messages, gauge pressure; with its place.
    """
    bag = Bag(path)
    rows = _Rows()
    pressure, vented = PressureMerge(), VentedReference()
    vented.begin()
    taring = True
    force, motion = _Latest(), _Latest()
    topics = ["coils", "pressure", "base_motion", *(["reference_wrench"] if reference else [])]
    for name, message in _read(bag, topics, "coils", namespace):
        data = message.data
        if name == "pressure":
            absolute_pa = float(data.fluid_pressure)
            if not math.isfinite(absolute_pa):
                continue
            if taring:
                _check_vented(absolute_pa, message)
                vented.add(absolute_pa)
            pressure.add(stamp_s(data.header.stamp), absolute_pa)
        elif name == "reference_wrench":
            force.add(stamp_s(data.header.stamp), data.wrench.force)
        elif name == "base_motion":
            motion.add(stamp_s(data.header.stamp), data.linear_acceleration)
        else:
            time_s = _add_scan(rows, message)
            rows.pressure_pa.append(pressure.take(time_s) - vented.value_pa)
            rows.force_n.append(force.take(time_s))
            rows.acceleration_m_s2.append(motion.take(time_s))
            if taring and time_s - rows.time_s[0] >= tare_s:
                taring = False
                vented.finish()
    if not rows.time_s:
        raise RecordingError(f"{bag.path}: holds no scan on its topic coils; record while the driver publishes")
    channels = rows.inductance_h[0].size
    loss = [np.full(channels, np.nan) if value is None else value for value in rows.loss_ohm]
    return Recording(
        time_s=np.array(rows.time_s),
        pressure_pa=np.array(rows.pressure_pa),
        inductance_h=np.array(rows.inductance_h),
        temperature_c=np.array(rows.temperature_c),
        loss_ohm=np.array(loss) if any(value is not None for value in rows.loss_ohm) else None,
        acceleration_m_s2=np.array(rows.acceleration_m_s2) if motion.heard else None,
        force_n=np.array(rows.force_n) if force.heard else None,
        source=bag.path.name,
        sha256=bag.sha256(),
        remarks=tuple(bag.remarks),
    )


def load_mcap_truth(path: str | Path, *, namespace: str | None = None) -> Truth:
    """As `formats.load_truth`: the topic `truth` of the MCAP `path`, of the finger in `namespace`."""
    found = [message.data for _, message in _read(Bag(path), ["truth"], "truth", namespace)]
    if not found:
        raise RecordingError(f"{path}: holds no message on its topic truth; record the simulator's")
    return truth_of(found)


def load_mcap_estimate(path: str | Path, *, namespace: str | None = None) -> EstimateTable:
    """As `formats.load_estimate`: `pad_estimate`, in the pad frame, of the MCAP `path`; finger in `namespace`."""
    found = [message.data for _, message in _read(Bag(path), ["pad_estimate"], "pad_estimate", namespace)]
    if not found:
        raise RecordingError(f"{path}: holds no message on its topic pad_estimate; record the sensor's")
    return estimate_of(found)


def load_mcap_events(path: str | Path, *, namespace: str | None = None) -> list[ContactEvent]:
    """As `formats.load_events`: the topic `contact_events` of the MCAP `path`, of the finger in `namespace`."""
    events = []
    for _, message in _read(Bag(path), ["contact_events"], "contact_events", namespace):
        if message.data.kind not in NUMBERED:
            raise RecordingError(
                f"{message.place}: must be of a known kind, 1 to {len(NUMBERED)}; got {message.data.kind}"
            )
        events.append(event_of(message.data))
    return events


def _read(bag: Bag, names: list[str], main: str, namespace: str | None) -> Iterator[tuple[str, BagMessage]]:
    """Yield the messages of one finger by the short names of their topics."""
    wanted = None if namespace is None else namespace.strip("/")
    heard: dict[str, str] = {}
    fingers: list[str] = []

    def is_wanted(topic: str, type_name: str) -> bool:
        heard[topic] = type_name
        where, _, name = topic.strip("/").rpartition("/")
        if name not in names or (wanted is not None and where != wanted):
            return False
        if type_name != KINDS[name]:
            raise RecordingError(f"{bag.path}, topic {topic}: must be of type {KINDS[name]}; got {type_name[:60]}")
        if name == main and where not in fingers:
            fingers.append(where)
            if len(fingers) > 1:
                told = ", ".join(f"/{finger}" for finger in fingers)
                raise RecordingError(f"{bag.path}: holds several fingers ({told}, ...); say which with --namespace")
        return True

    before: list[tuple[str, str, BagMessage]] = []
    for message in bag.messages(is_wanted):
        where, _, name = message.topic.strip("/").rpartition("/")
        if not fingers:  # readings may come before the first scan; whose they are is known then
            before.append((where, name, message))
            continue
        for earlier in [*before, (where, name, message)]:
            if earlier[0] == fingers[0]:
                yield earlier[1], earlier[2]
        before.clear()
    if not fingers:
        shown = ", ".join(sorted(heard)) or "none"
        shown = shown if len(shown) <= 200 else shown[:197] + "..."
        place = f"/{wanted}/{main}" if wanted else f"<namespace>/{main}"
        remark = f"; {'; '.join(bag.remarks)}" if bag.remarks else ""
        raise RecordingError(f"{bag.path}: has no topic {place} of type {KINDS[main]} (topics: {shown}){remark}")


def _add_scan(rows: _Rows, message: BagMessage) -> float:
    """Add a scan at the mean time of its channels and return that time (s)."""
    data = message.data
    inductance = np.array(data.inductance, dtype=np.float64)
    channels = rows.inductance_h[0].size if rows.inductance_h else inductance.size
    if not 1 <= inductance.size <= MAX_CHANNELS or inductance.size != channels:
        rule = f"1 to {MAX_CHANNELS}" if not rows.inductance_h else f"{channels}, as before,"
        raise RecordingError(f"{message.place}: must be of {rule} channels; got {inductance.size}; use one driver")
    for name in ("loss", "offset"):
        if len(getattr(data, name)) not in (0, channels):
            raise RecordingError(f"{message.place}: {name} must be empty or of {channels} channels; mend the driver")
    time_s = stamp_s(data.header.stamp)
    if len(data.offset):
        time_s += float(np.mean(data.offset))
    if not math.isfinite(time_s):
        raise RecordingError(f"{message.place}: offset must be finite; mend the driver")
    rows.time_s.append(time_s)
    rows.inductance_h.append(inductance)
    rows.loss_ohm.append(np.array(data.loss, dtype=np.float64) if len(data.loss) else None)
    rows.temperature_c.append(float(data.temperature))
    return time_s


def _check_vented(absolute_pa: float, message: BagMessage) -> None:
    low, high = VENTED_PA
    if absolute_pa < low:
        raise RecordingError(
            f"{message.place}: vented pressure must be absolute, >= {low:g} Pa; got {absolute_pa:g} Pa: looks like "
            "gauge pressure, which sensor_msgs/FluidPressure does not carry; record absolute pressure"
        )
    if absolute_pa > high:
        raise RecordingError(
            f"{message.place}: vented pressure must be <= {high:g} Pa absolute; got {absolute_pa:g} Pa; start the "
            "recording with the finger vented"
        )
