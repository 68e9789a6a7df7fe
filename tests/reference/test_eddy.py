"""Group C: a coil over conducting and permeable layers, skin depth."""

import math

import mpmath
import numpy as np
import pytest

from reference.formulas import loop_impedance_change, sheet_coil_of
from soft_tactile_node.physics.eddy_layers import (
    Layer,
    SheetCoil,
    air_inductance,
    bessel_moment,
    coil_integral,
    impedance_change,
    reflection,
    skin_depth,
)
from soft_tactile_node.physics.filaments import mutual_coaxial
from soft_tactile_node.physics.film_sheet import sheet_ratio, surface_impedance
from soft_tactile_node.physics.liquid_metal import MetalFilm, film_impedance_change, log_mean_distance
from soft_tactile_node.physics.spiral import SpiralCoil, strip_mean_distance

DODD = "Dodd & Deeds 1968 [NUM]"
MM = 1e-3
ALLOY = 1 / 29.4e-8


def coil_g(gap_m=0.5 * MM):
    """The reference coil: 2 to 6 mm, 0.1 mm thick, 20 turns."""
    return SheetCoil(2 * MM, 6 * MM, gap_m, gap_m + 0.1 * MM, 20)


def test_air_inductance(table):
    """C2: the coil alone."""
    table.close("C2 L0 of coil G (uH)", air_inductance(coil_g()) * 1e6, 3.244892, DODD, rtol=1e-6)


def test_alloy_plate(table):
    """C3: 1 mm of alloy at 1 MHz, also repeated by mpmath's adaptive quadrature here."""
    d_l, d_r = impedance_change(coil_g(), Layer(ALLOY, 1 * MM), 1e6)
    table.close("C3 dL, 1 mm alloy (uH)", d_l * 1e6, -1.8324886, DODD, rtol=1e-6)
    table.close("C3 dR, 1 mm alloy (ohm)", d_r, 1.235517, DODD, rtol=1e-6)

    def integrand(alpha):
        a = mpmath.mpf(alpha)
        omega = 2 * mpmath.pi * 1e6
        beta = mpmath.sqrt(a**2 + 1j * omega * 4e-7 * mpmath.pi * ALLOY)
        r = (a - beta) / (a + beta)
        e = mpmath.exp(-2 * beta * 1e-3)
        whole = r * (1 - e) / (1 - r**2 * e)

        def moment(x):
            return (
                mpmath.pi
                * x
                / 2
                * (mpmath.besselj(1, x) * mpmath.struveh(0, x) - mpmath.besselj(0, x) * mpmath.struveh(1, x))
            )

        j = moment(a * 6e-3) - moment(a * 2e-3)
        return j**2 / a**6 * (mpmath.exp(-a * 0.5e-3) - mpmath.exp(-a * 0.6e-3)) ** 2 * whole

    scale = math.pi * 4e-7 * math.pi * 400 / (0.1e-3**2 * 4e-3**2)
    with mpmath.workdps(15):
        value = complex(mpmath.quad(integrand, [1e-3, 100, 300, 600, 1000, 1500, 2200, 3200, 5000, 12000], maxdegree=5))
    z = 2j * math.pi * 1e6 * scale * value
    table.close("C3 dL again (uH)", d_l * 1e6, z.imag / (2 * math.pi * 1e6) * 1e6, "mpmath quad [LIB]", rtol=2e-6)
    table.close("C3 dR again (ohm)", d_r, z.real, "mpmath quad [LIB]", rtol=2e-6)


@pytest.mark.parametrize(
    ("frequency", "d_l", "d_r"),
    [(1e6, -1.832493, 1.233577), (1e5, -1.380449, 0.284210), (1e7, -1.985316, 4.289220)],
)
def test_alloy_half_space(table, frequency, d_l, d_r):
    """C4: half-space at three frequencies."""
    got_l, got_r = impedance_change(coil_g(), Layer(ALLOY), frequency)
    table.close(f"C4 dL, half-space, {frequency:g} Hz (uH)", got_l * 1e6, d_l, DODD, rtol=1e-6)
    table.close(f"C4 dR, half-space, {frequency:g} Hz (ohm)", got_r, d_r, DODD, rtol=3e-6)


