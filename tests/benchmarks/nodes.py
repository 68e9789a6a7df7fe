"""What a scan costs in the node `tactile_sensor`, beside a relay of the same messages that computes nothing.

In one run, at 1 kHz and four channels: processor time of the node's process for each scan, the time from a scan's stamp
to its wrench at a listener, and the share of scans that are answered; for the sensor and for a relay with the same
executor, which takes `coils` and `pressure` and publishes `pad_estimate` and `wrench`, filled once. The same with
`estimate_rate` at 100 Hz. Then four fingers in one process beside one, the memory of that process, and the cost of
`Estimator.step` beside the relay's.

Figures, not gates: latencies mean something on an idle machine with two cores only. Processor time grows as well where
others compute, because they take the caches.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from load_processes import REST_S, names_of

ROOT = Path(__file__).resolve().parents[2]
CALIBRATION = ROOT / "config" / "calibrations" / "left_finger.yaml"
THINNED_HZ = 100.0
KEPT_IN = Path(".out/nodes.json")
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Load:
    """What one process cost over a span; times in microseconds and milliseconds, of all its fingers together."""

    scans: int
    cpu_us_per_scan: float
    p50_ms: float
    p99_ms: float
    delivered: float
    memory_mb: float
    private_mb: float
    memory_growth_mb: float


def cpu_s(pid: int) -> float:
    """Return the processor time a process has used (s)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


def memory_mb(pid: int) -> tuple[float, float]:
    """Return the memory of a process that lies in RAM (MB): all of it, and what is not mapped from files."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    kib = {line.split(":")[0]: int(line.split()[1]) for line in lines if line.endswith("kB")}
    return kib["VmRSS"] * 1024 / 1e6, kib["RssAnon"] * 1024 / 1e6


def load_of(role: str, fingers: int, rate_hz: float, span_s: float, folder: Path, estimate_hz: float = 0.0) -> Load:
    """Run a relay or a sensor under load and return what it cost."""
    sent, heard = folder / "sent.npy", folder / "heard.npz"
    recording = folder / f"recording_{rate_hz:g}_{span_s:g}.npz"
    if not recording.exists():
        write_recording(recording, rate_hz, span_s)
    beside = [sys.executable, str(Path(__file__).with_name("load_processes.py"))]
    count = ["--fingers", str(fingers)]
    every = round(rate_hz / estimate_hz) if estimate_hz else 1
    sensor = [
        sys.executable, "-m", "soft_tactile_node.ros.nodes.tactile_sensor", *names_of(fingers), "--ros-args",
        "-p", f"calibration:={CALIBRATION}", "-p", "tare_file:=none", "-p", "coil_timeout:=0.5",
        "-p", f"estimate_rate:={estimate_hz}", "--log-level", "warn",
    ]  # fmt: skip
    processes: list[subprocess.Popen[str]] = []

    def start(command: Sequence[str]) -> subprocess.Popen[str]:
        processes.append(subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True))
        return processes[-1]

    try:
        node = start([*beside, "relay", *count, "--every", str(every)] if role == "relay" else sensor)
        listener = start([*beside, "listen", *count, "--file", str(heard)])
        feeder = start(
            [*beside, "feed", *count, "--rate", str(rate_hz), "--recording", str(recording), "--file", str(sent)]
        )
        await_line(feeder, "begin")
        before, memory = cpu_s(node.pid), memory_mb(node.pid)
        await_line(feeder, "end")
        time.sleep(0.5)
        used_s, now = cpu_s(node.pid) - before, memory_mb(node.pid)
        for process in (feeder, listener):
            process.communicate(timeout=30.0)
    finally:
        for process in processes:
            process.kill()
            process.communicate()
    return judge(np.load(sent), np.load(heard), fingers, used_s, now, now[0] - memory[0])


def await_line(process: subprocess.Popen[str], wanted: str) -> None:
    """Read the output of a process until a line comes."""
    assert process.stdout is not None
    for line in process.stdout:
        if line.strip() == wanted:
            return
    raise SystemExit(f"a process of the measurement ended before it said {wanted!r}")


def judge(sent: Any, heard: Any, fingers: int, used_s: float, memory: tuple[float, float], growth: float) -> Load:
    """Return the figures of one run from what was sent and heard."""
    delays, delivered = [], []
    for k in range(fingers):
        wrenches = heard[f"wrenches_{k}"]
        delivered.append(np.isin(sent, wrenches[:, 0]).mean())
        counted = wrenches[np.isin(wrenches[:, 0], sent)]
        delays.append((counted[:, 1] - counted[:, 0]) * 1e-6)
    delay = np.concatenate(delays)
    return Load(
        scans=sent.size * fingers,
        cpu_us_per_scan=1e6 * used_s / (sent.size * fingers),
        p50_ms=float(np.quantile(delay, 0.5)),
        p99_ms=float(np.quantile(delay, 0.99)),
        delivered=float(np.min(delivered)),
        memory_mb=memory[0],
        private_mb=memory[1],
        memory_growth_mb=growth,
    )


def write_recording(path: Path, rate_hz: float, span_s: float) -> None:
    """Write what a simulated finger gives that picks a roll again and again."""
    from soft_tactile_node.simulation import simulate

    made, _ = simulate("pick-roll", seed=11, duration_s=REST_S + span_s, rate_hz=rate_hz)
    np.savez(
        path, inductance=made.inductance_h, temperature=made.temperature_c, pressure=made.pressure_pa,
        time_s=made.time_s,
    )  # fmt: skip


def step_us(folder: Path, rate_hz: float, span_s: float) -> float:
    """Return the processor time of one `Estimator.step` with the same scans (us)."""
    from soft_tactile_node.calibration.storage import load_calibration
    from soft_tactile_node.estimation import Estimator
    from soft_tactile_node.samples import Scan

    data = np.load(folder / f"recording_{rate_hz:g}_{span_s:g}.npz")
    scans = [
        (Scan(float(t), inductance, float(temperature)), float(pressure))
        for t, inductance, temperature, pressure in zip(
            data["time_s"], data["inductance"], data["temperature"], data["pressure"], strict=True
        )
    ]
    estimator = Estimator(load_calibration(CALIBRATION))
    rest = round(REST_S * rate_hz)
    for scan, pressure in scans[:rest]:
        estimator.step(scan, pressure)
    before = time.process_time()
    for scan, pressure in scans[rest:]:
        estimator.step(scan, pressure)
    return 1e6 * (time.process_time() - before) / (len(scans) - rest)


@dataclass
class Costs:
    """Everything that was measured."""

    rate_hz: float
    many: int
    many_rate_hz: float
    machine_load: float
    relay: list[Load] = field(default_factory=list)
    sensor: list[Load] = field(default_factory=list)
    relay_thinned: list[Load] = field(default_factory=list)
    sensor_thinned: list[Load] = field(default_factory=list)
    one: list[Load] = field(default_factory=list)
    several: list[Load] = field(default_factory=list)
    step_us: float = float("nan")


def measure(options: argparse.Namespace, folder: Path) -> Costs:
    """Measure everything; relay and sensor take turns, so that a drift of the machine's speed is shared."""
    costs = Costs(options.rate, options.many, options.many_rate, os.getloadavg()[0])
    for _ in range(options.repeats):
        for role, kept, thinned in (
            ("relay", costs.relay, costs.relay_thinned),
            ("sensor", costs.sensor, costs.sensor_thinned),
        ):
            kept.append(load_of(role, 1, options.rate, options.span, folder))
            thinned.append(load_of(role, 1, options.rate, options.span, folder, THINNED_HZ))
    costs.step_us = step_us(folder, options.rate, options.span)
    costs.one.append(load_of("sensor", 1, options.many_rate, options.span, folder))
    costs.several.append(load_of("sensor", options.many, options.many_rate, options.many_span or options.span, folder))
    return costs


