"""Frames for tests, and how to wait for them."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable

import numpy as np

from soft_tactile_node.sources import Reading, Source
from soft_tactile_node.sources.frames import Frame

WAIT_S = 20.0
"""Longest wait for anything; a busy machine is no failure."""


def single(*values: float) -> tuple[float, ...]:
    """Return values as single precision holds them."""
    return tuple(float(value) for value in np.float32(values))


def frame(scan: int, clock_us: int | None = None, channels: int = 4) -> Frame:
    """Return the frame of one scan; its values tell the scan."""
    return Frame(
        scan=scan % 2**32,
        clock_us=(1000 * scan if clock_us is None else clock_us) % 2**32,
        inductance_h=single(*(1e-5 * (k + 1) + 1e-9 * (scan % 1000) for k in range(channels))),
        pressure_pa=single(20e3 + scan % 100)[0],
        temperature_c=22.5,
    )


def read_until(reader: Source, condition: Callable[[list[Reading]], object]) -> list[Reading]:
    """Read until a condition holds for all that was read."""
    end_s = time.monotonic() + WAIT_S
    readings: list[Reading] = []
    while not condition(readings):
        assert time.monotonic() < end_s, f"not within {WAIT_S:g} s; {reader.fault}"
        readings += reader.read(0.05)
    return readings


def free_port() -> int:
    """Return a UDP port nobody uses."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
