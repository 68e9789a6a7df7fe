"""Liquid metal between press cell and coil cell: driven in quickly by the touch, back slowly by the cell walls."""

from __future__ import annotations

import math

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.two_cells import ALLOY_DENSITY_KG_M3
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.specimen import FingerParameters

_DENSITY = ALLOY_DENSITY_KG_M3


@compiled
def press_pressure(finger: FingerParameters, force_n: float, bend_rad: float, gravity_x_m_s2: float) -> float:
    """Return the pressure that drives metal out of the press cell (Pa): touch, bending, weight of the column."""
    bending = finger.metal_bend_pa * bend_rad + finger.metal_bend_quadratic_pa * bend_rad * abs(bend_rad)
    return force_n / finger.metal_area_m2 + bending + _DENSITY * gravity_x_m_s2 * finger.metal_column_m


@compiled
def step_metal(finger: FingerParameters, now: Array, gravity_x_m_s2: float, dt_s: float) -> None:
    """Advance the displaced volume by one substep; gravity minus base acceleration along the pad's x (m/s^2).

    dV/dt = (p_drive - p_walls(V)) / R with p_walls = k V + k3 V^3. The duct is soft: pressure in it widens it (R
    falls), so metal goes in quickly; on the way back only the walls drive it through a duct at rest.
    """
    drive = press_pressure(finger, now[at.FORCE_Z], now[at.BEND], gravity_x_m_s2)
    volume = now[at.METAL]
    walls = finger.metal_press_pa_m3 + finger.metal_coil_pa_m3
    net = drive - walls * volume - finger.metal_cubic_pa_m9 * volume * volume * volume
    slope = walls + 3.0 * finger.metal_cubic_pa_m9 * volume * volume
    inside = 0.5 * (drive + (finger.metal_coil_pa_m3 - finger.metal_press_pa_m3) * volume)
    width = min(4.0, max(0.7, 1.0 + inside / finger.metal_duct_opening_pa))
    rate = slope * width * width / finger.metal_resistance_pa_s_m3
    now[at.METAL] = volume + net / slope * (1.0 - math.exp(-rate * dt_s))
