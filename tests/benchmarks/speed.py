"""How fast the estimator is on this machine; `make speed` runs it. Figures, not gates: load shows in them.

A simulated finger of four channels at 500 Hz is calibrated on 150 s of recordings, then simulated, replayed and
stepped. In the same run a Kalman filter of the same state size from a general-purpose library (filterpy) takes the same
scans. The replay is timed on growing lengths, so that a cost that grows with running time would show, and the memory
that stays allocated while stepping is measured over a long run. The figures are kept as JSON in .out/speed.json.
"""

from __future__ import annotations

import argparse
import gc
import json
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from filterpy.kalman import KalmanFilter

from soft_tactile_node.calibration.fit import calibrate
from soft_tactile_node.calibration.record import Calibration
from soft_tactile_node.estimation import Estimator
from soft_tactile_node.recordings import Recording
from soft_tactile_node.samples import Scan
from soft_tactile_node.simulation import simulate

RATE_HZ = 500.0
CALIBRATION_S = 150.0
REPLAY_TARGET, SIMULATION_TARGET = 150.0, 30.0
CALIBRATION_TARGET_S = 20.0
SIMULATED_S = 60.0
KEPT_IN = Path(".out/speed.json")
LIBRARY_SCANS = 5000
MEMORY_S = 100.0
MEMORY_PIECES = 8
REPEATS = 3


@dataclass(frozen=True)
class Speed:
    """What was measured; times are the best of a few repeats, because other work can only add to them."""

    calibration_s: float
    simulation_times_real_time: float
    replay_times_real_time: float
    replay_us_per_scan: float
    replay_growth: float
    step_us_per_scan: float
    step_p99_us: float
    library_us_per_scan: float
    memory_growth_bytes_per_hour: float


def best_time(action: Callable[[], object], repeats: int = REPEATS) -> float:
    """Return the shortest time of an action (s)."""
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        action()
        times.append(time.perf_counter() - started)
    return min(times)


def cut(recording: Recording, rows: int) -> Recording:
    """Return the first rows of a recording."""
    return Recording(
        time_s=recording.time_s[:rows],
        pressure_pa=recording.pressure_pa[:rows],
        inductance_h=recording.inductance_h[:rows],
        temperature_c=recording.temperature_c[:rows],
        source=recording.source,
    )


def scans_of(recording: Recording) -> list[tuple[Scan, float]]:
    """Return a recording as scans with their pressure, as they come from a device."""
    return [
        (Scan(time_s=float(t), inductance_h=values, temperature_c=float(temperature)), float(pressure))
        for t, values, temperature, pressure in zip(
            recording.time_s, recording.inductance_h, recording.temperature_c, recording.pressure_pa, strict=True
        )
    ]


