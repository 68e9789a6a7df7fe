"""Where an iron-disc pad stops responding, in words."""

from __future__ import annotations

from dataclasses import replace

from soft_tactile_node.design.conditions import Load
from soft_tactile_node.design.figures import DesignFigures
from soft_tactile_node.design.iron_disc_model import IronDiscPad
from soft_tactile_node.design.materials import Powder
from soft_tactile_node.design.words import common_remarks, millimetres
from soft_tactile_node.physics.composite import saturation_field

COIL_CURRENT_A = 2.0e-3
"""Current at which an oscillator of this kind drives its coil (A). Common practice, no source."""


def describe_limits(figures: DesignFigures, pad: IronDiscPad, load: Load, powder: Powder) -> DesignFigures:
    """Return the figures with remarks, and whether the design is usable."""
    remarks, usable = common_remarks(figures, pad.coil, load)
    gap, left = pad.cushion.gap_m, figures.extra["gap_at_full_scale_m"]
    if left < 0.4 * gap:
        remarks.append(
            f"The silicone below the disc is down to {millimetres(left)} of {millimetres(gap)} at full scale and "
            "stiffens: little travel is left, more force hardly moves the disc. A thicker or firmer cushion gives "
            "range."
        )
    elif gap - left < 0.05 * gap:
        remarks.append(
            f"The disc moves only {millimetres(gap - left)} at full scale, {100 * (gap - left) / gap:.0f} % of the "
            "gap: a softer or narrower cushion gives more response."
        )
    if gap + pad.coil.cover_m > 0.75 * pad.coil.outer_radius_m:
        remarks.append(
            f"The gap of {millimetres(gap)} is large against the coil's radius of "
            f"{millimetres(pad.coil.outer_radius_m)}: the field has faded before it reaches the disc. A larger coil or "
            "a smaller gap responds more."
        )
    if figures.extra["rest_change_percent"] < 0.5:
        remarks.append(
            "The disc changes the inductance by less than 0.5 % even at rest: too thin, too lean or too far away."
        )
    edge = figures.extra["shear_before_edge_n"]
    if edge < 0.999 * load.shear_n:
        remarks.append(
            f"At half the normal load the disc's edge tips onto the board at {edge:.2g} N of shear: beyond that the "
            "tilt stops and the difference signal flattens. A firmer cushion, more gap or less skin give range."
        )
    field = 2.0 * 4.0e-7 * 3.1416 * pad.coil.layers * figures.turns * COIL_CURRENT_A / (2.0 * pad.coil.outer_radius_m)
    limit = saturation_field(powder.saturation_t, pad.disc.fraction)
    if field > 0.5 * limit:
        remarks.append(
            f"The coil's own field of {field:.2g} T comes near the {limit:.2g} T at which the composite saturates: the "
            "disc stops responding. Drive the coil with less current."
        )
    return replace(figures, remarks=remarks, usable=usable)
