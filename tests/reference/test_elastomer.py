"""Group G: rubber elasticity, bonded blocks, Hertz contact, viscoelastic solid."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from soft_tactile_node.physics.elastomer import (
    balloon_pressure,
    block_force_formula,
    bonded_modulus,
    contact_modulus,
    flat_punch_force,
    hertz_force,
    hertz_sphere,
    neo_hookean_nominal,
    neo_hookean_stress_formula,
    relax_formula,
    shape_factor_disc,
    shape_factor_rectangle,
    sls_creep,
    sls_dynamic,
    sls_relaxation,
)

TRELOAR = "Treloar 1975 ch. 5 [NUM arithmetic][RECALL]"
GENT = "Gent & Lindley 1959 [NUM][form SEEN in Stroj. vestnik 60 (2014) 506]"
FERRY = "Ferry 1980; Findley et al. [NUM]"
MM, MPA = 1e-3, 1e6


@pytest.mark.parametrize(("stretch", "nominal", "cauchy"), [(2.0, 0.175, 0.35), (0.7, -0.1340816, -0.0938571)])
def test_uniaxial(table, stretch, nominal, cauchy):
    """G1: neo-Hookean rubber pulled and pressed."""
    got = neo_hookean_nominal(0.1, stretch)
    table.close(f"G1 nominal at {stretch} (MPa)", got, nominal, TRELOAR, rtol=5e-7)
    table.close(f"G1 Cauchy at {stretch} (MPa)", got * stretch, cauchy, TRELOAR, rtol=5e-7)
    np.testing.assert_allclose(neo_hookean_stress_formula(0.1, stretch), got, rtol=1e-15)


def test_other_modes(table):
    """G2: equibiaxial and pure shear at a stretch of 2."""
    table.close("G2 equibiaxial (MPa)", neo_hookean_nominal(0.1, 2.0, "equibiaxial"), 0.196875, TRELOAR, rtol=1e-12)
    table.close(
        "G2 equibiaxial, Cauchy (MPa)", 2 * neo_hookean_nominal(0.1, 2.0, "equibiaxial"), 0.39375, TRELOAR, rtol=1e-12
    )
    table.close("G2 pure shear (MPa)", neo_hookean_nominal(0.1, 2.0, "pure_shear"), 0.1875, TRELOAR, rtol=1e-12)


def test_small_strain_and_balloon(table):
    """G3: E = 3 mu, and the balloon that bursts at 7^(1/6)."""
    slope = float(neo_hookean_nominal(1.0, 1 + 1e-6) - neo_hookean_nominal(1.0, 1 - 1e-6)) / 2e-6
    table.close("G3 E over mu", slope, 3.0, TRELOAR, rtol=1e-8)
    best = minimize_scalar(
        lambda x: -float(balloon_pressure(0.5, 1.0, 1.0, x)),
        bounds=(1.1, 2.0),
        method="bounded",
        options={"xatol": 1e-10},
    )
    table.close("G3 stretch at the greatest pressure", best.x, 1.383088, "Treloar / Ogden [NUM]", rtol=1e-6)
    table.close("G3 greatest pressure / (2 mu t0/r0)", -best.fun, 0.619731, "Treloar / Ogden [NUM]", rtol=2e-6)


def test_bonded_disc(table):
    """G4 and G5: bonded disc, stiffness in compression and shear, bulk correction."""
    shape = shape_factor_disc(10 * MM, 2 * MM)
    area = math.pi * (5 * MM) ** 2
    modulus = float(bonded_modulus(0.3 * MPA, shape))
    table.close("G4 shape factor", shape, 1.25, GENT, rtol=1e-12)
    table.close("G4 apparent modulus (MPa)", modulus / MPA, 1.2375, GENT, rtol=1e-12)
    table.close("G4 stiffness (N/m)", modulus * area / (2 * MM), 48596.5, GENT, rtol=2e-6)
    table.close("G4 shear stiffness (N/m)", 0.1 * MPA * area / (2 * MM), 3926.99, GENT, rtol=1e-6)
    table.close(
        "G5 with bulk modulus (MPa)", float(bonded_modulus(0.3 * MPA, shape, 2e9)) / MPA, 1.236735, GENT, rtol=1e-6
    )
    # the large-strain law starts with that stiffness
    step = 1e-9
    start = block_force_formula(0.3 * MPA, area, 2 * MM, shape, step) / step
    table.close("G4 start of the large-strain law (N/m)", start, 48596.5, GENT, rtol=1e-5)


def test_bonded_rectangle(table):
    """G6: bonded rectangle 20 x 10 x 3 mm."""
    shape = shape_factor_rectangle(20 * MM, 10 * MM, 3 * MM)
    table.close("G6 shape factor", shape, 1.111111, GENT, rtol=1e-6)
    table.close("G6 modulus ratio", bonded_modulus(1.0, shape), 3.469136, GENT, rtol=1e-6)


def test_hertz_steel(table):
    """G7: a steel ball on steel, and two equal balls."""
    e_star = contact_modulus((200e9, 0.3), (200e9, 0.3))
    source = "Johnson 1985 eq. 4.22-4.24 [NUM]; problem statement SEEN"
    radius, approach, peak = hertz_sphere(500.0, 25 * MM, e_star)
    table.close("G7 contact radius (mm)", radius * 1e3, 0.440221, source, rtol=2e-6)
    table.close("G7 approach (um)", approach * 1e6, 7.75179, source, rtol=2e-6)
    table.close("G7 peak pressure (MPa)", peak / MPA, 1231.88, source, rtol=5e-6)
    radius, _, peak = hertz_sphere(500.0, 12.5 * MM, e_star)
    table.close("G7 two balls, radius (mm)", radius * 1e3, 0.349404, source, rtol=2e-6)
    table.close("G7 two balls, peak (MPa)", peak / MPA, 1955.49, source, rtol=5e-6)


def test_hertz_benchmark(table):
    """G8: a published finite-element benchmark's analytical contact radius."""
    radius, _, _ = hertz_sphere(60 * math.pi, 8 * MM, contact_modulus((1000 * MPA, 0.3)))
    table.close("G8 contact radius, published (mm)", radius * 1e3, 1.010, "benchmark text [SEEN]", rtol=1e-3)
    table.close("G8 contact radius (mm)", radius * 1e3, 1.009635, "[NUM]", rtol=1e-6)


