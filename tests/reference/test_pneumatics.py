"""Group F: ISO 6358 flow, nozzle, chamber filling, units. Pressures are absolute."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from soft_tactile_node.physics.constants import ATMOSPHERE_PA
from soft_tactile_node.physics.pneumatics import (
    REFERENCE_DENSITY_KG_M3,
    absolute_pressure,
    chamber_rates_formula,
    critical_ratio_ideal,
    isothermal_pressure_rate_formula,
    nozzle_mass_flow,
    valve_flow_formula,
    valve_mass_flow,
)

ISO = "ISO 6358-1:2013 [NUM arithmetic][RECALL formula]"
GAS = 287.05
VOLUME, SUPPLY, CONDUCTANCE, WARM = 50e-6, 2e5, 2e-10, 293.15


def test_choked_flow(table):
    """F1: one C of 1 dm^3/(s bar) at 7 bar."""
    got = float(valve_mass_flow(7e5, 1e5, 1e-8))
    table.close("F1 choked (kg/s)", got, 8.295e-3, ISO, rtol=1e-12)
    litres = got / REFERENCE_DENSITY_KG_M3 * 60e3
    table.close("F1 choked (l/min ANR)", litres, 420.0, "ISO 8778 [RECALL]", rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "upstream", "downstream", "warm", "expected"),
    [
        ("F2", 7e5, 5e5, 293.15, 6.686250e-3),
        ("F2", 7e5, 6e5, 293.15, 5.021826e-3),
        ("F3", 2e5, 1.5e5, 293.15, 1.815387e-3),
        ("F3", 2e5, 101325.0, 293.15, 2.264398e-3),
        ("F4", 7e5, 1e5, 313.15, 8.025741e-3),
    ],
)
def test_subsonic_and_warm_flow(table, name, upstream, downstream, warm, expected):
    """F2 to F4: subsonic flow and a warmer supply."""
    got = valve_mass_flow(upstream, downstream, 1e-8, supply_k=warm)
    table.close(f"{name} {upstream:g} to {downstream:g} Pa, {warm} K (kg/s)", got, expected, ISO, rtol=1e-6)


def test_flow_table(table, read_table):
    """Every row of the stored table agrees."""
    rows = read_table("iso6358.csv")
    got = [float(valve_mass_flow(r["p1_Pa_abs"], r["p2_Pa_abs"], 1e-8, supply_k=r["T1_K"])) for r in rows]
    table.close("F iso6358.csv (kg/s)", got, [r["q_kg_s"] for r in rows], ISO, rtol=1e-9)


def test_flow_runs_both_ways():
    """The signed valve is antisymmetric and vanishes at equal pressure."""
    there = valve_flow_formula(3e5, 2e5, 293.15, 293.15, 1e-8, 0.3, 0.5)
    back = valve_flow_formula(2e5, 3e5, 293.15, 293.15, 1e-8, 0.3, 0.5)
    assert there > 0
    assert there == -back
    assert valve_flow_formula(2e5, 2e5, 293.15, 293.15, 1e-8, 0.3, 0.5) == 0.0


def test_units(table):
    """F5: the two litres per minute differ by 9 %, and that is a trap."""
    anr = REFERENCE_DENSITY_KG_M3 * 1e-3 / 60
    normal = 101325 / (GAS * 273.15) * 1e-3 / 60
    table.close("F5 1 l/min ANR (kg/s)", anr, 1.975e-5, "ISO 8778 [NUM]", rtol=1e-9)
    table.close("F5 1 l/min at 0 degC (kg/s)", normal, 2.15381e-5, "perfect gas [NUM]", rtol=1e-5)
    table.close("F5 their ratio", normal / anr, 1.09, "[NUM]", rtol=1e-3)


def test_ideal_nozzle(table):
    """F6: critical ratio, choked coefficient, and the C of a square millimetre."""
    source = "gas-dynamics text; 0.528 [SEEN]"
    table.close("F6 critical ratio", critical_ratio_ideal(1.4), 0.5282818, source, rtol=1e-7)
    flow = float(nozzle_mass_flow(7e5, 1e5, 1e-6, 300.0))
    table.close("F6 choked coefficient", flow * math.sqrt(300.0) / (1e-6 * 7e5), 0.0404149, source, rtol=2e-6)
    conductance = float(nozzle_mass_flow(7e5, 1e5, 1e-6)) / (REFERENCE_DENSITY_KG_M3 * 7e5)
    table.close("F6 C of 1 mm^2 (m^3/(s Pa))", conductance, 1.99195e-9, "[NUM]", rtol=1e-5)


def charge(seconds, *, heat, start=1e5, supply=SUPPLY, warm=WARM):
    """Integrate a chamber filled through the valve; return the pressure (Pa)."""

    def rates(_, y):
        flow = valve_flow_formula(supply, y[0], warm, y[1], CONDUCTANCE, 0.3, 0.5)
        return chamber_rates_formula(y[0], y[1], VOLUME, 0.0, flow, warm, warm, heat, 1.4)

    return solve_ivp(rates, (0.0, seconds), [start, warm], method="LSODA", rtol=1e-9, atol=1e-6).y[:, -1]


def test_isothermal_charging(table):
    """F7: closed form of isothermal charging against the integrated chamber."""
    k = GAS * WARM * CONDUCTANCE * REFERENCE_DENSITY_KG_M3 / (VOLUME * 0.7)
    table.close("F7 k (1/s)", k, 0.5698070, "own derivation [NUM: ODE]", rtol=1e-6)

    def rate(_, y):
        flow = valve_flow_formula(SUPPLY, y[0], WARM, WARM, CONDUCTANCE, 0.3, 0.5)
        return [isothermal_pressure_rate_formula(y[0], WARM, VOLUME, 0.0, flow)]

    solution = solve_ivp(
        rate, (0.0, 2.4), [1e5], method="LSODA", rtol=1e-11, atol=1e-6, dense_output=True, max_step=0.01
    )
    table.close("F7 p at 0.1 s (Pa)", solution.sol(0.1)[0], 107575.708, "own derivation [NUM]", rtol=1e-8)
    start = (1e5 / SUPPLY - 0.3) / 0.7
    full = (math.pi / 2 - math.asin(start)) / k
    table.close("F7 time to full (s)", full, 2.248208, "own derivation [NUM]", rtol=1e-6)
    table.close("F7 p when full (Pa)", solution.sol(full)[0], SUPPLY, "finite time", rtol=1e-6)
    # a wall that takes all heat is isothermal
    table.close(
        "F7 chamber with heat exchange (Pa)", charge(0.1, heat=1e4)[0], 107575.708, "limit of heat exchange", rtol=1e-5
    )


def test_choked_charging(table):
    """F8: choked charging is linear in time; adiabatic walls divide the time by 1.4."""
    slow = VOLUME * 0.8e5 / (GAS * WARM * CONDUCTANCE * REFERENCE_DENSITY_KG_M3 * 6e5)
    table.close("F8 isothermal (s)", slow, 0.334282, "own derivation [NUM]", rtol=1e-5)
    table.close("F8 adiabatic (s)", slow / 1.4, 0.238773, "own derivation [NUM]", rtol=1e-5)
    # both from the chamber itself
    table.close("F8 chamber, adiabatic (Pa)", charge(0.238773, heat=0.0, supply=6e5)[0], 1.8e5, "integrated", rtol=1e-5)
    table.close(
        "F8 chamber, isothermal (Pa)", charge(0.334282, heat=1e4, supply=6e5)[0], 1.8e5, "integrated", rtol=1e-4
    )


def test_discharge(table):
    """F9: choked isothermal discharge is exponential."""
    tau = VOLUME / (GAS * WARM * CONDUCTANCE * REFERENCE_DENSITY_KG_M3)
    table.close("F9 time constant (s)", tau, 2.507115, "own derivation [NUM]", rtol=1e-6)
    table.close("F9 5 to 2.5 bar (s)", tau * math.log(2), 1.737800, "own derivation [NUM]", rtol=1e-6)
    got = charge(1.737800, heat=1e5, start=5e5, supply=0.5e5)[0]
    table.close("F9 chamber after that time (Pa)", got, 2.5e5, "integrated", rtol=1e-4)


def test_filling_temperature(table):
    """F10: the air of a quickly filled vessel is hot."""
    source = "Moran & Shapiro, transient filling [NUM arithmetic]"
    end = charge(3.0, heat=0.0, start=1e2, supply=6e5)
    final = 1.4 * WARM / (1.0 + 1e2 / end[0] * 0.4)
    table.close("F10 evacuated vessel (K)", end[1], final, source, rtol=1e-5)
    table.close("F10 limit 1.4 T (K)", 1.4 * WARM, 410.41, source, rtol=1e-6)
    half = charge(20.0, heat=0.0, start=1e5, supply=2e5)
    table.close("F10 p0/p1 = 0.5 (K)", half[1], 342.0083, source, rtol=2e-5)


def test_compression(table):
    """F11: squeezing a closed chamber to 0.8 of its volume, isothermal and adiabatic."""

    def squeeze(heat):
        def rates(t, y):
            return chamber_rates_formula(y[0], y[1], 1.0 - 0.2 * t, -0.2, 0.0, WARM, WARM, heat, 1.4)

        return solve_ivp(rates, (0.0, 1.0), [1e5, WARM], method="LSODA", rtol=1e-10, atol=1e-6).y[:, -1]

    adiabatic, isothermal = squeeze(0.0), squeeze(1e9)
    table.close("F11 adiabatic (Pa)", adiabatic[0], 136670.26, "p V^1.4 [NUM]", rtol=1e-6)
    table.close("F11 adiabatic (K)", adiabatic[1], 320.519, "T V^0.4 [NUM]", rtol=1e-5)
    table.close("F11 isothermal (Pa)", isothermal[0], 125000.0, "p V [NUM]", rtol=1e-4)


def test_hot_air_cools_at_its_wall(table):
    """Air shut in at constant volume takes the wall's temperature with the time constant m c_v / h."""
    pressure, hot, heat = 2e5, 400.0, 0.05
    mass = pressure * VOLUME / (GAS * hot)
    tau = mass * GAS / 0.4 / heat
    end = solve_ivp(
        lambda _, y: chamber_rates_formula(y[0], y[1], VOLUME, 0.0, 0.0, WARM, WARM, heat, 1.4),
        (0.0, tau),
        [pressure, hot],
        method="LSODA",
        rtol=1e-10,
        atol=1e-6,
    ).y[:, -1]
    expected = WARM + (hot - WARM) * math.exp(-1.0)
    table.close("shut-in air after one time constant (K)", end[1], expected, "m c_v dT/dt = h (T_w - T)", rtol=1e-6)
    table.close("its pressure (Pa)", end[0], mass * GAS * expected / VOLUME, "perfect gas", rtol=1e-6)


