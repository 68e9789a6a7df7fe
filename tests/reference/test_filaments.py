"""Group A: filament loops, mutual inductance, field of a loop."""

import math

import mpmath
import numpy as np
import pytest
from scipy.special import ellipe, ellipk

from reference.formulas import mutual_inclined
from soft_tactile_node.physics.filaments import loop_field, mutual_coaxial

MAXWELL = "Maxwell 1873 art. 701 [NUM: Neumann integral]"
MM = 1e-3


def test_grover_example(table):
    """The worked example of the inductance books comes out to their digits and to 1e-6 of the exact value."""
    got = float(mutual_coaxial(0.20, 0.25, 0.10)) * 1e9
    table.close("A1 coaxial 0.20/0.25 m at 0.10 m (nH)", got, 248.7874, MAXWELL, rtol=1e-6)
    table.close("A1 as printed (nH)", got, 248.79, "Grover 1946 ch. 11 [RECALL, reproduced]", atol=0.005)


@pytest.mark.parametrize(
    ("name", "a", "b", "d", "expected"),
    [
        ("A2", 250, 250, 200, 167.0858),
        ("A3", 10, 10, 1, 30.02876),
        ("A4", 5, 5, 2, 6.753694),
        ("A4", 5, 5, 4, 3.341716),
        ("A5", 5, 3, 2, 2.893302),
    ],
)
def test_coaxial_values(table, name, a, b, d, expected):
    """Coaxial loops agree with the double integral to 1e-6."""
    got = float(mutual_coaxial(a * MM, b * MM, d * MM)) * 1e9
    table.close(f"{name} coaxial {a}/{b}/{d} mm (nH)", got, expected, MAXWELL, rtol=1e-6)


def test_coaxial_table(table, read_table):
    """Every row of the stored table agrees to 1e-11."""
    rows = read_table("coaxial_mutual.csv")
    got = [float(mutual_coaxial(r["a_m"], r["b_m"], r["d_m"])) * 1e9 for r in rows]
    table.close("A coaxial_mutual.csv (nH)", got, [r["M_nH"] for r in rows], MAXWELL, rtol=1e-11)


def test_flux_through_disc(table):
    """A5: the mutual inductance is the flux of the loop's field through the other disc."""
    node, weight = np.polynomial.legendre.leggauss(60)
    r = 3 * MM * 0.5 * (node + 1)
    _, b_z = loop_field(5 * MM, r, 2 * MM)
    flux = float(np.sum(weight * 1.5 * MM * 2 * np.pi * r * b_z))
    table.close("A5 flux of A8's field (nH)", flux * 1e9, 2.893302, "definition [NUM]", rtol=1e-6)


def test_maxwells_logarithms(table):
    """A6: Maxwell's table of log10 M/(4 pi sqrt(A a)) at gamma = 60 degrees."""
    k = math.sin(math.radians(60))
    # equal radii a: k^2 = 4 a^2/(4 a^2 + d^2)
    d = 2 * math.sqrt(1 / k**2 - 1)
    got = math.log10(float(mutual_coaxial(1.0, 1.0, d)) / (4e-7 * math.pi))
    table.close("A6 log10 at 60 degrees", got, -0.5005217, "Maxwell II app. I ch. XIV [RECALL, reproduced]", atol=1e-7)


@pytest.mark.parametrize(
    ("square", "expected"), [(0.1, 0.00829673), (0.2, 0.00494078), (0.5, 0.00141860), (0.9, 8.43760e-5)]
)
def test_grover_factor(table, square, expected):
    """A7: Grover's factor f with M[uH] = f sqrt(A a)[cm]."""
    # equal radii 1 cm: k'^2 = d^2/(4 + d^2)
    d = 2 * math.sqrt(square / (1 - square))
    got = float(mutual_coaxial(0.01, 0.01, d * 0.01)) * 1e6
    table.close(f"A7 f at k'^2 = {square}", got, expected, "Grover 1946 table 16 [NUM digits]", rtol=1e-5)


def test_loop_field_off_axis(table):
    """A8: field off the axis."""
    b_rho, b_z = loop_field(5 * MM, 3 * MM, 2 * MM)
    source = "Smythe 7.10, Jackson 5.5 [NUM][LIB magpylib]"
    table.close("A8 B_rho (T)", b_rho, 4.548196e-5, source, rtol=1e-6)
    table.close("A8 B_z (T)", b_z, 1.013857e-4, source, rtol=1e-6)


