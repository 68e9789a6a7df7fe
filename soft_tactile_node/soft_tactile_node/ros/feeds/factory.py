"""The source of a node's scans by its parameters: the simulated finger, a device, a recording, or none (topics)."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Protocol

from builtin_interfaces.msg import Time

from soft_tactile_node.errors import SoftTactileError, SourceError
from soft_tactile_node.registry import SOURCES
from soft_tactile_node.ros.feeds.device import DeviceSource
from soft_tactile_node.ros.feeds.simulated import ATMOSPHERIC_PA, SimulatedSource
from soft_tactile_node.ros.parameters.spec import ParameterError
from soft_tactile_node.ros.running.managed_node import ManagedNode
from soft_tactile_node.ros.wire.conversions import clock_s
from soft_tactile_node.samples import Scan
from soft_tactile_node.sources import Source, Tank, load_tank
from soft_tactile_node.sources.kinds import MakeOptions, SourceKind


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


def _make_source(node: ManagedNode, word: str) -> Source:
    """Return a source that stamps on the node's clock, with all checked that can be while no device is there."""
    kind: SourceKind = SOURCES[word].load()
    if kind.is_device and node.get_parameter("use_sim_time").value:
        raise ParameterError(f"parameter 'use_sim_time' must be false with source: {word}; got true: a device is real")
    try:
        name = kind.named_by({setting.name: node.setting(setting.name) for setting in kind.settings})
    except SourceError as error:
        raise ParameterError(str(error)) from error
    tank = _tank(node.setting("tank")) if kind.is_device else None
    source = kind.make(name, MakeOptions(tank, partial(clock_s, node)))
    if kind.opened_to_check:
        try:
            source.open()
        except SoftTactileError as error:
            names = " and ".join(f"'{setting.name}'" for setting in kind.settings)
            raise ParameterError(f"parameter{'s' * (len(kind.settings) > 1)} {names}: {error}") from error
        finally:
            source.close()
    return source


def _tank(file: str) -> Tank | None:
    try:
        return load_tank(file) if file else None
    except SoftTactileError as error:
        raise ParameterError(f"parameter 'tank': {error}") from error
