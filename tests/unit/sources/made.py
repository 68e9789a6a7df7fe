"""Frames for tests."""

from __future__ import annotations

import numpy as np

from soft_tactile_node.sources.frames import Frame


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
