"""One random finger with its pad: all numbers drawn from a seed. The numbers are invented.

They are of a plausible size and no real product's.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

IRON_DISC = "iron_disc"
LIQUID_METAL = "liquid_metal"
FULL_PRESSURE_PA = 60e3


@dataclass(frozen=True)
class Specimen:
    """Parameters of one finger and pad; lengths in m, forces in N, times in s unless the name says otherwise."""

    pad: str
    seed: int
    # finger
    length: float
    pad_place: float
    tip_stiffness: float  # N/m at the pad, straight finger
    full_bend: float  # rad at the pad, at full pressure
    stiffening: float  # cubic share of the joint springs at full bend
    back_stiffness: float  # joint spring factor when bent backwards (strain-limiting layer)
    taper: float  # actuation moment at the tip relative to the root, minus 1
    finger_mass: float
    toe_pressure: float  # Pa, pressure the chamber needs to unfold
    sublinear: float  # loss of gain towards full pressure
    natural_frequency: float  # Hz
    damping_ratio: float
    hysteresis: float  # share of the full actuation
    relay_centre: float
    relay_width: float
    memory_bend_share: float  # how much of the memory's input is the bend, the rest is the chamber's push
    creep_share: float  # share of the full actuation at 1 s
    creep_order: float  # order of the fractional derivative
    softening_per_k: float
    # pneumatics
    fill_rate: float  # Pa/s
    valve_time: float
    line_gain: float  # Pa**0.5/s
    sensor_offset_pa: float
    # pad mechanics
    pad_stiffness: float  # N/m at first touch
    pad_quadratic: float
    pad_cubic: float
    pad_bend_stiffening: float
    relax_times: Array
    relax_shares: Array
    run_in_loss: float
    run_in_energy: float  # J
    shear_stiffness: float
    shear_stiffening: float  # 1/m
    shear_relax_times: Array
    shear_relax_shares: Array
    friction_static: float
    friction_kinetic: float
    friction_speed: float
    roll: float  # tangential travel per closing travel while touching
    tilt_radius: float
    # where bending moves the pad's sensing part (per unit of relative local curvature)
    bend_gap: float
    bend_gap_square: float
    bend_shift: float
    bend_shift_y: float
    bend_tilt: float
    bend_tilt_y: float
    bend_pressure_gap: float
    bend_local_share: float  # how much of it follows the curvature at the pad instead of the pad's angle
    bend_memory_share: float
    bend_memory_time: float
    # sensing
    coil_seed: int
    gap: float
    disc_offset: Array
    depth_share: float
    shear_share: float
    susceptibility: float
    temperature_slope: Array  # 1/K per coil
    noise: float
    count_step: float
    drift_rate: float  # 1/sqrt(s)
    metal: dict[str, float] = field(default_factory=dict)

    @property
    def channels(self) -> int:
        """Number of coils."""
        return 4 if self.pad == IRON_DISC else 1


def draw_metal(r: np.random.Generator) -> dict[str, float]:
    """Numbers of the liquid-metal cells: fill 0 to 1 is the metal moved over the coil by a full-scale press."""
    return {
        "force_scale": r.uniform(5.0, 7.0),
        "force_curve": r.uniform(0.05, 0.15),
        "cell_cubic": r.uniform(0.1, 0.4),
        "time_in": r.uniform(0.010, 0.025),
        "time_out": r.uniform(0.10, 0.25),
        "yield_drive": r.uniform(0.001, 0.003),
        "memory_share": r.uniform(0.03, 0.07),
        "memory_time": r.uniform(4.0, 12.0),
        "bend_fill": r.uniform(0.20, 0.38),
        "bend_fill_square": r.uniform(-0.05, 0.05),
        "bend_gap": r.uniform(-0.08e-3, 0.08e-3),
        "gravity_fill": r.uniform(0.0005, 0.0015),
        "expansion_per_k": r.uniform(2e-4, 6e-4),
        "rest_radius": r.uniform(2.0e-3, 2.4e-3),
        "full_radius": r.uniform(4.6e-3, 5.4e-3),
        "film": r.uniform(0.25e-3, 0.35e-3),
        "frequency": r.uniform(2e6, 4e6),
    }


def draw_specimen(pad: str, seed: int) -> Specimen:
    """Draw one finger and pad.

    Parameters
    ----------
    pad : str
        `iron_disc` or `liquid_metal`.
    seed : int
        Picks the specimen; the same seed always gives the same one.

    Returns
    -------
    Specimen
        All its parameters.
    """
    r = np.random.default_rng([seed, 7 if pad == IRON_DISC else 11])
    sign = r.choice([-1.0, 1.0], size=4)
    c = 4 if pad == IRON_DISC else 1
    static = r.uniform(0.55, 0.8)
    return Specimen(
        pad=pad,
        seed=seed,
        length=0.100,
        pad_place=0.080,
        tip_stiffness=r.uniform(110.0, 170.0),
        full_bend=r.uniform(0.95, 1.25),
        stiffening=r.uniform(0.1, 0.35),
        back_stiffness=r.uniform(4.0, 8.0),
        taper=r.uniform(-0.3, 0.1),
        finger_mass=r.uniform(0.020, 0.035),
        toe_pressure=r.uniform(3e3, 9e3),
        sublinear=r.uniform(0.0, 0.25),
        natural_frequency=r.uniform(5.0, 8.0),
        damping_ratio=r.uniform(0.2, 0.35),
        hysteresis=r.uniform(0.08, 0.13),
        relay_centre=r.uniform(0.2, 0.5),
        relay_width=r.uniform(0.25, 0.45),
        memory_bend_share=r.uniform(0.15, 0.40),
        creep_share=r.uniform(0.07, 0.12),
        creep_order=r.uniform(0.12, 0.20),
        softening_per_k=r.uniform(0.0005, 0.002),
        fill_rate=r.uniform(1.0e5, 2.0e5),
        valve_time=r.uniform(0.02, 0.05),
        line_gain=r.uniform(2.0e3, 4.0e3),
        sensor_offset_pa=r.uniform(-100.0, 100.0),
        pad_stiffness=r.uniform(2400.0, 3400.0),
        pad_quadratic=r.uniform(0.3, 0.6),
        pad_cubic=r.uniform(0.2, 0.5),
        pad_bend_stiffening=r.uniform(-0.06, 0.10),
        relax_times=np.array([0.006, 0.08, 0.9, 9.0, 80.0]) * r.uniform(0.7, 1.4, 5),
        relax_shares=np.array([0.20, 0.05, 0.035, 0.03, 0.02]) * r.uniform(0.7, 1.3, 5),
        run_in_loss=r.uniform(0.08, 0.16),
        run_in_energy=r.uniform(0.01, 0.03),
        shear_stiffness=r.uniform(900.0, 1500.0),
        shear_stiffening=r.uniform(100.0, 350.0),
        shear_relax_times=np.array([0.3, 6.0]) * r.uniform(0.7, 1.4, 2),
        shear_relax_shares=np.array([0.05, 0.04]) * r.uniform(0.7, 1.3, 2),
        friction_static=static,
        friction_kinetic=static * r.uniform(0.72, 0.88),
        friction_speed=r.uniform(0.004, 0.012),
        roll=r.uniform(0.03, 0.12) * sign[0],
        tilt_radius=r.uniform(20e-3, 26e-3),
        bend_gap=r.uniform(-0.55e-3, -0.35e-3),
        bend_gap_square=r.uniform(-0.10e-3, 0.15e-3),
        bend_shift=r.uniform(0.15e-3, 0.35e-3) * sign[1],
        bend_shift_y=r.normal(0.0, 0.03e-3),
        bend_tilt=r.uniform(0.006, 0.018) * sign[2],
        bend_tilt_y=r.normal(0.0, 0.003),
        bend_pressure_gap=r.uniform(-0.03e-3, 0.03e-3),
        bend_local_share=r.uniform(0.03, 0.12),
        bend_memory_share=r.uniform(0.02, 0.05),
        bend_memory_time=r.uniform(5.0, 20.0),
        coil_seed=int(r.integers(1 << 31)),
        gap=r.uniform(3.1e-3, 3.4e-3) if c == 4 else r.uniform(1.0e-3, 1.3e-3),
        disc_offset=r.normal(0.0, 0.2e-3, 2),
        depth_share=r.uniform(0.75, 0.85),
        shear_share=r.uniform(0.6, 0.75),
        susceptibility=r.uniform(2.0, 3.5),
        temperature_slope=sign[3] * r.uniform(60e-6, 140e-6) * (1.0 + r.normal(0.0, 0.05, c)),
        noise=r.uniform(3e-6, 6e-6) * (1.0 if c == 4 else 4.0),
        count_step=r.uniform(1.5e-6, 4e-6),
        drift_rate=r.uniform(0.5e-6, 1.5e-6),
        metal=draw_metal(r) if c == 1 else {},
    )