@pytest.mark.parametrize(("z", "expected"), [(0.0, 1.256637e-4), (2.0, 1.005826e-4)])
def test_loop_field_on_axis(table, z, expected):
    """A9: field on the axis, against the printed digits and the closed form."""
    _, b_z = loop_field(5 * MM, 0.0, z * MM)
    a = 5 * MM
    closed = 4e-7 * math.pi * a**2 / (2 * (a**2 + (z * MM) ** 2) ** 1.5)
    table.close(f"A9 B_z on axis, z = {z} mm (T)", b_z, expected, "textbook [NUM][LIB]", rtol=4e-7)
    table.close(f"A9 closed form, z = {z} mm (T)", b_z, closed, "textbook", rtol=1e-14)


def test_loop_field_table(table, read_table):
    """Every row of the stored field table agrees to 1e-9 (the library's mu0 differs by 1e-10)."""
    rows = read_table("loop_field.csv")
    x, y, z = (np.array([r[k] for r in rows]) for k in ("x_m", "y_m", "z_m"))
    rho = np.hypot(x, y)
    b_rho, b_z = loop_field(5 * MM, rho, z)
    wanted_rho = np.hypot([r["Bx_T"] for r in rows], [r["By_T"] for r in rows])
    table.close("A loop_field.csv B_z (T)", b_z, [r["Bz_T"] for r in rows], "magpylib 6.3.0 [LIB]", rtol=1e-9)
    table.close(
        "A loop_field.csv |B_rho| (T)", np.abs(b_rho), wanted_rho, "magpylib 6.3.0 [LIB]", rtol=1e-9, atol=1e-18
    )


def test_loop_field_library(table):
    """The installed library gives the same field at 200 random points."""
    magpylib = pytest.importorskip("magpylib")
    rng = np.random.default_rng(5)
    points = rng.uniform(-12, 12, (200, 3)) * MM
    circle = magpylib.current.Circle(diameter=10 * MM, current=1.0)
    wanted = circle.getB(points)
    rho = np.hypot(points[:, 0], points[:, 1])
    b_rho, b_z = loop_field(5 * MM, rho, points[:, 2])
    got = np.stack([b_rho * points[:, 0] / rho, b_rho * points[:, 1] / rho, b_z], axis=-1)
    table.close("loop field at 200 points (T)", got, wanted, "magpylib current.Circle [LIB]", rtol=1e-8, atol=1e-15)


@pytest.mark.parametrize(
    ("name", "args", "expected", "source"),
    [
        (
            "A10 inclined 60 degrees, near side",
            (0.16, 0.10, (0, -0.043301, 0.175), 60),
            13.6113,
            "Grover 1946 ch. 21 [NUM][RECALL, reproduced]",
        ),
        ("A11 inclined 60 degrees, far side", (0.16, 0.10, (0, 0.043301, 0.175), 60), 26.6433, "two routes [NUM]"),
    ],
)
def test_inclined_loops(table, name, args, expected, source):
    """Inclined, offset loops on either side of the tilt."""
    primary, secondary, centre, degrees = args
    angle = math.radians(degrees)
    got = mutual_inclined(primary, secondary, centre, (0, math.sin(angle), math.cos(angle))) * 1e9
    table.close(f"{name} (nH)", got, expected, source, rtol=1e-5)


@pytest.mark.parametrize(("lateral", "expected"), [(0, 9.688643), (10, 9.390068), (20, 8.401441), (50, 2.165766)])
def test_lateral_loops(table, lateral, expected):
    """A12: parallel axes at four lateral distances."""
    got = mutual_inclined(42.5 * MM, 20 * MM, (lateral * MM, 0, 30 * MM)) * 1e9
    table.close(f"A12 lateral {lateral} mm (nH)", got, expected, "two routes [NUM]; Kim 1997 geometry", rtol=1e-6)


