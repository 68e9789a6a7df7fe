"""The press recording of the bench protocol: forces of all sizes and directions at several pressures."""

from __future__ import annotations

import math

from soft_tactile_node.protocol.plan_parts import HOLD_S, REST_S, Limits, PlannedRecording, Writer

SHEAR_LOAD = 0.6
"""Normal force under which shear is applied, as a share of the highest; a pad that slides carries no more shear."""

HELD_SHEAR = 0.4
"""Shear during the long hold, as a share of the highest: what is held in earnest pulls sideways, too (1)."""

MOST_SHEAR = 1.6
"""Share of the highest shear over the share of the highest normal force that a pad is asked to carry (1)."""

SQUEEZES = (
    (0.33, 0.75, 0.7), (0.5, 1.0, 0.9), (0.6, 0.75, 0.25), (0.4, 0.9, 0.5), (0.33, 0.47, 0.1), (0.6, 0.73, 0.1)
)  # fmt: skip
"""Squeezes: pressure at the touch, highest pressure and normal force, as shares of the highest (1). Without the light
ones, what soft things are held with reads low."""

MIXTURE = 12
"""Presses of the mixture at the end of the press recording."""

GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0

Directions = tuple[tuple[float, float], ...]

ALL_DIRECTIONS: Directions = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
"""Along the finger and across, both ways."""

OFF_CENTRE_M = 3.0e-3
"""How far from the middle of the pad it is pressed off its centre (m)."""

MIDDLING = 0.4
"""Pressure of the long press and of those off the centre under pressure, as a share of the highest (1)."""


def _direction_name(x: float, y: float) -> str:
    return ("+x" if x > 0.0 else "-x") if x else ("+y" if y > 0.0 else "-y")


def _press_once(
    writer: Writer, normal: float, rise_s: float, x: float = 0.0, y: float = 0.0, *, rest_s: float = 0.6
) -> None:
    """Press, shear, let go of the shear, unload in the time of loading, and rest unloaded."""
    writer.go(rise_s, normal=normal)
    if x or y:
        writer.go(0.5, shear_x=x, shear_y=y)
    writer.go(0.3)
    if x or y:
        writer.go(0.5, shear_x=0.0, shear_y=0.0)
    writer.go(rise_s, normal=0.0)
    writer.go(rest_s)


def _press_at(writer: Writer, limits: Limits, share: float, shear: bool, directions: Directions) -> None:
    """Write the presses at one pressure."""
    writer.go(1.5, pressure=share)
    writer.go(1.5)
    for normal, rise_s in ((1.0, 1.0), (0.3, 0.25), (0.6, 2.0)):
        _press_once(writer, normal, rise_s, rest_s=0.8)
    if shear:
        for x, y in directions:
            _press_once(writer, SHEAR_LOAD, 0.4, x, y)
    for normal in (0.02, 0.05):
        _press_once(writer, normal, 0.3)
    words = f"At {limits.pressures(share)}: press to {limits.forces(1, 0.3, 0.6)} in 1, 0.25, 2 s and unload as slowly"
    fewer = ""
    if shear:
        words += f"; under {limits.forces(SHEAR_LOAD)} in the middle of the pad, shear by {limits.shears(1)} to "
        words += ", ".join(_direction_name(*one) for one in ALL_DIRECTIONS)
        if len(directions) < len(ALL_DIRECTIONS):
            fewer = ", shear only to " + " and ".join(_direction_name(*one) for one in directions)
    words += (
        f"; touch lightly with {limits.forces(0.02, 0.05)}. Leave the pad for 0.6 s after each, and let the place of "
        f"the presses vary by 2 mm{', the sheared ones excepted' if shear else ''}."
    )
    writer.end_step(f"The same at {limits.pressures(share)}{fewer}." if share else words)


def _off_centre(writer: Writer, limits: Limits, share: float) -> None:
    """Write presses at four places off the centre of the pad, at one pressure; the place is taken up off the pad."""
    writer.go(2.0, pressure=share)
    writer.go(2.0)
    for x, y in ALL_DIRECTIONS:
        writer.go(0.6, place_m=(x * OFF_CENTRE_M, y * OFF_CENTRE_M))
        _press_once(writer, 0.5, 0.5)
    writer.go(0.6, place_m=None)
    places = ", ".join(_direction_name(*one) for one in ALL_DIRECTIONS)
    writer.end_step(
        f"At {limits.pressures(share)}: press to {limits.forces(0.5)} at each of these places, "
        f"{1e3 * OFF_CENTRE_M:g} mm from the middle of the pad: {places}.",
        "how the place of a press changes what it reads is guessed",
    )


