"""The demo's course of events: start the nodes, pick every item, watch, end the nodes."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from soft_tactile_node.reports.demo_report import DemoRun
from soft_tactile_node.ros.demo.observer import GRIPPER, SPACE, Entry, Observer
from soft_tactile_node.ros.demo.processes import NodeProcesses, free_domain
from soft_tactile_node.samples import State
from soft_tactile_node.scoring.findings import FingerRecord, compare

START_LIMIT_S, PICK_LIMIT_S = 180.0, 60.0
SETTLE_S = 0.6
"""Time from a fresh item on the tray to the next tare (s)."""

LOCAL_ONLY = {"ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST"}


@contextlib.contextmanager
def _local_discovery() -> Iterator[None]:
    """Keep this process's own DDS traffic on this machine, too."""
    before = os.environ.get("ROS_AUTOMATIC_DISCOVERY_RANGE")
    os.environ.update(LOCAL_ONLY)
    try:
        yield
    finally:
        if before is None:
            del os.environ["ROS_AUTOMATIC_DISCOVERY_RANGE"]
        else:
            os.environ["ROS_AUTOMATIC_DISCOVERY_RANGE"] = before


def run_demo(
    calibrations: Mapping[str, Path],
    *,
    seed: int,
    rate_hz: float,
    items: Mapping[str, Mapping[str, float]],
    fault: str = "",
    fault_finger: str = "",
    folder: Path,
    tell: Callable[[Entry], None] = lambda _entry: None,
) -> DemoRun:
    """Run the two-finger graph over DDS, pick every item once and compare with the truth.

    Parameters
    ----------
    calibrations : mapping of str to pathlib.Path
        Calibration file of each finger.
    seed : int
        Specimens, items, noise.
    rate_hz : float
        Scans in a second (Hz).
    items : mapping
        Item -> live parameters of the controller for it.
    fault, fault_finger : str
        Fault to practise and the finger that has it; empty = none.
    folder : pathlib.Path
        Where logs go.
    tell : callable
        Takes each line of the story as it happens.

    Returns
    -------
    DemoRun
        Everything that happened; the nodes have ended.

    Raises
    ------
    SoftTactileError
        A node ended by itself or something did not come in time; says which log to read.
    """
    fingers = tuple(calibrations)
    domain = free_domain()
    begun_s = time.monotonic()
    with _local_discovery(), NodeProcesses(folder / "logs", {**LOCAL_ONLY, "ROS_DOMAIN_ID": str(domain)}) as nodes:
        observer = Observer(fingers, domain, tell)
        try:
            _start_nodes(nodes, calibrations, seed, rate_hz, next(iter(items)), (fault, fault_finger))
            spans, outcomes = _pick_all(observer, nodes, fingers, items)
        finally:
            observer.close()
    run = _gather(observer, fingers, spans, outcomes, seed, rate_hz)
    return replace(run, phases_s={"picking": time.monotonic() - begun_s})


def _start_nodes(
    nodes: NodeProcesses,
    calibrations: Mapping[str, Path],
    seed: int,
    rate_hz: float,
    item: str,
    fault: tuple[str, str],
) -> None:
    fingers = list(calibrations)
    simulator: dict[str, Any] = {"fingers": fingers, "object": item, "seed": seed, "rate": rate_hz}
    if fault[0]:
        simulator |= {"fault": fault[0], "fault_finger": fault[1]}
    nodes.start("gripper_simulator", GRIPPER, simulator)
    for name, path in calibrations.items():
        nodes.start("tactile_sensor", f"{SPACE}/{name}", {"calibration": str(path.resolve()), "tare_file": "none"})
    palm = {"finger_root_radius": 0.030, "finger_tilt": 0.35, "arc_length": 0.080, "surface_offset": 0.012}
    nodes.start("grasp_monitor", GRIPPER, {"fingers": fingers, **palm})
    nodes.start("grasp_controller", GRIPPER, {"fingers": fingers, "simulated": True})


def _pick_all(
    observer: Observer, nodes: NodeProcesses, fingers: tuple[str, ...], items: Mapping[str, Any]
) -> tuple[list[tuple[float, str]], dict[str, str]]:
    def everyone_ready() -> bool:
        return all(observer.fingers[finger].state == State.FREE for finger in fingers) and observer.phase == "idle"

    observer.wait(everyone_ready, START_LIMIT_S, "the first tare of all fingers", nodes.check)
    observer.begin()
    spans, outcomes = [], {}
    for item, settings in items.items():
        observer.set_parameters(f"{GRIPPER}/gripper_simulator", {"object": item}, nodes.check)
        observer.set_parameters(f"{GRIPPER}/grasp_controller", dict(settings), nodes.check)
        observer.say("bench", f"puts a {item} on the tray")
        spans.append((observer.now_s(), item))
        _rest(observer, nodes)
        outcomes[item] = observer.pick(nodes.check, PICK_LIMIT_S)
    return spans, outcomes


def _rest(observer: Observer, nodes: NodeProcesses) -> None:
    end_s = observer.now_s() + SETTLE_S
    observer.wait(lambda: observer.now_s() >= end_s, 10.0, "rest", nodes.check)


def _gather(
    observer: Observer,
    fingers: tuple[str, ...],
    spans: list[tuple[float, str]],
    outcomes: dict[str, str],
    seed: int,
    rate_hz: float,
) -> DemoRun:
    records = {
        finger: FingerRecord(
            observer.estimate_of(finger), observer.truth_of(finger), tuple(observer.fingers[finger].events)
        )
        for finger in fingers
    }
    return DemoRun(
        seed=seed,
        rate_hz=rate_hz,
        records=records,
        findings=compare(records, spans),
        spans=spans,
        outcomes=outcomes,
        story=[(entry.time_s, entry.who, entry.what) for entry in sorted(observer.story, key=lambda e: e.time_s)],
        pressure={finger: _pairs(observer.fingers[finger].commands) for finger in fingers},
        lift=_pairs(observer.lift),
        height=_pairs(observer.heights(fingers[0])),
        latency_s=np.concatenate([observer.latency_s(finger) for finger in fingers]),
    )


def _pairs(rows: list[tuple[float, float]]) -> np.ndarray:
    return np.array(rows, dtype=np.float64).reshape(-1, 2)
