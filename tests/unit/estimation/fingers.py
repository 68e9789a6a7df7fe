"""Simulated fingers for the tests of the estimator: short recordings, and the same finger with other channels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from soft_tactile_node.calibration import Calibration, calibrate
from soft_tactile_node.calibration.preparation import prepare
from soft_tactile_node.calibration.press import smooth_force
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.estimation.drive import drive_terms
from soft_tactile_node.estimation.tuning import TUNING
from soft_tactile_node.recordings import EstimateTable, Recording, Truth
from soft_tactile_node.samples import ContactEvent
from soft_tactile_node.simulation import Fault, simulate

SPECIMEN = 3


def record(
    scenario: str, pad: str, seed: int, duration_s: float, *, rate_hz: float = 200.0, faults: tuple[Fault, ...] = ()
) -> tuple[Recording, Truth]:
    """Simulate a recording of the one finger that these tests use."""
    return simulate(
        scenario, pad=pad, seed=seed, rate_hz=rate_hz, duration_s=duration_s, specimen_seed=SPECIMEN, faults=faults
    )


@dataclass(frozen=True)
class Finger:
    """Bench recordings of a finger, and two that it is judged on."""

    free: Recording
    press: Recording
    pick: Recording
    truth: Truth
    ramps: Recording

    @cached_property
    def calibration(self) -> Calibration:
        """Return its calibration."""
        return calibrate([self.free], [self.press])

    @cached_property
    def touch(self) -> np.ndarray:
        """Return what a press of about half a newton adds to each channel (1)."""
        item, base = prepare(self.press), self.calibration.base
        assert item.force_n is not None
        terms = drive_terms(TUNING, item.time_s, item.pressure_pa / self.calibration.ranges.pressure_pa[1])
        departure = item.change - (terms - terms[:100].mean(axis=0)) @ np.array(base.weights)
        force = smooth_force(item)
        steady = (np.abs(force[:, 2] - 0.5) < 0.1) & (np.abs(np.gradient(force[:, 2])) < 2e-3)
        return np.asarray(np.nanmean(departure[steady], axis=0))

    def replay(self, recording: Recording | None = None) -> tuple[EstimateTable, list[ContactEvent]]:
        """Estimate a recording, the pick if none is given, from the start."""
        return Estimator(self.calibration).replay(recording or self.pick)

    def error_n(self, table: EstimateTable) -> float:
        """Return the rms error of the normal force over the pick (N)."""
        error = table.force_n[:, 2] - self.truth.force_n[:, 2]
        return float(np.sqrt(np.nanmean(error**2)))

    def with_channels(self, change: Callable[[np.ndarray], np.ndarray]) -> Finger:
        """Return the finger with other channels, made from the inductances (n, c) of each recording."""
        made = {
            name: replace(getattr(self, name), inductance_h=change(getattr(self, name).inductance_h))
            for name in ("free", "press", "pick", "ramps")
        }
        return replace(self, **made)

    def every(self, step: int) -> Finger:
        """Return the finger with every so many-th scan only."""
        made = {name: thinned(getattr(self, name), step) for name in ("free", "press", "pick", "ramps")}
        names = ("time_s", "force_n", "bend_rad", "in_contact", "slip")
        return replace(self, truth=Truth(*(getattr(self.truth, name)[::step] for name in names)), **made)


def thinned(recording: Recording, step: int) -> Recording:
    """Return every so many-th scan, each with the last pressure reading since the one before."""
    pressure = recording.pressure_pa.copy()
    for k in np.flatnonzero(np.isfinite(pressure)):
        kept = -(-k // step) * step
        if kept < pressure.size:
            pressure[kept] = pressure[k]
    return replace(recording, pressure_pa=pressure).select_rows(slice(None, None, step))


def make_finger(pad: str, rate_hz: float = 200.0) -> Finger:
    """Record a finger on the bench and in use."""
    free, _ = record("free-bend", pad, 3, 180.0, rate_hz=rate_hz)
    press, _ = record("press", pad, 4, 230.0, rate_hz=rate_hz)
    pick, truth = record("pick-roll", pad, 5, 24.0, rate_hz=rate_hz)
    ramps, _ = record("ramps", pad, 6, 30.0, rate_hz=rate_hz)
    return Finger(free, press, pick, truth, ramps)


def mirrored(inductance_h: np.ndarray) -> np.ndarray:
    """Return channels that answer with the opposite sign, about their rest."""
    rest = np.nanmean(inductance_h[:100], axis=0)
    return np.asarray(2.0 * rest - inductance_h)


def pressed(recording: Recording, touch: np.ndarray, time_s: list[float], level: list[float]) -> Recording:
    """Return a recording with a press laid over it: `level` times `touch`, straight between the times."""
    course = np.interp(recording.time_s, time_s, level)
    return replace(recording, inductance_h=recording.inductance_h * (1.0 + course[:, None] * touch))


def resting(finger: Finger, duration_s: float, rate_hz: float = 200.0) -> Recording:
    """Return a recording of a finger that rests, vented and warming up by a kelvin a minute."""
    rng = np.random.default_rng(17)
    time_s = np.arange(0.0, duration_s, 1.0 / rate_hz)
    noise = np.array(finger.calibration.base.noise) * rng.standard_normal((time_s.size, finger.calibration.channels))
    return Recording(
        time_s=time_s,
        pressure_pa=30.0 * rng.standard_normal(time_s.size),
        inductance_h=np.array(finger.calibration.tare_inductance_h) * (1.0 + noise),
        temperature_c=20.0 + time_s / 60.0,
        source="made",
    )
