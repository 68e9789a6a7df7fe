"""The processes beside a node under load: what sends scans, what hears the answers, and a relay that computes nothing.

Scans are sent as prepared bytes, and of the answers nothing but the stamp is looked at, so that the node has the
machine to itself as far as possible.
"""

from __future__ import annotations

import argparse
import struct
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rclpy
from builtin_interfaces.msg import Time
from geometry_msgs.msg import WrenchStamped
from rclpy.experimental import EventsExecutor
from rclpy.serialization import serialize_message
from rclpy.task import Future
from sensor_msgs.msg import FluidPressure
from soft_tactile_msgs.msg import CoilReadings, PadEstimate

from soft_tactile_node.ros.wire import conversions, qos
from soft_tactile_node.samples import Scan

ATMOSPHERIC_PA = 99e3
REST_S = 2.5
"""Sent before anything is measured: the tare and its end."""

FIRST_RESULT_S = 120.0
LONG_S = 1e8  # told to spin without an end, the events executor of some builds delivers nothing
STAMP = struct.Struct("<iI")
STAMP_AT = 4


def names_of(count: int) -> list[str]:
    """Return the namespaces of the fingers."""
    return [f"finger_{k + 1}" for k in range(count)]


def feed(fingers: int, rate_hz: float, recording: Path, sent: Path) -> None:
    """Send coils and pressure of a recording in real time; say when the measured span begins and ends."""
    rclpy.init()
    node = rclpy.create_node("feed")
    coils = [node.create_publisher(CoilReadings, f"/{name}/coils", qos.sensor_data(500)) for name in names_of(fingers)]
    pressures = [
        node.create_publisher(FluidPressure, f"/{name}/pressure", qos.sensor_data()) for name in names_of(fingers)
    ]
    data = np.load(recording)
    scans = [
        bytearray(
            serialize_message(conversions.scan_to_message(Scan(0.0, inductance, temperature), k, Time(), "finger_pad"))
        )
        for k, (inductance, temperature) in enumerate(zip(data["inductance"], data["temperature"], strict=True))
    ]
    readings = [
        bytearray(serialize_message(conversions.pressure_message(value, ATMOSPHERIC_PA, Time(), "finger_pad")))
        if np.isfinite(value)
        else None
        for value in data["pressure"]
    ]
    await_matches([*coils, *pressures])
    rest = round(REST_S * rate_hz)
    stamps = np.zeros(len(scans), dtype=np.int64)
    begun = time.perf_counter()
    for k, (scan, reading) in enumerate(zip(scans, readings, strict=True)):
        if k == rest:
            print("begin", flush=True)
        late = begun + k / rate_hz - time.perf_counter()
        if late > 0.0:
            time.sleep(late)
        stamps[k] = time.time_ns()
        moment = STAMP.pack(*divmod(int(stamps[k]), 10**9))
        if reading is not None:
            reading[STAMP_AT : STAMP_AT + STAMP.size] = moment
            for publisher in pressures:
                publisher.publish(bytes(reading))
        scan[STAMP_AT : STAMP_AT + STAMP.size] = moment
        for publisher in coils:
            publisher.publish(bytes(scan))
    print("end", flush=True)
    np.save(sent, stamps[rest:])
    sys.stdin.read()


def await_matches(publishers: Sequence[Any]) -> None:
    """Wait until somebody listens to each of them."""
    end = time.monotonic() + FIRST_RESULT_S
    while not all(publisher.get_subscription_count() for publisher in publishers):
        if time.monotonic() > end:
            raise SystemExit("nobody listens to the scans")
        time.sleep(0.02)


def relay(fingers: int, every: int) -> None:
    """Publish a prepared wrench for each scan and an estimate for each `every`-th; everything else is left out."""
    rclpy.init()
    executor = EventsExecutor()

    def join(name: str) -> None:
        node = rclpy.create_node("relay", namespace=name)
        estimate, wrench = PadEstimate(), WrenchStamped()
        for message in (estimate, wrench):
            message.header.frame_id = f"{name}_pad"
        estimates = node.create_publisher(PadEstimate, "pad_estimate", qos.estimate(0.5))
        wrenches = node.create_publisher(WrenchStamped, "wrench", qos.estimate())

        def answer(scan: Any) -> None:
            estimate.header.stamp = wrench.header.stamp = scan.header.stamp
            wrenches.publish(wrench)
            if scan.scan % every == 0:
                estimates.publish(estimate)

        node.create_subscription(CoilReadings, "coils", answer, qos.sensor_data(500))
        node.create_subscription(FluidPressure, "pressure", lambda _: None, qos.sensor_data())
        executor.add_node(node)

    for name in names_of(fingers):
        join(name)
    executor.spin_until_future_complete(Future(), LONG_S)


def listen(fingers: int, heard: Path) -> None:
    """Keep for each finger which scans were answered, and when their wrench came."""
    rclpy.init()
    node = rclpy.create_node("listen")
    estimates: list[list[bytes]] = [[] for _ in range(fingers)]
    wrenches: list[list[tuple[bytes, int]]] = [[] for _ in range(fingers)]

    def hear(k: int, name: str) -> None:
        def on_estimate(data: bytes) -> None:
            estimates[k].append(data[STAMP_AT : STAMP_AT + STAMP.size])

        def on_wrench(data: bytes) -> None:
            wrenches[k].append((data[STAMP_AT : STAMP_AT + STAMP.size], time.time_ns()))

        node.create_subscription(PadEstimate, f"/{name}/pad_estimate", on_estimate, qos.reliable(1000), raw=True)
        node.create_subscription(WrenchStamped, f"/{name}/wrench", on_wrench, qos.reliable(1000), raw=True)

    for k, name in enumerate(names_of(fingers)):
        hear(k, name)
    executor = EventsExecutor()
    executor.add_node(node)
    finished: Any = Future()

    def await_end() -> None:
        sys.stdin.read()
        finished.set_result(None)
        executor.wake()

    threading.Thread(target=await_end, daemon=True).start()
    executor.spin_until_future_complete(finished, LONG_S)

    def to_ns(stamp: bytes) -> int:
        seconds, nanoseconds = STAMP.unpack(stamp)
        return int(seconds) * 10**9 + int(nanoseconds)

    np.savez(
        heard,
        **{
            f"estimates_{k}": np.array([to_ns(stamp) for stamp in estimates[k]], dtype=np.int64) for k in range(fingers)
        },
        **{
            f"wrenches_{k}": np.array([(to_ns(stamp), at) for stamp, at in wrenches[k]], dtype=np.int64).reshape(-1, 2)
            for k in range(fingers)
        },
    )


def main() -> None:
    """Be one of the processes."""
    parser = argparse.ArgumentParser()
    parser.add_argument("role", choices=("relay", "listen", "feed"))
    parser.add_argument("--fingers", type=int)
    parser.add_argument("--rate", type=float)
    parser.add_argument("--every", type=int)
    parser.add_argument("--recording", type=Path)
    parser.add_argument("--file", type=Path)
    options = parser.parse_args()
    if options.role == "relay":
        relay(options.fingers, options.every)
    elif options.role == "listen":
        listen(options.fingers, options.file)
    else:
        feed(options.fingers, options.rate, options.recording, options.file)


if __name__ == "__main__":
    main()