def test_perfect_conductor_is_an_image(table):
    """C5: reflection -1 equals minus the mutual inductance with the mirrored coil, by elliptic integrals."""
    got = coil_integral(coil_g(), lambda alpha: -np.ones_like(alpha, dtype=complex)).real * 1e6
    table.close("C5 perfect conductor (uH)", got, -2.0565314208, DODD, rtol=1e-9)
    node, weight = np.polynomial.legendre.leggauss(24)
    r, w_r = 4 * MM + 2 * MM * node, 0.5 * weight
    z, w_z = 0.55 * MM + 0.05 * MM * node[:, None], 0.5 * weight[:, None]
    z, w_z = z.ravel(), w_z.ravel()
    r_1, r_2, z_1, z_2 = np.meshgrid(r, r, z, z, indexing="ij", sparse=True)
    weights = np.einsum("i,j,k,l->ijkl", w_r, w_r, w_z, w_z)
    image = -400 * float(np.sum(weights * mutual_coaxial(r_1, r_2, z_1 + z_2))) * 1e6
    table.close("C5 image coil (uH)", got, image, "Maxwell art. 701 over both sections [NUM]", rtol=1e-9)


def test_no_conductor_no_change(table):
    """C6: without conductivity nothing changes."""
    d_l, d_r = impedance_change(coil_g(), Layer(1e-6), 1e6)
    size = abs(2j * math.pi * 1e6 * d_l + d_r)
    table.close("C6 |dZ| at 1e-6 S/m (ohm)", size, 4.2e-10, DODD, rtol=0.02)


@pytest.mark.parametrize(("mu", "expected"), [(2, 0.68551047), (1000, 2.05242247)])
def test_permeable_half_space(table, mu, expected):
    """C7: a static permeable half-space is an image of strength (mu - 1)/(mu + 1)."""
    stack = (Layer(0.0, math.inf, mu),)
    got = coil_integral(coil_g(), lambda alpha: reflection(alpha, stack, 1.0)).real * 1e6
    table.close(f"C7 half-space mu_r = {mu} (uH)", got, expected, DODD, rtol=1e-8)
    table.close(f"C7 image, mu_r = {mu} (uH)", got, 2.0565314208 * (mu - 1) / (mu + 1), "image method", rtol=1e-9)


def test_published_benchmark_coil(table):
    """C8: the eddy-current benchmark coil; measured inductance within 3 %."""
    coil = SheetCoil(6.15 * MM, 12.4 * MM, 0.88 * MM, 7.03 * MM, 3790)
    air = air_inductance(coil) * 1e3
    table.close("C8 L0 against measured (mH)", air, 221.8, "TEAM problem 15, Burke 1988 [RECALL]", rtol=0.03)
    table.close("C8 L0 computed (mH)", air, 225.99, "[NUM]", rtol=1e-4)
    d_l, d_r = impedance_change(coil, Layer(3.06e7, 12.22 * MM), 900)
    table.close("C8 dL (mH)", d_l * 1e3, -47.332, "[NUM], nominal geometry", rtol=1e-4)
    table.close("C8 dR (ohm)", d_r, 120.65, "[NUM], nominal geometry", rtol=1e-4)


def test_single_loop(table):
    """C9: one filament over the alloy, and its perfect-conductor limit."""
    d_l, d_r = loop_impedance_change(5 * MM, 2 * MM, Layer(ALLOY), 1e6)
    table.close("C9 dL (nH)", d_l * 1e9, -3.056041, DODD, rtol=1e-6)
    table.close("C9 dR (mohm)", d_r * 1e3, 1.611716, DODD, rtol=1e-6)
    d_l, _ = loop_impedance_change(5 * MM, 2 * MM, Layer(1e20), 1e6)
    table.close("C9 limit (nH)", d_l * 1e9, -3.341716, "image: -M(a, a, 2h)", rtol=1e-6)