def test_stiffness_ratio(table):
    """F11: a closed chamber is 1.4 times as stiff when quick as when slow."""
    quick, _ = chamber_rates_formula(1e5, WARM, 1.0, -1.0, 0.0, WARM, WARM, 0.0, 1.4)
    slow = isothermal_pressure_rate_formula(1e5, WARM, 1.0, -1.0, 0.0)
    table.close("F11 stiffness ratio", quick / slow, 1.4, "ratio of heats", rtol=1e-12)


def test_pressure_units(table):
    """F12 and F13: conversions of the trade, and gauge to absolute."""
    source = "NIST SP 811 app. B [RECALL][NUM]"
    pound, inch, gravity = 0.45359237, 0.0254, 9.80665
    table.close("F12 psi (Pa)", pound * gravity / inch**2, 6894.757293, source, rtol=1e-9)
    table.close("F12 atm (Pa)", ATMOSPHERE_PA, 101325.0, source, rtol=1e-15)
    table.close("F12 kgf/cm^2 (Pa)", gravity / 1e-4, 98066.5, source, rtol=1e-12)
    table.close("F12 mmHg (Pa)", 13595.1 * gravity * 1e-3, 133.322387, source, rtol=1e-7)
    table.close("F13 gauge 20 kPa (Pa absolute)", absolute_pressure(20e3), 121325.0, "definition", rtol=1e-15)


def test_bad_pressures_are_refused():
    """Gauge or negative pressure is refused by name."""
    from soft_tactile_node.errors import RangeError

    with pytest.raises(RangeError, match="chamber_pa must be > 0"):
        valve_mass_flow(2e5, np.array([1e5, -5.0]), 1e-8)
