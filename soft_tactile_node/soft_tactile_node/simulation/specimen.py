"""One finger with its pad: the numbers that differ from specimen to specimen, drawn from a seed.

All values are invented for a demonstration finger of about 0.1 m; they are not measurements of any real product.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

FULL_SCALE_NORMAL_N = 5.0
WORKING_PRESSURE_PA = 60.0e3
REFERENCE_TEMPERATURE_C = 22.0


def spread_by(rng: np.random.Generator) -> Callable[[float, float], float]:
    """Return what draws a value of one specimen.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the specimen's spread.

    Returns
    -------
    callable
        Takes a nominal value and its relative spread (1); gives a value in the unit of the first, log-normal, never
        beyond 2.5 spreads.
    """

    def vary(nominal: float, spread: float) -> float:
        return float(nominal * np.exp(spread * np.clip(rng.standard_normal(), -2.5, 2.5)))

    return vary


class FingerParameters(NamedTuple):
    """Chamber, valve, actuator and pad mechanics of one specimen (SI units; moments in N m, angles in rad)."""

    # chamber and valve
    conductance_m3_s_pa: float  # sonic conductance of the valve, fully open
    critical_ratio: float  # critical back-pressure ratio of the valve
    supply_pa: float  # supply, gauge
    volume_m3: float  # chamber volume when straight
    volume_per_rad_m3: float
    polytropic: float  # between 1 (isothermal) and 1.4
    valve_lag_s: float
    valve_band_pa: float  # pressure error that opens the valve fully
    line_lag_s: float  # between chamber and pressure sensor
    # bending actuator
    arc_length_m: float
    neutral_height_m: float
    inertia_kg_m2: float
    damping_n_m_s: float
    stiffness_n_m: float
    stiffness_cubic: float
    stiffness_backward: float  # bellows touch when bent backwards
    moment_arm_m3: float  # moment per pascal
    threshold_pa: float  # soft threshold below which the bellows only inflate
    pressure_growth: float  # growth of the effective area at working pressure
    hysteresis_1_n_m: float
    hysteresis_2_n_m: float
    yield_1_rad: float
    yield_2_rad: float
    hysteresis_growth: float  # growth of both with pressure
    creep_0: float  # compliance of the delayed elements over the spring's
    creep_1: float
    creep_2: float
    creep_3: float
    creep_4: float
    creep_stress_rate: float  # speed-up of creep by load
    thermal_stiffness_per_k: float
    mass_kg: float
    rest_bend_rad: float
    # pad
    pad_stiffness_n_m: float
    pad_toe_m: float
    pad_cubic_m: float
    pad_relax_0: float
    pad_relax_1: float
    pad_relax_2: float
    pad_relax_3: float
    pad_softening: float  # stiffness lost by the run-in
    pad_bend_stiffening: float
    pad_thermal_per_k: float
    pad_loss_n_s_m: float
    shear_stiffness_n_m: float
    shear_relax_0: float
    shear_relax_1: float
    shear_bend_stiffening: float
    tilt_stiffness_n_m: float
    tilt_slow_share: float
    disc_height_m: float  # lever of surface shear about the disc
    crown_radius_m: float  # the pad surface is slightly domed
    # liquid metal (idle in a pad without cells)
    metal_area_m2: float  # area on which the object's force acts
    metal_press_pa_m3: float  # wall stiffness of the press cell
    metal_coil_pa_m3: float  # wall stiffness of the coil cell
    metal_cubic_pa_m9: float  # stretching of the walls at large deflection
    metal_resistance_pa_s_m3: float  # duct, at rest
    metal_duct_opening_pa: float  # over-pressure that doubles the duct's width
    metal_bend_pa: float  # pressure in the press cell per rad of bend
    metal_bend_quadratic_pa: float
    metal_column_m: float  # distance of the cells along x


CREEP_TIMES_S = (0.12, 1.1, 7.0, 40.0, 220.0)
PAD_TIMES_S = (0.04, 0.35, 3.0, 25.0)
SHEAR_TIMES_S = (0.02, 2.5)


def draw_finger(rng: np.random.Generator) -> FingerParameters:
    """Return a finger drawn by `rng`: spreads of a few per cent (mechanics) to 15 % (hysteresis, creep, relaxation)."""
    vary = spread_by(rng)
    stiffness = vary(0.45, 0.06)
    return FingerParameters(
        conductance_m3_s_pa=vary(6.0e-10, 0.08),
        critical_ratio=vary(0.30, 0.08),
        supply_pa=150.0e3,
        volume_m3=vary(25.0e-6, 0.03),
        volume_per_rad_m3=vary(6.0e-6, 0.10),
        polytropic=1.15,
        valve_lag_s=vary(6.0e-3, 0.1),
        valve_band_pa=8.0e3,
        line_lag_s=vary(10.0e-3, 0.2),
        arc_length_m=0.080,
        neutral_height_m=0.012,
        inertia_kg_m2=vary(5.0e-4, 0.05),
        damping_n_m_s=vary(11.0e-3, 0.15),
        stiffness_n_m=stiffness,
        stiffness_cubic=vary(0.25, 0.15),
        stiffness_backward=vary(14.0, 0.15) * stiffness,
        moment_arm_m3=vary(7.4e-6, 0.03),
        threshold_pa=vary(5.0e3, 0.15),
        pressure_growth=vary(0.18, 0.2),
        hysteresis_1_n_m=vary(0.0075, 0.15),
        hysteresis_2_n_m=vary(0.0095, 0.15),
        yield_1_rad=vary(0.035, 0.15),
        yield_2_rad=vary(0.16, 0.15),
        hysteresis_growth=vary(0.5, 0.2),
        creep_0=vary(0.016, 0.15),
        creep_1=vary(0.022, 0.15),
        creep_2=vary(0.024, 0.15),
        creep_3=vary(0.026, 0.15),
        creep_4=vary(0.030, 0.15),
        creep_stress_rate=vary(0.7, 0.2),
        thermal_stiffness_per_k=vary(-0.0025, 0.15),
        mass_kg=vary(0.045, 0.05),
        rest_bend_rad=float(0.01 * rng.standard_normal()),
        pad_stiffness_n_m=vary(2600.0, 0.08),
        pad_toe_m=vary(0.05e-3, 0.15),
        pad_cubic_m=vary(1.25e-3, 0.06),
        pad_relax_0=vary(0.10, 0.15),
        pad_relax_1=vary(0.060, 0.15),
        pad_relax_2=vary(0.050, 0.15),
        pad_relax_3=vary(0.035, 0.15),
        pad_softening=vary(0.08, 0.2),
        pad_bend_stiffening=vary(0.12, 0.2),
        pad_thermal_per_k=vary(-0.0025, 0.15),
        pad_loss_n_s_m=vary(3.0, 0.2),
        shear_stiffness_n_m=vary(1350.0, 0.08),
        shear_relax_0=vary(0.18, 0.15),
        shear_relax_1=vary(0.07, 0.15),
        shear_bend_stiffening=vary(0.10, 0.2),
        tilt_stiffness_n_m=vary(0.085, 0.08),
        tilt_slow_share=vary(0.12, 0.2),
        disc_height_m=vary(2.2e-3, 0.08),
        crown_radius_m=vary(22.0e-3, 0.08),
        metal_area_m2=vary(95.0e-6, 0.05),
        metal_press_pa_m3=vary(1.7e12, 0.08),
        metal_coil_pa_m3=vary(2.1e12, 0.08),
        metal_cubic_pa_m9=vary(5.0e27, 0.15),
        metal_resistance_pa_s_m3=vary(8.0e11, 0.15),
        metal_duct_opening_pa=vary(9.0e3, 0.15),
        metal_bend_pa=vary(15.0e3, 0.10),
        metal_bend_quadratic_pa=vary(8.0e3, 0.15),
        metal_column_m=vary(14.0e-3, 0.03),
    )