def _hold(writer: Writer, limits: Limits, side: float) -> None:
    """Write the long press, with a shear of `side`."""
    writer.go(2.0, pressure=MIDDLING)
    writer.go(2.0)
    writer.go(0.5, normal=0.5)
    writer.go(0.5, shear_x=side)
    writer.go(HOLD_S)
    writer.go(0.5, shear_x=0.0)
    writer.go(0.5, normal=0.0)
    writer.go(20.0)
    also = f" with a shear of {limits.shears(side)} to +x" if side else ""
    writer.end_step(
        f"At {limits.pressures(MIDDLING)}: hold {limits.forces(0.5)}{also} for {HOLD_S:g} s, unload, wait for 20 s.",
        "how the pad creeps under a long press is guessed from short ones",
    )


def _squeeze(writer: Writer, limits: Limits) -> None:
    """Write squeezes: the finger closes on a stop, so that pressure and force rise together, as in a grasp."""
    for touch, top, normal in SQUEEZES:
        writer.go(1.0, pressure=touch)
        writer.go(0.5)
        writer.go(2.0, pressure=top, normal=normal)
        writer.go(1.5)
        writer.go(0.5, pressure=touch, normal=0.0)
        writer.go(0.8)
    closings = ", ".join(
        f"from {limits.pressures(touch)} to {limits.pressures(top)} ({limits.forces(normal)})"
        for touch, top, normal in SQUEEZES
    )
    writer.end_step(
        f"Squeeze a stop that stands still before the force cell: let the finger just touch it, raise the pressure in "
        f"2 s, keep it for 1.5 s, lower it again: {closings}. Place the stop so that the force then reaches about what "
        f"stands in brackets; where it reaches more, as in the last ones, squeeze foam before the stop."
    )


def _mixture(writer: Writer, limits: Limits, shear: bool) -> None:
    """Write presses of all sizes, speeds and directions at several pressures."""
    for number in range(MIXTURE):
        # Weyl's sequence of the golden ratio fills the range evenly in any stretch
        size, turn, speed = ((start + (number + 1) * GOLDEN) % 1.0 for start in (0.0, 0.4, 0.7))
        normal = 0.1 + 0.9 * size
        push = min(1.0, MOST_SHEAR * normal) if shear else 0.0
        angle = 2.0 * math.pi * turn
        writer.go(1.5, pressure=(0.0, 0.5, 0.25, 0.8)[number % 4])
        writer.go(1.5)
        x, y = round(push * math.cos(angle), 3), round(push * math.sin(angle), 3)
        _press_once(writer, round(normal, 3), round(0.2 + 1.2 * speed, 2), x, y, rest_s=0.8)
    writer.end_step(
        f"{MIXTURE} presses of all sizes ({limits.forces(0.1, 1)} and between), in 0.2 to 1.4 s, "
        f"at {limits.pressures(0, 0.25, 0.5, 0.8)}"
        + (f", with shear up to {limits.shears(1)} in any direction" if shear else "")
        + "."
    )


def plan_presses(limits: Limits, shear: bool) -> PlannedRecording:
    """Return the press recording within `limits`; `shear` is False for a pad that shows normal force only."""
    writer = Writer()
    writer.rest(REST_S)
    some, others = ALL_DIRECTIONS[:2], ALL_DIRECTIONS[2:]
    for share, directions in ((0.0, ALL_DIRECTIONS), (1 / 3, some), (2 / 3, ALL_DIRECTIONS), (1.0, others)):
        _press_at(writer, limits, share, shear, directions)
    _squeeze(writer, limits)
    _off_centre(writer, limits, MIDDLING)
    _hold(writer, limits, HELD_SHEAR if shear else 0.0)
    _off_centre(writer, limits, 0.0)
    _mixture(writer, limits, shear)
    writer.go(2.0, pressure=0.0)
    writer.end_step("Vent.")
    writer.rest(REST_S)
    return PlannedRecording(
        "press", "press", "force on the pad, with the reference force in force_x_n, force_y_n, force_z_n",
        tuple(writer.steps), tuple(writer.path),
    )  # fmt: skip
