"""Group F: ISO 6358 flow. Pressures are absolute."""

import pytest

from soft_tactile_node.physics.pneumatics import REFERENCE_DENSITY_KG_M3, mass_flow_formula

ISO = "ISO 6358-1:2013 [NUM arithmetic][RECALL formula]"


def flow(upstream_pa, downstream_pa, supply_k=293.15):
    """Return the mass flow (kg/s) through a restriction of 1e-8 m^3/(s Pa), b = 0.3, m = 0.5."""
    return float(mass_flow_formula(upstream_pa, downstream_pa, supply_k, 1e-8, 0.3, 0.5))


def test_choked_flow(table):
    """F1: one C of 1 dm^3/(s bar) at 7 bar."""
    got = flow(7e5, 1e5)
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
    got = flow(upstream, downstream, warm)
    table.close(f"{name} {upstream:g} to {downstream:g} Pa, {warm} K (kg/s)", got, expected, ISO, rtol=1e-6)


def test_flow_table(table, read_table):
    """Every row of the stored table agrees."""
    rows = read_table("iso6358.csv")
    got = [flow(r["p1_Pa_abs"], r["p2_Pa_abs"], r["T1_K"]) for r in rows]
    table.close("F iso6358.csv (kg/s)", got, [r["q_kg_s"] for r in rows], ISO, rtol=1e-9)
