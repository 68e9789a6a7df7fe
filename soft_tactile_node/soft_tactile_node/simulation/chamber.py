"""Valve-fed chamber: a pressure regulator's valve, ISO 6358 flow, a gas that fills a volume which grows with bend."""

from __future__ import annotations

import math

from soft_tactile_node.compiled import compiled
from soft_tactile_node.physics.constants import AIR_GAS_CONSTANT, ATMOSPHERE_PA
from soft_tactile_node.physics.pneumatics import mass_flow_formula
from soft_tactile_node.samples import Array
from soft_tactile_node.simulation import state as at
from soft_tactile_node.simulation.specimen import FingerParameters

_AIR = AIR_GAS_CONSTANT
_ATMOSPHERE = ATMOSPHERE_PA
_GAS_TEMPERATURE_K = 293.15


@compiled
def step_chamber(finger: FingerParameters, now: Array, command_pa: float, dt_s: float) -> None:
    """Advance valve, chamber and line by one substep; `now` is one finger's state, changed in place.

    The regulator opens its valve in proportion to the pressure error, with a lag, like the proportional valves that
    hold a commanded pressure (common practice). d p_abs/dt = n (R T q - p_abs dV/dt) / V.
    """
    pressure = now[at.PRESSURE]
    wanted = (command_pa - pressure) / finger.valve_band_pa
    wanted = min(1.0, max(-1.0, wanted))
    now[at.VALVE] += (wanted - now[at.VALVE]) * min(1.0, dt_s / finger.valve_lag_s)
    opening = now[at.VALVE]
    absolute = _ATMOSPHERE + pressure
    if opening >= 0.0:
        source, sink, sign = _ATMOSPHERE + finger.supply_pa, absolute, 1.0
    else:
        source, sink, sign = absolute, _ATMOSPHERE, -1.0
    flow = 0.0
    if source > sink:
        conductance = finger.conductance_m3_s_pa * abs(opening)
        flow = sign * mass_flow_formula(source, sink, _GAS_TEMPERATURE_K, conductance, finger.critical_ratio, 0.5)
    volume = finger.volume_m3 + finger.volume_per_rad_m3 * now[at.BEND]
    growth = finger.volume_per_rad_m3 * now[at.BEND_RATE]
    rate = finger.polytropic * (_AIR * _GAS_TEMPERATURE_K * flow - absolute * growth) / volume
    pressure += rate * dt_s
    # a soft chamber cannot hold a vacuum: it collapses and a check valve lets air in
    now[at.PRESSURE] = max(pressure, -2.0e3)
    now[at.LINE_PRESSURE] += (pressure - now[at.LINE_PRESSURE]) * (1.0 - math.exp(-dt_s / finger.line_lag_s))
