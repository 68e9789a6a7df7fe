"""Compressed air: ISO 6358 mass flow, compiled for the inner loop of a simulation. Pressures here are ABSOLUTE (Pa)."""

from __future__ import annotations

import math

from soft_tactile_node.compiled import compiled

REFERENCE_DENSITY_KG_M3 = 1.185
"""Density of the standard reference atmosphere (kg/m^3), the standard's rounded number. Source: ISO 8778 (recalled)."""

REFERENCE_TEMPERATURE_K = 293.15
"""Temperature of the standard reference atmosphere (K). Source: ISO 8778 (recalled)."""

_RHO0 = REFERENCE_DENSITY_KG_M3
_T0 = REFERENCE_TEMPERATURE_K


@compiled
def mass_flow_formula(
    upstream_pa: float, downstream_pa: float, upstream_k: float, conductance: float, ratio: float, index: float
) -> float:
    """Return the mass flow (kg/s) of one restriction, upstream >= downstream >= 0 (absolute Pa); scalars, compiled.

    q = C rho0 p1 sqrt(T0/T1), times [1 - ((p2/p1 - b)/(1 - b))^2]^m when p2/p1 > b.
    conductance C in m^3/(s Pa), ratio b and index m dimensionless.

    Notes
    -----
    Source: ISO 6358-1:2013, flow equation with sonic conductance, critical ratio and subsonic index (formula recalled).
    """
    flow = conductance * _RHO0 * upstream_pa * math.sqrt(_T0 / upstream_k)
    x = (downstream_pa / upstream_pa - ratio) / (1.0 - ratio)
    if x <= 0.0:
        return flow
    if x >= 1.0:
        return 0.0
    return float(flow * (1.0 - x * x) ** index)