def test_small_coils(table):
    """A13 and A14: small coils, lateral and tilted by 20 degrees about x."""
    got = mutual_inclined(5 * MM, 5 * MM, (3 * MM, 0, 2 * MM)) * 1e9
    table.close("A13 lateral 3 mm (nH)", got, 4.432513, "two routes [NUM]", rtol=1e-6)
    tilt = math.radians(20)
    got = mutual_inclined(5 * MM, 3 * MM, (1 * MM, 0, 4 * MM), (0, -math.sin(tilt), math.cos(tilt))) * 1e9
    table.close("A14 tilt 20 degrees (nH)", got, 1.456034, "two routes [NUM]", rtol=1e-6)


@pytest.mark.parametrize(("distance", "expected"), [(0.5, 0.99980), (0.1, 0.99493)])
def test_far_field(table, distance, expected):
    """A15: far apart the loops are dipoles."""
    dipoles = 4e-7 * math.pi * math.pi * (5 * MM) ** 2 * (3 * MM) ** 2 / (2 * distance**3)
    got = float(mutual_coaxial(5 * MM, 3 * MM, distance)) / dipoles
    table.close(f"A15 M over dipole limit at {distance} m", got, expected, "dipole limit [NUM]", rtol=1e-5)


def test_far_field_keeps_its_digits():
    """At a million radii nothing has cancelled: the dipole limit holds to 1e-11."""
    distance = 1e6
    got = float(mutual_coaxial(1.0, 1.0, distance))
    np.testing.assert_allclose(got, 4e-7 * math.pi * math.pi / (2 * distance**3), rtol=1e-11, atol=0)


def test_axial_force(table):
    """A16: the force between the loops is the slope of the mutual inductance."""
    step = 1e-6
    low, high = (float(mutual_coaxial(5 * MM, 3 * MM, 2 * MM + s)) for s in (-step, step))
    table.close("A16 dM/dd (N/A^2)", (high - low) / (2 * step), -8.57315e-7, "central difference [NUM]", rtol=1e-5)
    # and the slope of the field's flux: dM/dd = -2 pi b B_rho
    b_rho, _ = loop_field(5 * MM, 3 * MM, 2 * MM)
    table.close("A16 from B_rho (N/A^2)", -2 * math.pi * 3 * MM * b_rho, -8.57315e-7, "identity", rtol=1e-6)


def test_against_scipy_integrals(table):
    """The cancellation-free form equals Maxwell's first form with scipy's elliptic integrals."""
    a, b, d = 5 * MM, np.array([1, 3, 5, 9]) * MM, 2 * MM
    m = 4 * a * b / ((a + b) ** 2 + d**2)
    k = np.sqrt(m)
    first = 4e-7 * math.pi * np.sqrt(a * b) * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m))
    table.close("two forms of Maxwell's formula", mutual_coaxial(a, b, d), first, "scipy.special [LIB]", rtol=1e-13)


def test_against_mpmath_double_integral(table):
    """Neumann's integral by mpmath at 20 digits gives the same inductance."""
    a, b, d = 5 * MM, 3 * MM, 2 * MM
    with mpmath.workdps(20):
        inner = mpmath.quad(
            lambda t: mpmath.cos(t) / mpmath.sqrt(a**2 + b**2 + d**2 - 2 * a * b * mpmath.cos(t)), [0, mpmath.pi]
        )
        neumann = float(mpmath.mpf(4e-7) * mpmath.pi / (4 * mpmath.pi) * a * b * 2 * mpmath.pi * 2 * inner)
    table.close(
        "Neumann's integral (nH)", float(mutual_coaxial(a, b, d)) * 1e9, neumann * 1e9, "mpmath [LIB]", rtol=1e-12
    )


def test_inclined_converges_exponentially():
    """The closed integral gains digits faster than any power when its points are doubled."""
    from soft_tactile_node.physics.filaments import inclined_mutual_formula, plane_axes

    u, v = plane_axes((0.0, 0.3, 1.0))
    centre = np.array([3.0, 1.0, 2.0]) * MM
    exact = inclined_mutual_formula(5 * MM, 3 * MM, centre, u, v, 1024)
    errors = [abs(inclined_mutual_formula(5 * MM, 3 * MM, centre, u, v, n) / exact - 1) for n in (8, 16, 32)]
    assert errors[1] < errors[0] ** 1.5
    assert errors[2] < errors[1] ** 1.5
