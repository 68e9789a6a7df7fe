"""Names and numbers of the time loop: inputs, outputs, what a specimen's laws are, and what the world remembers."""

from __future__ import annotations

from collections import namedtuple

import numpy as np

from second_finger.chain import ACTUATION, FORCE, ChainTables
from second_finger.memory import creep_nodes, tabulate_everett
from second_finger.specimen import Specimen

STEP_S = 0.5e-3
AMBIENT_C = 23.0

INPUTS = (
    "command_pa",
    "surface_m",  # object surface on the closing coordinate; FAR = none
    "object_stiffness",  # N/m^1.5
    "drive_x_m",
    "drive_y_m",
    "hold_stiffness",  # N/m, how firmly the object is held sideways
    "friction",  # factor on the pad's friction
    "off_x_m",
    "off_y_m",
    "flank_m",  # stop at the flank on the closing coordinate
    "tip_m",  # stop at the tip
    "gravity_x",  # specific force beyond the nominal one (m/s^2), along the straight finger
    "gravity_z",  # towards the object
    "temperature_c",
    "lid",  # 1 = the object carries a steel lid
)
FAR = 1.0
A_LOW, A_STEP = float(ACTUATION[0]), float(ACTUATION[1] - ACTUATION[0])
FORCE_STEP = float(FORCE[1] - FORCE[0])
OUTPUTS = (
    "compression_m",
    "off_x_m",
    "off_y_m",
    "shear_x_m",
    "shear_y_m",
    "relative_bend",
    "chamber_pa",
    "line_pa",
    "bend_rad",
    "travel_m",
    "force_x_n",
    "force_y_n",
    "force_z_n",
    "slid_m",
    "fill",
    "surface_gap_m",
    "temperature_c",
    "lid",
)
OUTPUT_COUNT = len(OUTPUTS)
STATE_COUNT = 32

Laws = namedtuple(
    "Laws",
    "travel bend curvature q_low q_step gravity_travel everett creep_decay creep_gain "
    "omega damping hysteresis memory_bend creep_share full_bend toe sublinear softening "
    "fill_rate valve_time line_gain "
    "pad_stiffness pad_quadratic pad_cubic pad_bend relax_decay relax_shares run_in_loss run_in_energy "
    "shear_stiffness shear_stiffening shear_decay shear_shares mu_static mu_kinetic mu_speed roll "
    "local_share bend_share bend_time metal",
)
Metal = namedtuple(
    "Metal",
    "force_scale force_curve cell_cubic time_in time_out yield_drive memory_share memory_time "
    "bend_fill bend_fill_square gravity_fill expansion_per_k",
)
State = namedtuple("State", "now stack creep relaxed shear_memory anchor place")
"""What the world remembers from step to step: `now` holds the scalars named below, the rest are arrays."""

# places in State.now; the first eighteen are the outputs, in their order
(
    COMPRESSION, OFF_X, OFF_Y, SHEAR_X, SHEAR_Y, FELT, CHAMBER, LINE, BEND, TRAVEL, FORCE_X, FORCE_Y, FORCE_Z,
    SLID, FILL, GAP, WARMTH, LID, SPEED, RELAY, RELAY_REST, DEPTH, STRAIN, CREEP, BEND_MEMORY, CELL_MEMORY, WORK,
    TOUCHING, SLIDE_SPEED, ROUGH, RELATIVE, STARTED,
) = range(STATE_COUNT)  # fmt: skip
# places in the inputs
(
    IN_COMMAND, IN_SURFACE, IN_OBJECT, IN_DRIVE_X, IN_DRIVE_Y, IN_HOLD, IN_FRICTION, IN_OFF_X, IN_OFF_Y,
    IN_FLANK, IN_TIP, IN_GRAVITY_X, IN_GRAVITY_Z, IN_WARMTH, IN_LID,
) = range(len(INPUTS))  # fmt: skip


def make_laws(s: Specimen, chain: ChainTables) -> Laws:
    """Gather what the compiled loop needs of a specimen."""
    rates, weights = creep_nodes(s.creep_order)
    metal = Metal(*(s.metal.get(name, 1.0) for name in Metal._fields))
    return Laws(
        travel=chain.travel,
        bend=chain.bend,
        curvature=chain.curvature,
        q_low=chain.travel_grid[0],
        q_step=chain.travel_grid[1] - chain.travel_grid[0],
        gravity_travel=chain.gravity_travel,
        everett=tabulate_everett(s.relay_centre, s.relay_width),
        creep_decay=np.exp(-rates * STEP_S),
        creep_gain=(1.0 - np.exp(-rates * STEP_S)) / (rates * STEP_S) * weights,
        omega=2.0 * np.pi * s.natural_frequency,
        damping=s.damping_ratio,
        hysteresis=s.hysteresis,
        memory_bend=s.memory_bend_share,
        creep_share=s.creep_share,
        full_bend=s.full_bend,
        toe=s.toe_pressure,
        sublinear=s.sublinear,
        softening=s.softening_per_k,
        fill_rate=s.fill_rate,
        valve_time=s.valve_time,
        line_gain=s.line_gain,
        pad_stiffness=s.pad_stiffness,
        pad_quadratic=s.pad_quadratic,
        pad_cubic=s.pad_cubic,
        pad_bend=s.pad_bend_stiffening,
        relax_decay=np.exp(-STEP_S / s.relax_times),
        relax_shares=s.relax_shares,
        run_in_loss=s.run_in_loss,
        run_in_energy=s.run_in_energy,
        shear_stiffness=s.shear_stiffness,
        shear_stiffening=s.shear_stiffening,
        shear_decay=np.exp(-STEP_S / s.shear_relax_times),
        shear_shares=s.shear_relax_shares,
        mu_static=s.friction_static,
        mu_kinetic=s.friction_kinetic,
        mu_speed=s.friction_speed,
        roll=s.roll,
        local_share=s.bend_local_share,
        bend_share=s.bend_memory_share,
        bend_time=s.bend_memory_time,
        metal=metal,
    )
