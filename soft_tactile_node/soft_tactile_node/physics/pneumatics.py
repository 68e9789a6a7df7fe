"""Compressed air: ISO 6358 mass flow, nozzle, chamber filling with heat exchange. Pressures here are ABSOLUTE (Pa).

Scalar formulas are compiled so that a stepped simulation can call them in its inner loop.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from soft_tactile_node.compiled import compiled
from soft_tactile_node.errors import RangeError
from soft_tactile_node.physics.constants import AIR_GAS_CONSTANT, AIR_HEAT_RATIO, ATMOSPHERE_PA

Array = NDArray[np.float64]

REFERENCE_DENSITY_KG_M3 = 1.185
"""Density of the standard reference atmosphere (kg/m^3), the standard's rounded number. Source: ISO 8778 (recalled)."""

REFERENCE_TEMPERATURE_K = 293.15
"""Temperature of the standard reference atmosphere (K). Source: ISO 8778 (recalled)."""

_RHO0 = REFERENCE_DENSITY_KG_M3
_T0 = REFERENCE_TEMPERATURE_K
_R = AIR_GAS_CONSTANT


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


@compiled
def valve_flow_formula(
    supply_pa: float,
    chamber_pa: float,
    supply_k: float,
    chamber_k: float,
    conductance: float,
    ratio: float,
    index: float,
) -> float:
    """Return the signed mass flow (kg/s) from supply into chamber; negative when the chamber is the higher side.

    Notes
    -----
    Source: ISO 6358-1:2013 in either direction (formula recalled).
    """
    if supply_pa >= chamber_pa:
        return mass_flow_formula(supply_pa, chamber_pa, supply_k, conductance, ratio, index)
    return -mass_flow_formula(chamber_pa, supply_pa, chamber_k, conductance, ratio, index)


@compiled
def chamber_rates_formula(
    pressure_pa: float,
    temperature_k: float,
    volume_m3: float,
    volume_rate_m3_s: float,
    flow_kg_s: float,
    inflow_k: float,
    wall_k: float,
    wall_conductance_w_k: float,
    heat_ratio: float,
) -> tuple[float, float]:
    """Return dp/dt (Pa/s) and dT/dt (K/s) of air in a chamber whose volume may change and whose wall takes heat.

    dp/dt = [g R (q T_flow) - g p dV/dt + (g - 1) h (T_wall - T)] / V with T_flow the inflow temperature for q > 0 and
    the chamber's for q < 0; the temperature follows from p V = m R T. wall_conductance_w_k = 0 is adiabatic, very large
    is isothermal.

    Notes
    -----
    Source: energy balance of an open system of perfect gas; Moran & Shapiro, transient filling (recalled).
    """
    carried = flow_kg_s * (inflow_k if flow_kg_s > 0.0 else temperature_k)
    heat = wall_conductance_w_k * (wall_k - temperature_k)
    rate = (
        heat_ratio * _R * carried - heat_ratio * pressure_pa * volume_rate_m3_s + (heat_ratio - 1.0) * heat
    ) / volume_m3
    mass = pressure_pa * volume_m3 / (_R * temperature_k)
    warming = temperature_k * (rate / pressure_pa + volume_rate_m3_s / volume_m3 - flow_kg_s / mass)
    return rate, warming


@compiled
def isothermal_pressure_rate_formula(
    pressure_pa: float, temperature_k: float, volume_m3: float, volume_rate_m3_s: float, flow_kg_s: float
) -> float:
    """Return dp/dt (Pa/s) of a chamber held at one temperature: (R T q - p dV/dt)/V.

    Notes
    -----
    Source: perfect gas at constant temperature.
    """
    return (_R * temperature_k * flow_kg_s - pressure_pa * volume_rate_m3_s) / volume_m3


@compiled
def _valve_flow_many(
    supply: Array, chamber: Array, supply_k: Array, chamber_k: Array, conductance: float, ratio: float, index: float
) -> Array:
    out = np.empty(supply.size)
    for i in range(supply.size):
        out[i] = valve_flow_formula(supply[i], chamber[i], supply_k[i], chamber_k[i], conductance, ratio, index)
    return out


