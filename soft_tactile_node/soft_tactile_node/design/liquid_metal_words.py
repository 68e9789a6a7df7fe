"""Where a liquid-metal pad stops responding, in words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from soft_tactile_node.design.conditions import Load
from soft_tactile_node.design.figures import DesignFigures
from soft_tactile_node.design.liquid_metal_model import LiquidMetalPad
from soft_tactile_node.design.words import common_remarks, millimetres


def describe_limits(figures: DesignFigures, pad: LiquidMetalPad, load: Load) -> DesignFigures:
    """Return the figures with remarks, and whether the design is usable."""
    remarks, usable = common_remarks(figures, pad.coil, load)
    remarks += _film_remarks(figures, pad)
    if figures.normal_h[-1] > 0.0:
        remarks.append("More metal RAISES the reading here: the film is beyond the thickness at which it shields best.")
    read = 100.0 * float(figures.normal_h[-1]) / figures.inductance_h
    true = figures.extra["true_change_percent"]
    if abs(read - true) > 0.3 * abs(read):
        remarks.append(
            f"The inductance itself changes by {true:.2g} % at full scale, the reading by {read:.2g} %: at a quality "
            f"factor of {figures.noise.quality:.2g} the falling loss shifts the tank as well. Read the loss too to "
            "tell them apart."
        )
    gap = pad.coil.cover_m + pad.coil_cell.wall_m
    if gap > 0.35 * pad.coil.outer_radius_m:
        remarks.append(
            f"The {millimetres(gap)} between coil and metal are large against the coil's radius of "
            f"{millimetres(pad.coil.outer_radius_m)}: the film sees little of the field. A thinner wall responds more."
        )
    ratio = figures.extra["compliance_ratio"]
    if ratio > 2.0:
        # V/F = C_p C_c/((C_p + C_c) A) with C_p ~ a^6: at its optimum C_p = 2 C_c
        remarks.append(
            f"The press cell is past its optimum diameter: its roof is {ratio:.2g} times as compliant as the coil "
            "cell's (2 is best), so a wider cell only spreads the force over more area."
        )
    elif ratio < 0.2:
        remarks.append(
            f"The press cell is far below its optimum diameter: its roof is only {ratio:.2g} times as compliant as the "
            "coil cell's (2 is best). A wider press cell displaces more metal per newton."
        )
    room = 0.9 * math.pi * (0.5 * pad.press_cell.diameter_m) ** 2 * pad.press_cell.height_m
    if figures.extra["displaced_volume_m3"] > 0.999 * room:
        remarks.append(
            f"The press cell is squeezed empty before full scale (it holds {room * 1e9:.3g} mm^3): a higher cell, or "
            "stiffer roofs, give range."
        )
    return replace(figures, remarks=remarks, usable=usable)


def _film_remarks(figures: DesignFigures, pad: LiquidMetalPad) -> list[str]:
    """Return what the film's thickness does, against skin depth and against the coil's size."""
    depth, film = figures.extra["skin_depth_m"], pad.coil_cell.film_m
    if film >= depth:
        text = (
            f"The film of {millimetres(film)} is thicker than the skin depth of {millimetres(depth)} already at rest: "
            "the field does not reach its far side, more metal hardly lowers the inductance. A thinner film or a "
            "lower frequency responds."
        )
        return [text]
    # a film shields once w mu0 h/(2 rho) times the coil's mean radius is well above one, long before the skin depth
    mean = 0.5 * (pad.coil.inner_radius_m + pad.coil.outer_radius_m)
    shielding = film / depth**2 * mean
    found = []
    if shielding > 4.0:
        found.append(
            f"The film of {millimetres(film)} shields the coil already at rest ({shielding:.2g} times the thickness at "
            "which it begins to): most of the possible change is gone before anything touches. A thinner film or a "
            "lower frequency responds more."
        )
    full = figures.extra["film_at_full_scale_m"]
    if full > depth:
        share = np.interp(depth, film + (full - film) * figures.force_n / figures.force_n[-1], figures.force_n)
        found.append(
            f"Under load the film grows past the skin depth of {millimetres(depth)} (at about {share:.2g} N in its "
            f"middle, {millimetres(full)} at full scale): from there more metal lowers the inductance less and less."
        )
    return found
