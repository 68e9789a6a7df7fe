"""What a guided calibration may do, and what it wants done."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from soft_tactile_node.protocol.plausible import NORMAL_FORCE, PRESSURE, check_plausible


class Phase(IntEnum):
    """What is being done; the same numbers in the action's feedback."""

    FREE_BEND = 0
    PRESS = 1
    FITTING = 2
    VENTING = 3


@dataclass(frozen=True)
class BenchLimits:
    """What a guided calibration may do.

    Attributes
    ----------
    max_pressure_pa : float
        Highest pressure it commands (gauge Pa).
    full_force_n : float
        Highest normal force it asks for (N).
    press_timeout_s : float
        Longest wait for one press (s).
    pressure_timeout_s : float
        Longest gap between pressure readings (s).
    with_temperature : bool
        Whether the recording with a change of temperature is made, too.

    Raises
    ------
    RangeError
        Pressure or force is none that a soft finger can have; says the unit.
    """

    max_pressure_pa: float
    full_force_n: float = 5.0
    press_timeout_s: float = 60.0
    pressure_timeout_s: float = 1.0
    with_temperature: bool = False

    def __post_init__(self) -> None:
        check_plausible(self.max_pressure_pa, PRESSURE, name="max_pressure_pa")
        check_plausible(self.full_force_n, NORMAL_FORCE, name="full_force_n")


@dataclass(frozen=True)
class Wanted:
    """What is to be done now.

    Attributes
    ----------
    pressure_pa : float
        Pressure to command (gauge Pa).
    force_n : tuple of float, or None
        Force to press with (N, pad frame); None = nothing may touch the pad.
    place_m : tuple of float
        Where to press (m).
    phase : Phase
        See Phase.
    fraction : float
        How much of the recording is done (1).
    instruction : str
        For the person at the bench; empty = nothing to do.
    """

    pressure_pa: float
    force_n: tuple[float, float, float] | None
    place_m: tuple[float, float]
    phase: Phase
    fraction: float
    instruction: str