@pytest.mark.parametrize(
    ("name", "rho", "frequency", "expected", "source", "rtol"),
    [
        ("C10 copper 1 MHz", 1.7241e-8, 1e6, 66.085e-6, "IEC 60028 [RECALL][NUM]", 1e-4),
        ("C10 copper 60 Hz", 1.7241e-8, 60.0, 8.5315e-3, "IEC 60028 [RECALL][NUM]", 1e-4),
        ("C11 gallium-indium 1 MHz", 29.4e-8, 1e6, 272.894e-6, "Zrnic & Swatik 1969 [RECALL][NUM]", 1e-4),
        ("C11 gallium-indium 10 MHz", 29.4e-8, 1e7, 86.297e-6, "Dickey 2008 [RECALL][NUM]", 1e-4),
        ("C12 galinstan 1 MHz", 1 / 3.46e6, 1e6, 270.57e-6, "encyclopedia quote [SEEN][NUM]", 1e-4),
        ("C13 aluminium 900 Hz", 1 / 3.06e7, 900.0, 3.033e-3, "[NUM]", 1e-3),
        ("C13 aluminium as printed", 1 / 3.06e7, 900.0, 3.04e-3, "TEAM problem 15 [RECALL]", 5e-3),
    ],
)
def test_skin_depth(table, name, rho, frequency, expected, source, rtol):
    """C10 to C13: skin depths of the trade's metals."""
    table.close(f"{name} (m)", skin_depth(rho, frequency), expected, source, rtol=rtol)


def test_stored_tables(table, read_table):
    """Every row of both stored tables agrees: 1e-9 for skin depth, 1e-5 (promised for the half-space) for the plate."""
    rows = read_table("skin_depth.csv")
    got = [float(skin_depth(r["rho_ohm_m"], r["f_Hz"])) for r in rows]
    table.close("C skin_depth.csv (m)", got, [r["delta_m"] for r in rows], "arithmetic [NUM]", rtol=1e-9)
    rows = read_table("dodd_deeds_egain.csv")
    pairs = [impedance_change(coil_g(r["gap_m"]), Layer(ALLOY, r["plate_thickness_m"]), r["f_Hz"]) for r in rows]
    table.close(
        "C dodd_deeds_egain.csv dL (uH)", [p[0] * 1e6 for p in pairs], [r["dL_uH"] for r in rows], DODD, rtol=1e-6
    )
    table.close("C dodd_deeds_egain.csv dR (ohm)", [p[1] for p in pairs], [r["dR_ohm"] for r in rows], DODD, rtol=1e-6)


def test_bessel_moment(table):
    """The Struve form of the radial integral equals plain quadrature."""
    x = np.array([0.01, 0.049, 0.051, 1.0, 30.0])
    wanted = [float(mpmath.quad(lambda t: t * mpmath.besselj(1, t), np.linspace(0, v, 12))) for v in x]
    table.close("integral of t J1(t)", bessel_moment(x), wanted, "mpmath quad [LIB]", rtol=1e-8)


def test_layers_split_at_will():
    """A plate cut into three layers of the same metal is the plate."""
    alpha = np.geomspace(1.0, 1e5, 60)
    omega = 2 * math.pi * 3e6
    whole = reflection(alpha, (Layer(ALLOY, 0.3 * MM),), omega)
    parts = reflection(alpha, (Layer(ALLOY, 0.1 * MM), Layer(ALLOY, 0.05 * MM), Layer(ALLOY, 0.15 * MM)), omega)
    np.testing.assert_allclose(parts, whole, rtol=1e-11, atol=0)


def spiral():
    """The reference coil as a spiral of 20 broad, thin turns."""
    return SpiralCoil(2 * MM, 6 * MM, 20, 0.19999 * MM, 1e-5)


@pytest.mark.parametrize(
    ("frequency", "thickness"), [(1e6, 0.2 * MM), (1e6, 1 * MM), (3e6, 0.05 * MM), (3e6, 0.2 * MM)]
)
def test_rings_against_layers(table, frequency, thickness):
    """Rings of a wide film give the endless layer of Dodd & Deeds to 0.5 %: two independent routes."""
    d_l, d_r = impedance_change(sheet_coil_of(spiral(), 0.5 * MM), Layer(ALLOY, thickness), frequency)
    film = MetalFilm(14 * MM, 0.5 * MM, thickness)
    got = complex(film_impedance_change(spiral(), film, frequency, across=60, through=8))
    name = f"film {thickness * 1e3:g} mm, {frequency * 1e-6:g} MHz"
    table.close(f"{name}: dL (uH)", got.real * 1e6, d_l * 1e6, "rings against Dodd & Deeds", rtol=5e-3)
    omega = 2 * math.pi * frequency
    table.close(f"{name}: dR (ohm)", -got.imag * omega, d_r, "rings against Dodd & Deeds", rtol=0.02)