def test_hertz_silicone(table):
    """G9: a rigid ball on silicone (theory weak: contact radius half the ball's)."""
    e_star = contact_modulus((0.3 * MPA, 0.5))
    radius, approach, peak = hertz_sphere(1.0, 4 * MM, e_star)
    table.close("G9 contact radius (mm)", radius * 1e3, 1.957434, "Johnson 1985 [NUM]", rtol=1e-6)
    table.close("G9 approach (mm)", approach * 1e3, 0.957887, "Johnson 1985 [NUM]", rtol=1e-6)
    table.close("G9 peak pressure (kPa)", peak * 1e-3, 124.614, "Johnson 1985 [NUM]", rtol=5e-6)
    step = 1e-8
    low, high = (float(hertz_force(float(approach) + s, 4 * MM, e_star)) for s in (-step, step))
    table.close("G9 stiffness (N/m)", (high - low) / (2 * step), 1565.95, "Johnson 1985 [NUM]", rtol=1e-5)
    table.close("G9 force from approach (N)", hertz_force(approach, 4 * MM, e_star), 1.0, "inverse", rtol=1e-12)


def test_flat_punch(table):
    """G10: rigid flat punch."""
    table.close(
        "G10 force (N)", flat_punch_force(0.5 * MM, 3 * MM, 0.4 * MPA), 1.2, "Johnson 1985 eq. 3.36", rtol=1e-12
    )


def test_standard_linear_solid(table):
    """G11: relaxation, creep, and the convolution that ties them."""
    table.close("G11 E(1 s) (Pa)", sls_relaxation(0.2e6, 0.1e6, 0.5, 1.0), 213533.53, FERRY, rtol=1e-7)
    table.close("G11 J(1 s) (1/Pa)", sls_creep(0.2e6, 0.1e6, 0.5, 1.0), 4.560671e-6, FERRY, rtol=2e-7)
    got, _ = quad(
        lambda s: float(sls_relaxation(0.2, 0.1, 0.5, 1.0 - s)) * float(sls_creep(0.2, 0.1, 0.5, s)), 0.0, 1.0
    )
    table.close("G11 convolution of E and J at 1 s (s)", got, 1.0, "identity", rtol=1e-9)
    half = brentq(lambda t: float(sls_creep(0.2, 0.1, 0.5, t)) - (5 - (5 - 10 / 3) * math.exp(-1)), 0.1, 2.0)
    table.close("G11 retardation time (s)", half, 0.75, FERRY, rtol=1e-9)


def test_dynamic_moduli(table):
    """G12: storage and loss modulus, and the greatest loss angle."""
    storage, loss = sls_dynamic(0.2, 0.1, 0.5, 2.0)
    table.close("G12 storage (MPa)", storage, 0.25, FERRY, rtol=1e-12)
    table.close("G12 loss (MPa)", loss, 0.05, FERRY, rtol=1e-12)
    ratio = lambda w: float(sls_dynamic(0.2, 0.1, 0.5, w)[1] / sls_dynamic(0.2, 0.1, 0.5, w)[0])  # noqa: E731
    best = minimize_scalar(lambda w: -ratio(w), bounds=(0.5, 5), method="bounded", options={"xatol": 1e-9})
    table.close("G12 greatest loss tangent", ratio(best.x), 0.204124, FERRY, rtol=1e-5)
    table.close("G12 its angular frequency (rad/s)", best.x, 1.632993, FERRY, rtol=1e-5)


def test_constant_rate(table):
    """G13: constant strain rate, by the stepped branch at any step size."""
    stress = 0.0
    for _ in range(100):
        stress = relax_formula(stress, 0.1, 0.1e6, 0.5, 0.01)
    got = 0.2e6 * 0.1 * 1.0 + stress
    table.close("G13 stress after 1 s (Pa)", got, 24323.32, FERRY, rtol=1e-6)
    table.close(
        "G13 in one step (Pa)", 0.2e5 + relax_formula(0.0, 0.1, 0.1e6, 0.5, 1.0), got, "exact update", rtol=1e-12
    )
