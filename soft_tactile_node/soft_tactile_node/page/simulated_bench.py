"""The simulated bench behind the page: the finger of a simulated source below a stage that does what it is told."""

from __future__ import annotations

import math

from soft_tactile_node.page.guided_session import GuidedSession
from soft_tactile_node.samples import Scan
from soft_tactile_node.simulation.bench import Bench
from soft_tactile_node.sources import Reading

RATE_HZ = 100.0
"""Scans of the simulated bench (Hz): enough for a calibration, and ten minutes pass in a quarter of one."""


class SimulatedBench:
    """Steps the finger of the simulated scenarios on a bench and feeds a guided calibration."""

    def __init__(self) -> None:
        self._bench = Bench(seed=0, rate_hz=RATE_HZ)
        self._number = 0

    def step(self, session: GuidedSession) -> Reading:
        """Live through a scan: do what `session` wants, tell it what is measured; returns the page's reading."""
        wanted = session.wanted
        self._bench.press(None if wanted is None else wanted.force_n, (0.0, 0.0) if wanted is None else wanted.place_m)
        step = self._bench.step([0.0 if wanted is None else wanted.pressure_pa])
        session.add_force(step.time_s, self._bench.reference_force(step))
        session.add_bend(step.time_s, self._bench.reference_bend(step))
        scan = step.scans[0]
        reading = Reading(
            Scan(step.time_s, scan.inductance_h, scan.temperature_c),
            self._number,
            step.pressure_pa[0] if math.isfinite(step.pressure_pa[0]) else math.nan,
        )
        self._number += 1
        session.add(reading)
        return reading