def test_rings_converge():
    """Finer rings approach the layer's value at first order or better."""
    d_l, d_r = impedance_change(sheet_coil_of(spiral(), 0.5 * MM), Layer(ALLOY, 0.2 * MM), 1e6)
    exact = d_l - 1j * d_r / (2 * math.pi * 1e6)
    film = MetalFilm(20 * MM, 0.5 * MM, 0.2 * MM)
    errors = [
        abs(complex(film_impedance_change(spiral(), film, 1e6, across=n, through=6)) / exact - 1) for n in (20, 40, 80)
    ]
    assert errors[0] > 1.8 * errors[1] > 1.8 * 1.8 * errors[2]


@pytest.mark.parametrize(("radius", "frequency"), [(4 * MM, 3e5), (6 * MM, 3e6)])
def test_sheet_against_rings(table, radius, frequency):
    """A thin film of finite radius: the stream function in the Fourier plane and the solid rings agree to 4 %."""
    from soft_tactile_node.physics.film_sheet import sheet_impedance_change
    from soft_tactile_node.physics.spiral import spiral_field

    film = MetalFilm(radius, 0.5 * MM, 0.05 * MM)
    solid = complex(film_impedance_change(spiral(), film, frequency))
    spacing = 2 * radius / 72
    half = (np.arange(76) - 37.5) * spacing
    x, y = np.meshgrid(half, half, indexing="ij")
    points = np.stack([x, y, np.full_like(x, 0.525 * MM)], axis=-1).reshape(-1, 3)
    normal = spiral_field(spiral(), points)[:, 2].reshape(x.shape)
    thin = sheet_impedance_change(normal, film.thickness_at(np.hypot(x, y)), spacing, frequency, 29.4e-8)
    name = f"film {radius * 1e3:g} mm wide, {frequency:g} Hz: |dL - j dR/w| (nH)"
    table.close(name, abs(thin) * 1e9, abs(solid) * 1e9, "stream function against rings", rtol=0.04)


def test_offset_and_partly_filled_film():
    """The change falls as the cell moves off the coil or the metal withdraws, and vanishes without metal."""
    film = MetalFilm(6 * MM, 0.5 * MM, 0.1 * MM)
    aside = [sheet_ratio(spiral(), film, 3e6, (x, 0), across=32).real for x in (0, 1 * MM, 2 * MM, 4 * MM)]
    np.testing.assert_allclose(aside[0], 1.0, rtol=1e-12)
    assert np.all(np.diff(aside) < 0)
    filled = [sheet_ratio(spiral(), film, 3e6, filled=f, across=32).real for f in (0.0, 0.4, 0.7, 1.0)]
    assert filled[0] == 0.0
    assert np.all(np.diff(filled) > 0)
    # the same offset in any direction
    other = sheet_ratio(spiral(), film, 3e6, (0, -2 * MM), across=32).real
    np.testing.assert_allclose(other, aside[2], rtol=1e-5, atol=0)


def test_surface_impedance_limits(table):
    """A thin film shows rho/h, a thick one (1 + j) rho/delta."""
    delta = float(skin_depth(29.4e-8, 1e6))
    thin = complex(surface_impedance(1e-6, 1e6, 29.4e-8))
    table.close("thin film (ohm)", abs(thin), 29.4e-8 / 1e-6, "rho/h", rtol=1e-4)
    thick = complex(surface_impedance(0.1, 1e6, 29.4e-8))
    table.close("thick film (ohm)", thick.real, 29.4e-8 / delta, "Jackson 5.18", rtol=1e-9)


def test_mean_distance_of_sections(table):
    """The mean distance of two sections: a section from itself, and two far apart."""
    one = np.array([0.0, 1.0, 0.0, 0.3])
    own = math.exp(log_mean_distance(one, one))
    table.close("own mean distance", own, strip_mean_distance(1.0, 0.3), "Maxwell art. 692, closed form", rtol=1e-12)
    far = np.array([30.0, 31.0, 0.0, 0.3])
    table.close("far mean distance", math.exp(log_mean_distance(one, far)), 30.0, "centre distance", rtol=1e-3)