def valve_mass_flow(
    supply_pa: ArrayLike,
    chamber_pa: ArrayLike,
    conductance_m3_s_pa: float,
    *,
    critical_ratio: float = 0.3,
    subsonic_index: float = 0.5,
    supply_k: ArrayLike = REFERENCE_TEMPERATURE_K,
    chamber_k: ArrayLike = REFERENCE_TEMPERATURE_K,
) -> Array:
    """Return the mass flow through a valve, positive from supply into chamber.

    Parameters
    ----------
    supply_pa, chamber_pa : array_like
        ABSOLUTE pressures (Pa), > 0; shapes broadcast.
    conductance_m3_s_pa : float
        Sonic conductance C (m^3/(s Pa)); 1 dm^3/(s bar) = 1e-8 m^3/(s Pa).
    critical_ratio : float
        Critical pressure ratio b (1), 0 <= b < 1.
    subsonic_index : float
        Subsonic index m (1); 0.5 unless measured.
    supply_k, chamber_k : array_like
        Temperatures of the two sides (K); the upstream one counts.

    Returns
    -------
    numpy.ndarray, broadcast shape
        Mass flow (kg/s).

    Raises
    ------
    RangeError
        A pressure or temperature is not positive, or a valve number is out of range.

    Notes
    -----
    Source: ISO 6358-1:2013 (formula recalled); reference atmosphere ISO 8778.
    """
    sides = [np.asarray(value, dtype=float) for value in (supply_pa, chamber_pa, supply_k, chamber_k)]
    for name, side in zip(("supply_pa", "chamber_pa", "supply_k", "chamber_k"), sides, strict=True):
        if not np.all(np.isfinite(side) & (side > 0.0)):
            raise RangeError(f"{name} must be > 0 (absolute); got {float(np.min(side)):g}")
    if not (conductance_m3_s_pa >= 0.0 and 0.0 <= critical_ratio < 1.0 and subsonic_index > 0.0):
        raise RangeError(
            "conductance, critical_ratio, subsonic_index must be >= 0, in [0, 1), > 0; got "
            f"{conductance_m3_s_pa:g}, {critical_ratio:g}, {subsonic_index:g}"
        )
    supply, chamber, warm, cold = np.broadcast_arrays(*sides)
    high, low, high_k, low_k = (np.ravel(side).copy() for side in (supply, chamber, warm, cold))
    flow = _valve_flow_many(
        high, low, high_k, low_k, float(conductance_m3_s_pa), float(critical_ratio), float(subsonic_index)
    )
    return np.asarray(flow.reshape(supply.shape), dtype=np.float64)


def nozzle_mass_flow(
    upstream_pa: ArrayLike,
    downstream_pa: ArrayLike,
    area_m2: float,
    upstream_k: ArrayLike = REFERENCE_TEMPERATURE_K,
    heat_ratio: float = AIR_HEAT_RATIO,
) -> Array:
    """Return the mass flow of an ideal nozzle, choked below the critical ratio (2/(g + 1))^(g/(g - 1)).

    Parameters
    ----------
    upstream_pa, downstream_pa : array_like
        ABSOLUTE pressures (Pa), upstream >= downstream.
    area_m2 : float
        Throat area times discharge coefficient (m^2).
    upstream_k : array_like
        Upstream temperature (K).
    heat_ratio : float
        Ratio of specific heats g (1).

    Returns
    -------
    numpy.ndarray, broadcast shape
        Mass flow (kg/s).

    Notes
    -----
    Source: any gas-dynamics text (isentropic nozzle).
    """
    g = heat_ratio
    upstream = np.asarray(upstream_pa, dtype=float)
    ratio = np.maximum(np.asarray(downstream_pa, dtype=float) / upstream, critical_ratio_ideal(g))
    speed = np.sqrt(2.0 * g / (g - 1.0) / (AIR_GAS_CONSTANT * np.asarray(upstream_k, dtype=float)))
    return np.asarray(area_m2 * upstream * speed * np.sqrt(ratio ** (2.0 / g) - ratio ** ((g + 1.0) / g)))


def critical_ratio_ideal(heat_ratio: float = AIR_HEAT_RATIO) -> float:
    """Return the pressure ratio below which an ideal nozzle is choked.

    Parameters
    ----------
    heat_ratio : float
        Ratio of specific heats (1).

    Returns
    -------
    float
        Critical ratio (1), 0.528 for air.

    Notes
    -----
    Source: any gas-dynamics text.
    """
    return float((2.0 / (heat_ratio + 1.0)) ** (heat_ratio / (heat_ratio - 1.0)))


def absolute_pressure(gauge_pa: ArrayLike, atmosphere_pa: float = ATMOSPHERE_PA) -> Array:
    """Return absolute pressure from gauge pressure.

    Parameters
    ----------
    gauge_pa : array_like
        Gauge pressure (Pa).
    atmosphere_pa : float
        Atmospheric pressure (Pa, absolute).

    Returns
    -------
    numpy.ndarray, shape of the input
        Absolute pressure (Pa).

    Notes
    -----
    Source: definition; standard atmosphere from NIST SP 811 (recalled).
    """
    return np.asarray(gauge_pa, dtype=float) + atmosphere_pa
