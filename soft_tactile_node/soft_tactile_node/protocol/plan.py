"""The bench protocol of a calibration: what to do before it, and what to record, as paths a rig can follow.

Sizes are shares of the user's own limits, for nobody else knows what a finger stands.
"""

from __future__ import annotations

from dataclasses import dataclass

from soft_tactile_node.protocol.plan_parts import HOLD_S, REST_S, Limits, PlannedRecording, Writer
from soft_tactile_node.protocol.plan_presses import plan_presses

WARMING_K = 10.0
"""Change of temperature that shows the temperature slope (K)."""

RUN_IN_CYCLES = 20
"""Cycles before the first recording: silicone softens with the first ones (common practice, no source)."""


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
    "This is no safety advice for your rig: read shared/docs/safety.md; a competent person decides.",
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


def _sweeps(writer: Writer, limits: Limits) -> None:
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
    writer = Writer()
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
    writer = Writer()
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
    recordings = (_free_bend(known), _warming(known), plan_presses(known, shear))
    return Plan(CAUTIONS, _preparations(known), recordings, known)
