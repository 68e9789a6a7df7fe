"""What a bench protocol is made of: limits, waypoints of a rig, steps in words, recordings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from soft_tactile_node.protocol.plausible import NORMAL_FORCE, PRESSURE, SHEAR_FORCE, check_plausible

REST_S = 5.0
"""Rest at the start of each recording: 1 s of tare, and room for a late start (s)."""

HOLD_S = 60.0
"""Length of the long holds, which show creep (s)."""


@dataclass(frozen=True)
class Limits:
    """What the user's finger, pad and press stand; None = not said, then the protocol speaks in shares of it.

    Attributes
    ----------
    pressure_pa : float or None
        Highest gauge pressure (Pa).
    force_n, shear_n : float or None
        Highest normal force and shear on the pad (N).

    Raises
    ------
    RangeError
        A limit is none that a soft finger can have; says the unit.
    """

    pressure_pa: float | None = None
    force_n: float | None = None
    shear_n: float | None = None

    def __post_init__(self) -> None:
        for name, quantity in (("pressure_pa", PRESSURE), ("force_n", NORMAL_FORCE), ("shear_n", SHEAR_FORCE)):
            if getattr(self, name) is not None:
                check_plausible(getattr(self, name), quantity, name=name)

    def pressures(self, *shares: float) -> str:
        """Return `shares` (1) of the highest pressure in words."""
        return _in_words(shares, None if self.pressure_pa is None else self.pressure_pa / 1000.0, "kPa", "pressure")

    def forces(self, *shares: float) -> str:
        """Return `shares` (1) of the highest normal force in words."""
        return _in_words(shares, self.force_n, "N", "normal force")

    def shears(self, *shares: float) -> str:
        """Return `shares` (1) of the highest shear in words."""
        return _in_words(shares, self.shear_n, "N", "shear")


def _in_words(shares: Sequence[float], full: float | None, unit: str, name: str) -> str:
    if full is None:
        return ", ".join(f"{100.0 * share:.3g}" for share in shares) + f" % of the highest {name}"
    return ", ".join(f"{full * share:.3g}" for share in shares) + f" {unit}"


@dataclass(frozen=True)
class Waypoint:
    """Where a rig is at one moment; straight lines join the waypoints.

    Attributes
    ----------
    time_s : float
        Time from the start of the recording (s).
    pressure : float
        Chamber pressure as a share of the highest (1).
    normal : float
        Normal force as a share of the highest (1).
    shear_x, shear_y : float
        Shear force along x and y as shares of the highest (1).
    place_m : tuple of float, or None
        Where the pad is pressed, x and y from its middle (m), taken up while the pad is free; None = near the middle.
    """

    time_s: float
    pressure: float = 0.0
    normal: float = 0.0
    shear_x: float = 0.0
    shear_y: float = 0.0
    place_m: tuple[float, float] | None = None


@dataclass(frozen=True)
class Step:
    """One thing to do.

    Attributes
    ----------
    text : str
        What to do, in words.
    start_s, duration_s : float
        When it begins, from the start of the recording, and how long it takes (s).
    price : str
        What a calibration without it does not know; empty = it must not be left out. A rig leaves a step out by
        dropping its waypoints and bringing the later ones forward.
    """

    text: str
    start_s: float
    duration_s: float
    price: str = ""


@dataclass(frozen=True)
class PlannedRecording:
    """One recording of the protocol.

    Attributes
    ----------
    name : str
        File name to give it, without ending.
    kind : str
        `free_bend` or `press`.
    purpose : str
        What it is for.
    steps : tuple of Step
        What to do, in order.
    path : tuple of Waypoint
        The same for a rig, times not falling.
    warming_k : float
        How far finger and coils are to warm up during the recording (K).
    optional : bool
        True = may be left out; then `price` is not known.
    price : str
        What a calibration without it does not know.
    """

    name: str
    kind: Literal["free_bend", "press"]
    purpose: str
    steps: tuple[Step, ...]
    path: tuple[Waypoint, ...]
    warming_k: float = 0.0
    optional: bool = False
    price: str = ""

    @property
    def duration_s(self) -> float:
        """Length of the recording (s)."""
        return self.path[-1].time_s


@dataclass
class Writer:
    """Writes the path of one recording, step by step."""

    path: list[Waypoint] = field(default_factory=lambda: [Waypoint(0.0)])
    steps: list[Step] = field(default_factory=list)
    _start_s: float = 0.0

    def go(self, duration_s: float, **values: Any) -> None:
        """Move to new values in a straight line.

        Parameters
        ----------
        duration_s : float
            Time it takes (s).
        **values : float
            New values by the names of Waypoint, in its units; the others stay.
        """
        last = self.path[-1]
        self.path.append(replace(last, time_s=round(last.time_s + duration_s, 6), **values))

    def end_step(self, text: str, price: str = "") -> None:
        """Give what was written since the last step its words.

        Parameters
        ----------
        text : str
            What to do.
        price : str
            What a calibration without it does not know; empty = it must not be left out.
        """
        now_s = self.path[-1].time_s
        self.steps.append(Step(text, self._start_s, round(now_s - self._start_s, 6), price))
        self._start_s = now_s

    def rest(self, duration_s: float, text: str = "Rest: vented, untouched.") -> None:
        """Leave everything as it is for `duration_s` (s); `text` says what to do meanwhile."""
        self.go(duration_s)
        self.end_step(text)
