"""Faults that tests and demonstrations inject into what the electronics deliver."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from soft_tactile_node.errors import RangeError
from soft_tactile_node.samples import Array

COIL_FAULTS = ("open", "stuck", "spike", "frozen")
PRESSURE_FAULTS = ("pressure_lost", "pressure_frozen", "pressure_zero")
BODY_FAULTS = ("held_elsewhere", "metal_near", "base_turned")
TURN_S = 1.0
"""Time the base takes to turn (s)."""
_USUAL_AMOUNT = {"metal_near": 2.0e-3, "base_turned": math.pi / 2.0}
FAULT_KINDS = COIL_FAULTS + PRESSURE_FAULTS + BODY_FAULTS


@dataclass(frozen=True)
class Fault:
    """Something that goes wrong for a while.

    Attributes
    ----------
    kind : str
        "open" (channel reads NaN), "stuck" (channel repeats its last value), "spike" (channel jumps now and then),
        "frozen" (all coils repeat their last values), "pressure_lost" (no readings), "pressure_frozen" (repeats the
        last reading), "pressure_zero" (reads zero), "held_elsewhere" (something away from the pad stops the bend where
        it is), "metal_near" (the edge of a steel plate comes near), "base_turned" (the palm is turned within a second).
    start_s, end_s : float
        From when until when (s); end infinite = for good.
    channel : int
        Coil channel, counted from 0; only for open, stuck and spike.
    finger : int
        Finger it belongs to, counted from 0 (not for base_turned).
    amount : float
        For metal_near the distance from the pad centre to the edge (m); for base_turned the angle (rad).

    Raises
    ------
    RangeError
        The kind is unknown or the times are reversed.
    """

    kind: str
    start_s: float
    end_s: float = float("inf")
    channel: int = 0
    finger: int = 0
    amount: float = float("nan")

    def __post_init__(self) -> None:
        if self.kind not in FAULT_KINDS:
            raise RangeError(f"kind must be one of {', '.join(FAULT_KINDS)}; got {self.kind!r}")
        if not self.end_s > self.start_s:
            raise RangeError(f"end_s must be > start_s = {self.start_s:g}; got {self.end_s:g}")
        if self.kind in ("metal_near", "base_turned") and math.isnan(self.amount):
            object.__setattr__(self, "amount", _USUAL_AMOUNT[self.kind])

    def active(self, time_s: float) -> bool:
        """Return whether the fault is present at `time_s` (s): from start up to, not including, the end."""
        return self.start_s <= time_s < self.end_s


def base_turn(faults: Sequence[Fault], time_s: Array) -> Array:
    """Return how far `faults` turn the palm at `time_s` (s), shape (n,): smooth angles (rad) of the same shape."""
    turn = np.zeros(len(time_s))
    for fault in faults:
        if fault.kind == "base_turned":
            gone = np.clip((time_s - fault.start_s) / TURN_S, 0.0, 1.0)
            share = gone - np.clip((time_s - fault.end_s) / TURN_S, 0.0, 1.0)
            turn += fault.amount * (share * share * (3.0 - 2.0 * share))
    return turn


class CoilFaults:
    """Spoils the readings of one finger scan by scan.

    Parameters
    ----------
    faults : sequence of Fault
        What happens.
    finger : int
        Finger whose readings pass through here.
    """

    def __init__(self, faults: Sequence[Fault], finger: int = 0) -> None:
        self._faults = [fault for fault in faults if fault.finger == finger]
        self._finger = finger
        self._kept: dict[int, Array] = {}
        self._kept_pressure: dict[int, float] = {}
        self._last_pressure = 0.0

    def add(self, fault: Fault) -> None:
        """Take up one more `fault`; ignored if it belongs to another finger."""
        if fault.finger == self._finger:
            self._faults.append(fault)

    def spoil_coils(self, time_s: float, inductance_h: Array, rng: np.random.Generator) -> Array:
        """Return the readings as delivered.

        Parameters
        ----------
        time_s : float
            Time of the scan (s).
        inductance_h : numpy.ndarray, shape (c,)
            Good readings (H).
        rng : numpy.random.Generator
            Source of the spikes.

        Returns
        -------
        numpy.ndarray, shape (c,)
            Readings (H), NaN where a channel is open.
        """
        out = inductance_h
        for index, fault in enumerate(self._faults):
            if fault.kind not in COIL_FAULTS or not fault.active(time_s):
                self._kept.pop(index, None)
                continue
            out = out.copy()
            kept = self._kept.setdefault(index, out.copy())
            if fault.kind == "frozen":
                out[:] = kept
            elif fault.kind == "stuck":
                out[fault.channel] = kept[fault.channel]
            elif fault.kind == "open":
                out[fault.channel] = np.nan
            elif rng.uniform() < 0.1:
                out[fault.channel] *= 1.0 + float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.05, 0.5))
        return out

    def spoil_pressure(self, time_s: float, pressure_pa: float) -> float:
        """Return at `time_s` (s) what is delivered of the good reading `pressure_pa` (gauge Pa, NaN = none)."""
        out = pressure_pa
        for index, fault in enumerate(self._faults):
            if fault.kind not in PRESSURE_FAULTS or not fault.active(time_s):
                self._kept_pressure.pop(index, None)
                continue
            kept = self._kept_pressure.setdefault(index, self._last_pressure)
            if fault.kind == "pressure_lost":
                out = np.nan
            elif not np.isnan(out):
                out = kept if fault.kind == "pressure_frozen" else 0.0
        if not np.isnan(pressure_pa):
            self._last_pressure = pressure_pa
        return float(out)
