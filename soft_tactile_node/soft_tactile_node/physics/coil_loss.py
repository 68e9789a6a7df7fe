"""Loss resistance of a flat coil: direct current, skin effect, and the field of the neighbouring turns."""

from __future__ import annotations

import math

import numpy as np

from soft_tactile_node.checks import check_range
from soft_tactile_node.physics.constants import MU0_H_M
from soft_tactile_node.physics.eddy_layers import skin_depth
from soft_tactile_node.physics.filaments import loop_field
from soft_tactile_node.physics.spiral import SpiralCoil

COPPER_RESISTIVITY_OHM_M = 1.7241e-8
"""Resistivity of annealed copper at 20 degC (ohm m). Source: IEC 60028 (recalled)."""

COPPER_TEMPERATURE_COEFFICIENT_1_K = 3.93e-3
"""Relative change of copper's resistivity per kelvin at 20 degC (1/K). Source: IEC 60028 (recalled)."""


def direct_resistance(
    coil: SpiralCoil, temperature_c: float = 20.0, resistivity_ohm_m: float = COPPER_RESISTIVITY_OHM_M
) -> float:
    """Return the direct-current resistance of a coil.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    temperature_c : float
        Temperature (degC).
    resistivity_ohm_m : float
        Resistivity at 20 degC (ohm m).

    Returns
    -------
    float
        Resistance (ohm).

    Notes
    -----
    Source: length over section; IEC 60028 for copper (recalled).
    """
    rho = resistivity_ohm_m * (1.0 + COPPER_TEMPERATURE_COEFFICIENT_1_K * (temperature_c - 20.0))
    return rho * coil.wire_length_m() / (coil.width_m * coil.trace_thickness_m)


def skin_factor(width_m: float, thickness_m: float, frequency_hz: float, resistivity_ohm_m: float) -> float:
    """Return the ratio of alternating to direct resistance of one flat conductor by skin effect alone.

    The foil solution (t/d) (sinh + sin)/(cosh - cos)(t/d) /2 through the thickness, d the skin depth; the crowding at
    the edges of a strip wider than thick is left to `proximity_resistance`.

    Parameters
    ----------
    width_m, thickness_m : float
        Section (m).
    frequency_hz, resistivity_ohm_m : float
        Frequency (Hz) and resistivity (ohm m).

    Returns
    -------
    float
        Factor (1), >= 1.

    Notes
    -----
    Source: P. L. Dowell, Proc. IEE 113 (1966) 1387-1394, one layer (recalled).
    """
    delta = float(skin_depth(resistivity_ohm_m, frequency_hz))
    x = min(thickness_m, width_m) / delta
    if x < 1.0e-2:
        return 1.0
    # one layer with the field on both faces: each half sees t/2
    half = 0.5 * x
    if half > 20.0:
        return half
    return half * (math.sinh(2 * half) + math.sin(2 * half)) / (math.cosh(2 * half) - math.cos(2 * half))


def proximity_resistance(
    coil: SpiralCoil, frequency_hz: float, resistivity_ohm_m: float = COPPER_RESISTIVITY_OHM_M
) -> float:
    """Return the resistance that eddy currents in the turns add, caused by the field of the other turns.

    Each turn is a strip across which the normal field of the others drives eddy currents: power per length
    w^3 t (w_ang B)^2 / (12 rho) rms-squared while the width is below about twice the skin depth; beyond it the eddy
    currents shield the strip and the growth is cut to the square root of frequency.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    frequency_hz, resistivity_ohm_m : float
        Frequency (Hz) and resistivity (ohm m).

    Returns
    -------
    float
        Added series resistance (ohm).

    Notes
    -----
    Source: eddy loss of a thin strip in an even alternating field, any electromagnetics text; shielding limit as in W.
    B. Kuhn, N. M. Ibrahim, IEEE Trans. MTT 49 (2001) 31-38 (recalled). An engineering estimate, within tens of per
    cent.
    """
    frequency = check_range(frequency_hz, 0.0, name="frequency_hz", open_low=True)
    radii, heights = coil.rings()
    omega = 2.0 * math.pi * frequency
    total = 0.0
    width, thickness = coil.width_m, coil.trace_thickness_m
    delta = float(skin_depth(resistivity_ohm_m, frequency))
    strength = omega * MU0_H_M * width * thickness / (resistivity_ohm_m * math.pi)  # critical when about 1
    shielding = 1.0 / math.sqrt(1.0 + strength**2) if delta > 0.0 else 1.0
    for i in range(radii.size):
        others = np.arange(radii.size) != i
        _, b_z = loop_field(radii[others], radii[i], heights[i] - heights[others])
        b = float(np.sum(b_z))
        power_per_length = width**3 * thickness * (omega * b) ** 2 / (12.0 * resistivity_ohm_m)
        total += power_per_length * 2.0 * math.pi * radii[i]
    return total * shielding


def coil_resistance(
    coil: SpiralCoil,
    frequency_hz: float,
    temperature_c: float = 20.0,
    resistivity_ohm_m: float = COPPER_RESISTIVITY_OHM_M,
) -> float:
    """Return the series resistance of a coil at a frequency: skin effect and proximity.

    Parameters
    ----------
    coil : SpiralCoil
        The coil.
    frequency_hz : float
        Frequency (Hz), > 0.
    temperature_c : float
        Temperature (degC).
    resistivity_ohm_m : float
        Resistivity at 20 degC (ohm m).

    Returns
    -------
    float
        Series resistance (ohm).

    Notes
    -----
    Source: see `direct_resistance`, `skin_factor` and `proximity_resistance`.
    """
    rho = resistivity_ohm_m * (1.0 + COPPER_TEMPERATURE_COEFFICIENT_1_K * (temperature_c - 20.0))
    skin = skin_factor(coil.width_m, coil.trace_thickness_m, frequency_hz, rho)
    return direct_resistance(coil, temperature_c, resistivity_ohm_m) * skin + proximity_resistance(
        coil, frequency_hz, rho
    )
