"""The source of a node's scans by its parameters: the simulated finger, a device, a recording, or none (topics)."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from builtin_interfaces.msg import Time

from soft_tactile_node.errors import SoftTactileError
from soft_tactile_node.ros.feeds.device import DeviceSource
from soft_tactile_node.ros.feeds.simulated import ATMOSPHERIC_PA, SimulatedSource
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources import Source, Tank, load_tank
from soft_tactile_node.sources.recorded import RecordedSource, load_by_name
from soft_tactile_node.sources.serial_port import SerialSource
from soft_tactile_node.sources.udp import UdpSource


class ScanSource(Protocol):
    """Something that calls back with scans and pressure between `start` and `stop`."""

    @property
    def fault(self) -> str:
        """Why nothing comes; empty while all is well."""

    def start(self) -> None:
        """Begin."""

    def stop(self) -> None:
        """Pause."""

    def report(self) -> dict[str, str]:
        """Return counts for diagnostics."""


def make_scan_source(
    node: ManagedNode,
    frame_id: str,
    on_scan: Callable[[Scan, Time, int], None],
    on_pressure: Callable[[float, float], None],
) -> ScanSource | None:
    """Return the source that the parameter `source` names, checked but not started; None for `topic`.

    Parameters
    ----------
    node : ManagedNode
        Owner; has the parameters of `parameters.device.DEVICE`.
    frame_id : str
        Pad frame.
    on_scan : callable
        Takes scan, stamp and running number.
    on_pressure : callable
        Takes time (s) and absolute pressure (Pa).

    Returns
    -------
    ScanSource or None
        To be started at activation.

    Raises
    ------
    ParameterError
        Names the parameter that is wrong.
    """
    kind = node.setting("source")
    if kind == "topic":
        return None
    if kind == "simulated":
        return SimulatedSource(node, frame_id, on_scan, on_pressure)
    atmospheric_pa = node.setting("atmospheric_pressure")
    if math.isnan(atmospheric_pa):
        atmospheric_pa = ATMOSPHERIC_PA
    return DeviceSource(node, _make_source(node, kind), frame_id, on_scan, on_pressure, atmospheric_pa)


def _make_source(node: ManagedNode, kind: str) -> Source:
    """Return a source that stamps on the node's clock, with all checked that can be while no device is there."""

    def clock() -> float:
        return float(node.get_clock().now().nanoseconds) * 1e-9

    if kind == "recording":
        return _make_recording(node.setting("recording_file"), clock)
    if node.get_parameter("use_sim_time").value:
        raise ParameterError(f"parameter 'use_sim_time' must be false with source: {kind}; got true: a device is real")
    tank = _tank(node.setting("tank"))
    if kind == "serial":
        port = node.setting("serial_port")
        if not port:
            raise ParameterError("parameter 'serial_port' must name a port with source: serial; got ''")
        return SerialSource(port, node.setting("serial_baud"), tank=tank, clock=clock)
    source = UdpSource(node.setting("udp_address"), node.setting("udp_port"), tank=tank, clock=clock)
    return _tried(source, "parameters 'udp_address' and 'udp_port'")


def _make_recording(file: str, clock: Callable[[], float]) -> Source:
    if not file:
        raise ParameterError("parameter 'recording_file' must name a recording with source: recording; got ''")
    source = RecordedSource(f"recording:{file}", lambda: load_by_name("recording", file), clock=clock)
    return _tried(source, "parameter 'recording_file'")


def _tried(source: Source, named_by: str) -> Source:
    """Return a source that can be opened; says which parameter is wrong where it cannot."""
    try:
        source.open()
    except SoftTactileError as error:
        raise ParameterError(f"{named_by}: {error}") from error
    finally:
        source.close()
    return source


def _tank(file: str) -> Tank | None:
    try:
        return load_tank(file) if file else None
    except SoftTactileError as error:
        raise ParameterError(f"parameter 'tank': {error}") from error
