"""The bench protocol of a calibration: what to do before it, and what to record, as paths a rig can follow.

Sizes are shares of the user's own limits, for nobody else knows what a finger stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from soft_tactile_node.checks import check_range

REST_S = 5.0
"""Rest at the start of each recording: 1 s of tare, and room for a late start (s)."""

HOLD_S = 60.0
"""Length of the long holds, which show creep (s)."""

WARMING_K = 10.0
"""Change of temperature that shows the temperature slope (K)."""

RUN_IN_CYCLES = 20
"""Cycles before the first recording: silicone softens with the first ones (common practice, no source)."""

SHEAR_LOAD = 0.6
"""Normal force under which shear is applied, as a share of the highest; a pad that slides carries no more shear."""


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
        A limit is not positive.
    """

    pressure_pa: float | None = None
    force_n: float | None = None
    shear_n: float | None = None

    def __post_init__(self) -> None:
        for name in ("pressure_pa", "force_n", "shear_n"):
            if getattr(self, name) is not None:
                check_range(getattr(self, name), 0.0, name=name, open_low=True)

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
    """

    time_s: float
    pressure: float = 0.0
    normal: float = 0.0
    shear_x: float = 0.0
    shear_y: float = 0.0


@dataclass(frozen=True)
class Step:
    """One thing to do.

    Attributes
    ----------
    text : str
        What to do, in words.
    start_s, duration_s : float
        When it begins, from the start of the recording, and how long it takes (s).
    """

    text: str
    start_s: float
    duration_s: float


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


@dataclass(frozen=True)
class Plan:
    """The bench protocol.

    Attributes
    ----------
    cautions : tuple of str
        What keeps people, finger and rig whole; read first.
    preparations : tuple of str
        What to do before the first recording.
    recordings : tuple of PlannedRecording
        What to record, in order.
    limits : Limits
        The user's limits.
    """

    cautions: tuple[str, ...]
    preparations: tuple[str, ...]
    recordings: tuple[PlannedRecording, ...]
    limits: Limits


CAUTIONS = (
    "This is no safety advice for your rig: a competent person decides, local codes rule.",
    (
        "Fit a relief valve and limit the supply to the highest pressure of the finger. Soft fingers burst: wear eye "
        "protection."
    ),
    (
        "Keep hands out while anything moves: finger and press pinch. Keep a vent within reach that works without the "
        "computer."
    ),
    "Limit the force of the press by its drive or a stop, to what pad and force cell stand.",
    "Heating: stay below what silicone, bonds and board stand, and never leave a heater alone.",
    (
        "Liquid-metal pads: gallium alloys attack aluminium and stain. Put a tray below that is not of aluminium, and "
        "keep food away."
    ),
)


def _preparations(limits: Limits) -> tuple[str, ...]:
    return (
        f"Check for leaks: at {limits.pressures(0.3)} the reading must stay for a minute.",
        (
            "Put coils, pressure and force cell on one clock. Where that cannot be, `soft-tactile import` finds the "
            "offset from the presses."
        ),
        (
            "Zero the force cell with the pad untouched. A press must read positive force_z_n; a pull towards the tip, "
            "positive force_x_n."
        ),
        "Let the readout warm up for 15 minutes. Keep metal and other fingers as far from the pad as in later use.",
        (
            f"Run in: {RUN_IN_CYCLES} times from 0 to {limits.pressures(1)} and back, 5 s each; then {RUN_IN_CYCLES} "
            f"presses to {limits.forces(1)}, 2 s each. Then leave the finger vented and untouched for 5 minutes."
        ),
        (
            "Record at the rate of later use. Touch neither pad nor finger while a recording starts: its first second "
            "is the tare."
        ),
    )


@dataclass
class _Writer:
    """Writes the path of one recording, step by step."""

    path: list[Waypoint] = field(default_factory=lambda: [Waypoint(0.0)])
    steps: list[Step] = field(default_factory=list)
    _start_s: float = 0.0

    def go(self, duration_s: float, **values: float) -> None:
        """Move to new values in a straight line."""
        last = self.path[-1]
        known = {name: getattr(last, name) for name in ("pressure", "normal", "shear_x", "shear_y")}
        self.path.append(Waypoint(round(last.time_s + duration_s, 6), **{**known, **values}))

    def end_step(self, text: str) -> None:
        """Give what was written since the last step its words."""
        now_s = self.path[-1].time_s
        self.steps.append(Step(text, self._start_s, round(now_s - self._start_s, 6)))
        self._start_s = now_s

    def rest(self, duration_s: float, text: str = "Rest: vented, untouched.") -> None:
        """Leave everything as it is."""
        self.go(duration_s)
        self.end_step(text)


def _sweeps(writer: _Writer, limits: Limits) -> None:
    """Write full sweeps at three rates, twice each, and reversals inside them."""
    for one_way_s in (20.0, 4.0, 0.8):
        for _ in range(2):
            writer.go(one_way_s, pressure=1.0)
            writer.go(one_way_s, pressure=0.0)
            writer.go(1.0)
        writer.end_step(f"Sweep from 0 to {limits.pressures(1)} and back, twice, {one_way_s:g} s one way.")
    turns = (0.65, 0.3, 0.85, 0.5, 1.0, 0.25, 0.75, 0.45, 0.6, 0.0)
    for target in turns:
        writer.go(abs(target - writer.path[-1].pressure) * 8.0, pressure=target)
        writer.go(0.5)
    writer.end_step(f"Reversals at {limits.pressures(*turns)}, at a rate of 8 s for the full range.")


def _free_bend(limits: Limits) -> PlannedRecording:
    writer = _Writer()
    writer.rest(REST_S)
    _sweeps(writer, limits)
    writer.go(1.0, pressure=1.0)
    writer.go(HOLD_S)
    writer.go(1.0, pressure=0.0)
    writer.go(20.0)
    writer.end_step(f"Hold {limits.pressures(1)} for {HOLD_S:g} s, vent, wait for 20 s: creep and recovery.")
    steps = (0.25, 0.5, 0.75, 1.0)
    for share in steps:
        writer.go(0.4 * share, pressure=share)
        writer.go(2.5)
        writer.go(0.4 * share, pressure=0.0)
        writer.go(2.0)
    writer.end_step(f"Quick steps to {limits.pressures(*steps)}, 2.5 s each, vented for 2 s after each.")
    writer.rest(REST_S)
    return PlannedRecording(
        "free_bend", "free_bend", "bending without contact: nothing may touch the finger, anywhere",
        tuple(writer.steps), tuple(writer.path),
    )  # fmt: skip


def _warming(limits: Limits) -> PlannedRecording:
    writer = _Writer()
    writer.rest(REST_S)
    for _ in range(6):
        writer.go(25.0)
        writer.go(10.0, pressure=1.0)
        writer.go(5.0)
        writer.go(10.0, pressure=0.0)
    writer.end_step(
        f"Warm finger and coils evenly by {WARMING_K:g} K (warm air, lamp) while the pressure sweeps slowly to "
        f"{limits.pressures(1)} every 50 s; record temperature_c at the coils. The change must lie within this one "
        "recording."
    )
    writer.rest(30.0, "Rest: vented, untouched, temperature steady.")
    return PlannedRecording(
        "free_bend_warming", "free_bend", "temperature, told apart from force", tuple(writer.steps), tuple(writer.path),
        warming_k=WARMING_K, optional=True, price="the temperature slope stays unknown",
    )  # fmt: skip


def _press_once(writer: _Writer, normal: float, rise_s: float, x: float = 0.0, y: float = 0.0) -> None:
    """Press, shear, let go of the shear, unload in the time of loading, and rest unloaded."""
    writer.go(rise_s, normal=normal)
    if x or y:
        writer.go(0.6, shear_x=x, shear_y=y)
    writer.go(0.5)
    if x or y:
        writer.go(0.6, shear_x=0.0, shear_y=0.0)
    writer.go(rise_s, normal=0.0)
    writer.go(1.0)


def _press_at(writer: _Writer, limits: Limits, share: float, shear: bool) -> None:
    """Write the presses at one pressure."""
    writer.go(1.5, pressure=share)
    writer.go(2.0)
    for normal, rise_s in ((1.0, 1.0), (0.3, 0.3), (0.6, 2.0)):
        _press_once(writer, normal, rise_s)
    # the second reversal keeps the pad loaded: a small loop inside the large one
    for normal in (0.8, 0.3, 0.6, 0.0):
        writer.go(0.8, normal=normal)
    writer.go(1.0)
    for normal in (0.02, 0.05):
        _press_once(writer, normal, 0.4)
    words = (
        f"At {limits.pressures(share)}: press to {limits.forces(1, 0.3, 0.6)} in 1, 0.3, 2 s and unload as slowly; go "
        f"through {limits.forces(0.8, 0.3, 0.6, 0)} without leaving the pad; touch lightly with "
        f"{limits.forces(0.02, 0.05)}"
    )
    if shear:
        for x, y in ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)):
            _press_once(writer, SHEAR_LOAD, 0.4, x, y)
        words += f"; under {limits.forces(SHEAR_LOAD)}, shear by {limits.shears(1)} to +x, -x, +y, -y"
    words += ". Leave the pad for 1 s after each, and let the place of the press vary by 2 mm."
    writer.end_step(f"The same at {limits.pressures(share)}." if share else words)


def _press(limits: Limits, shear: bool) -> PlannedRecording:
    writer = _Writer()
    writer.rest(REST_S)
    for share in (0.0, 1 / 3, 2 / 3, 1.0):
        _press_at(writer, limits, share, shear)
    writer.go(2.0, pressure=0.4)
    writer.go(2.0)
    writer.go(0.5, normal=0.5)
    writer.go(HOLD_S)
    writer.go(0.5, normal=0.0)
    writer.go(20.0)
    writer.go(2.0, pressure=0.0)
    writer.end_step(
        f"At {limits.pressures(0.4)}: hold {limits.forces(0.5)} for {HOLD_S:g} s, unload, wait for 20 s. Vent."
    )
    writer.rest(REST_S)
    return PlannedRecording(
        "press", "press", "force on the pad, with the reference force in force_x_n, force_y_n, force_z_n",
        tuple(writer.steps), tuple(writer.path),
    )  # fmt: skip


def make_plan(limits: Limits | None = None, *, shear: bool = True) -> Plan:
    """Return the bench protocol of a calibration.

    Parameters
    ----------
    limits : Limits, optional
        What finger, pad and press stand; None speaks in shares of it.
    shear : bool
        False for a pad that shows normal force only.

    Returns
    -------
    Plan
        Cautions, preparations and recordings.
    """
    known = limits or Limits()
    recordings = (_free_bend(known), _warming(known), _press(known, shear))
    return Plan(CAUTIONS, _preparations(known), recordings, known)