def best(loads: Sequence[Load], name: str) -> float:
    """Return the lowest of a figure over the repeats: other work on the machine can only add to it."""
    return float(min(getattr(load, name) for load in loads))


def row(text: str, floor: float, ours: float, target: str, factor: float = 1.0) -> str:
    """Return a line of the table: two figures, their ratio and what it should be."""
    return f"{text:42s}{floor:9.4g}{ours:9.4g}{factor * ours / floor if floor else float('nan'):8.2f}   {target}"


def compared(title: str, relay: Sequence[Load], sensor: Sequence[Load]) -> list[str]:
    """Return the lines of a relay beside a sensor."""
    figures = (
        ("processor time (us/scan)", "cpu_us_per_scan", "1.5"),
        ("latency p50 (ms)", "p50_ms", "1.3"),
        ("latency p99 (ms)", "p99_ms", "1.5"),
    )
    answered = [100.0 * min(load.delivered for load in loads) for loads in (relay, sensor)]
    return [
        f"{title:42s}{'relay':>9s}{'sensor':>9s}{'ratio':>8s}   target",
        *(row(text, best(relay, name), best(sensor, name), target) for text, name, target in figures),
        row("scans answered (%)", answered[0], answered[1], "100 %"),
    ]


def describe(costs: Costs) -> str:
    """Return the tables, each ratio beside its target."""
    one, several = costs.one[0], costs.several[0]
    at = f"{costs.rate_hz:g} Hz, 4 channels"
    return "\n".join(
        [
            f"load of the machine before: {costs.machine_load:.2f}; the lowest of {len(costs.relay)} turns",
            *compared(f"one finger, {at}", costs.relay, costs.sensor),
            row("Estimator.step (us)", best(costs.relay, "cpu_us_per_scan"), costs.step_us, "0.25"),
            *compared(f"{at}, estimate_rate {THINNED_HZ:g}", costs.relay_thinned, costs.sensor_thinned),
            f"{f'in one process, {costs.many_rate_hz:g} Hz each':42s}{'1 finger':>9s}{f'{costs.many} fingers':>9s}",
            row("processor time (us/scan)", one.cpu_us_per_scan, several.cpu_us_per_scan, "3.2", costs.many),
            row("scans answered (%)", 100.0 * one.delivered, 100.0 * several.delivered, "100 %"),
            row("memory (MB)", one.memory_mb, several.memory_mb, "200 MB"),
            row("memory of its own, not of libraries (MB)", one.private_mb, several.private_mb, ""),
            row("memory, growth in the span (MB)", one.memory_growth_mb, several.memory_growth_mb, "0 MB"),
        ]
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rate", type=float, default=1000.0, help="scans per second beside the relay (Hz)")
    parser.add_argument("--span", type=float, default=10.0, help="length of each measurement (s)")
    parser.add_argument("--repeats", type=int, default=2, help="turns of relay and sensor")
    parser.add_argument("--many", type=int, default=4, help="fingers in one process")
    parser.add_argument("--many-rate", type=float, default=500.0, help="scans per second of each of them (Hz)")
    parser.add_argument("--many-span", type=float, help="length of their measurement (s), 600 for the memory")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    os.environ |= {
        "ROS_DOMAIN_ID": str(np.random.default_rng().integers(1, 102)),
        "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST",
    }
    with tempfile.TemporaryDirectory() as folder:
        costs = measure(options, Path(folder))
    figures = json.dumps(asdict(costs), indent=2)
    KEPT_IN.parent.mkdir(exist_ok=True)
    KEPT_IN.write_text(figures + "\n")
    print(figures if options.json else describe(costs))


if __name__ == "__main__":
    main()