def time_steps(calibration: Calibration, scans: list[tuple[Scan, float]]) -> tuple[float, float]:
    """Return median and 99 % quantile of the cost of one step (s)."""
    estimator = Estimator(calibration)
    costs = np.zeros(len(scans))
    for i, (scan, pressure_pa) in enumerate(scans):
        started = time.perf_counter()
        estimator.step(scan, pressure_pa)
        costs[i] = time.perf_counter() - started
    settled = costs[len(costs) // 10 :]
    return float(np.median(settled)), float(np.quantile(settled, 0.99))


def time_library(recording: Recording, states: int) -> float:
    """Return the median cost of predict and update of a general Kalman filter of that many states (s)."""
    channels = recording.channels
    rng = np.random.default_rng(0)
    kalman = KalmanFilter(dim_x=states, dim_z=channels)
    kalman.H = rng.standard_normal((channels, states))
    kalman.P, kalman.Q, kalman.R = np.eye(states), 1e-4 * np.eye(states), 1e-2 * np.eye(channels)
    costs = np.zeros(min(LIBRARY_SCANS, recording.time_s.size))
    change = recording.inductance_h / recording.inductance_h[0] - 1.0
    for i in range(costs.size):
        started = time.perf_counter()
        kalman.predict()
        kalman.update(change[i][:, None])
        costs[i] = time.perf_counter() - started
    return float(np.median(costs))


def measure_memory(calibration: Calibration, scans: list[tuple[Scan, float]]) -> float:
    """Return how fast memory that stays allocated grows while stepping (bytes per hour of scans)."""
    estimator = Estimator(calibration)
    kept = []
    tracemalloc.start()
    for piece in np.array_split(np.arange(len(scans)), MEMORY_PIECES):
        for i in piece:
            estimator.step(*scans[i])
        gc.collect()
        # what the interpreter remembers of attributes it looked up, at most 4096 of them, is not the estimator's
        getattr(sys, "_clear_type_cache", lambda: None)()
        kept.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    # what is made once, at the first touch say, shows in one piece; a leak shows in all
    hours = (scans[-1][0].time_s - scans[0][0].time_s) / MEMORY_PIECES / 3600.0
    return float(np.median(np.diff(kept))) / hours


def measure(replay_s: float) -> Speed:
    """Return all figures."""
    free, _ = simulate("free-bend", seed=11, duration_s=CALIBRATION_S / 2.0)
    press, _ = simulate("press", seed=11, duration_s=CALIBRATION_S / 2.0)
    calibrate([free], [press])  # the first run compiles
    calibration_s = best_time(lambda: calibrate([free], [press]), 2)
    calibration = calibrate([free], [press])
    simulation_s = best_time(lambda: simulate("pick-roll", seed=11, duration_s=SIMULATED_S))
    pick, _ = simulate("pick-roll", seed=11, duration_s=replay_s)
    quarter, rows = cut(pick, pick.time_s.size // 4), pick.time_s.size
    long_s = best_time(lambda: Estimator(calibration).replay(pick))
    short_s = best_time(lambda: Estimator(calibration).replay(quarter))
    scans = scans_of(pick)
    step_s, step_p99_s = time_steps(calibration, scans)
    # force, pad memory and one offset a channel: the size of the estimator's own filter while touched
    states = 3 + 3 + pick.channels
    return Speed(
        calibration_s=calibration_s,
        simulation_times_real_time=SIMULATED_S / simulation_s,
        replay_times_real_time=float(np.ptp(pick.time_s)) / long_s,
        replay_us_per_scan=1e6 * long_s / rows,
        replay_growth=(long_s / rows) / (short_s / quarter.time_s.size),
        step_us_per_scan=1e6 * step_s,
        step_p99_us=1e6 * step_p99_s,
        library_us_per_scan=1e6 * time_library(pick, states),
        memory_growth_bytes_per_hour=measure_memory(calibration, scans[: round(MEMORY_S * RATE_HZ)]),
    )


def describe(speed: Speed) -> str:
    """Return the figures in words, each beside its target or its yardstick."""
    library = speed.library_us_per_scan
    calibration = speed.calibration_s / CALIBRATION_TARGET_S
    replay, simulation = speed.replay_times_real_time, speed.simulation_times_real_time
    return "\n".join(
        [
            f"calibration, 150 s        {speed.calibration_s:8.1f} s      {calibration:.2f} x the target",
            f"simulation, real time     {simulation:8.0f} x      {simulation / SIMULATION_TARGET:.1f} x the target",
            f"replay, real time         {replay:8.0f} x      {replay / REPLAY_TARGET:.1f} x the target",
            f"replay                    {speed.replay_us_per_scan:8.1f} us/scan",
            f"  the same, 4 times as long {speed.replay_growth:6.2f} x      1 = cost does not grow with running time",
            f"Estimator.step            {speed.step_us_per_scan:8.1f} us/scan  99 % below {speed.step_p99_us:.0f} us",
            f"general Kalman library    {library:8.1f} us/scan  filterpy, same number of states",
            f"  replay takes            {speed.replay_us_per_scan / library:8.1f} x its time; all of its work",
            f"  Estimator.step takes    {speed.step_us_per_scan / library:8.1f} x its time",
            f"memory kept while stepping {speed.memory_growth_bytes_per_hour / 1024.0:7.1f} KiB/h    target 0",
        ]
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--duration", type=float, default=240.0, help="length of the replayed recording (s)")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    speed = measure(options.duration)
    figures = json.dumps(asdict(speed), indent=2)
    KEPT_IN.parent.mkdir(exist_ok=True)
    KEPT_IN.write_text(figures + "\n")
    print(figures if options.json else describe(speed))


if __name__ == "__main__":
    main()
