"""Group D: a magnetic disc near a coil; composites."""

import math

import numpy as np
import pytest
from scipy.special import ellipe, ellipk

from reference.axisymmetric_charge import disc_inductance_change
from reference.formulas import (
    diagonal_change,
    hashin_shtrikman_bounds,
    loop_disc_change,
    loop_impedance_change,
    weak_response,
)
from reference.magnetic_blocks import block_response, interaction_tensor
from reference.magnetic_segments import segment_response
from soft_tactile_node.physics.composite import bruggeman, maxwell_garnett
from soft_tactile_node.physics.demagnetisation import demagnetised_response
from soft_tactile_node.physics.eddy_layers import Layer
from soft_tactile_node.physics.filaments import loop_field, mutual_coaxial
from soft_tactile_node.physics.iron_disc import (
    CoilField,
    MagneticDisc,
    board_inductance_change,
    tilt_rotation,
)
from soft_tactile_node.physics.spiral import SpiralCoil, spiral_field

MM = 1e-3
MU0 = 4e-7 * math.pi
IMAGE = "image method, Smythe / Jackson 5.17 [NUM]"


def coil():
    """A coil of our own: 1 to 4 mm, 12 turns."""
    return SpiralCoil(1 * MM, 4 * MM, 12)


def corners():
    """Four coils, 2 x 2."""
    return np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * 4.5 * MM


def field():
    """The tabulated field of the coil."""
    return CoilField(coil(), 0.5 * MM, 8 * MM, 20 * MM)


def loop_fields(points, radius=5 * MM):
    """B of one filament at points, shape (1, q, 3)."""
    rho = np.hypot(points[:, 0], points[:, 1])
    b_rho, b_z = loop_field(radius, rho, points[:, 2])
    over = b_rho / np.maximum(rho, 1e-15)
    return np.stack([over * points[:, 0], over * points[:, 1], b_z], axis=-1)[None]


def test_permeable_half_space(table):
    """D1: a loop over a half-space of mu_r = 2."""
    d_l, _ = loop_impedance_change(5 * MM, 2 * MM, Layer(0.0, math.inf, 2.0), 1.0)
    table.close("D1 dL (nH)", d_l * 1e9, 1.113905, IMAGE, rtol=1e-6)


def test_weak_integral_over_half_space(table):
    """D2 and D3: the weak integral over a half-space is half the image's mutual inductance: 1 + chi/2 too much."""
    # int H^2 over z > h, by Gauss points in mapped variables
    node, weight = np.polynomial.legendre.leggauss(300)
    t, w = 0.5 * (node + 1), 0.5 * weight
    rho, w_rho = 5 * MM * t / (1 - t), 5 * MM * w / (1 - t) ** 2
    z, w_z = 2 * MM + 5 * MM * t / (1 - t), 5 * MM * w / (1 - t) ** 2
    b_rho, b_z = loop_field(5 * MM, rho[:, None], z[None, :])
    integral = np.sum(w_rho[:, None] * w_z * 2 * math.pi * rho[:, None] * (b_rho**2 + b_z**2)) / MU0
    table.close(
        "D2 per unit chi (nH)", integral * 1e9, 1.6708578365, "Jackson 5.16, Landau & Lifshitz 32 [NUM]", rtol=1e-8
    )
    half = float(mutual_coaxial(5 * MM, 5 * MM, 4 * MM)) / 2
    table.close("D2 = M(a, a, 2h)/2 (nH)", integral * 1e9, half * 1e9, "identity", rtol=1e-8)
    for chi, expected in ((1e-3, 1.0005), (0.1, 1.05), (1.0, 1.5)):
        exact, _ = loop_impedance_change(5 * MM, 2 * MM, Layer(0.0, math.inf, 1.0 + chi), 1.0)
        table.close(f"D3 weak over exact, chi = {chi}", chi * half / exact, expected, "D1 and D2", rtol=1e-8)


@pytest.mark.parametrize(("chi", "expected"), [(0.01, 1.85841e-15), (1.0, 1.39845e-13), (10.0, 4.30294e-13)])
def test_small_sphere(table, chi, expected):
    """D4: a sphere small against its distance, mu0 V 3 chi/(3 + chi) (H/I)^2."""
    radius = 0.25 * MM
    _, b_z = loop_field(5 * MM, 0.0, 4 * MM)
    volume = 4 / 3 * math.pi * radius**3
    got = float(volume * 3 * chi / (3 + chi) * b_z**2 / MU0)
    table.close(f"D4 sphere, chi = {chi} (H)", got, expected, "Jackson 5.11 [NUM arithmetic]", rtol=1e-5)
    # a cube of blocks of the same volume answers about like the sphere
    if chi <= 1.0:
        side = (volume / 27) ** (1 / 3)
        index = np.stack(np.meshgrid(*[[0, 1, 2]] * 3, indexing="ij"), -1).reshape(-1, 3)
        form = chi * np.linalg.inv(np.eye(81) + chi * interaction_tensor(index, np.full(3, side))) * side**3
        b = loop_fields((index - 1) * side + [0, 0, 4 * MM])[0].ravel()
        table.close(f"D4 by blocks, chi = {chi} (H)", b @ form @ b / MU0, expected, "volume blocks", rtol=0.03)


@pytest.mark.parametrize(("gap", "expected"), [(1, 0.330433), (2, 0.192610), (3, 0.104008)])
def test_weak_disc(table, gap, expected):
    """D5: weak-limit disc over a loop at three gaps."""
    got = loop_disc_change(5 * MM, MagneticDisc(3 * MM, 1 * MM, 1.0), gap * MM) * 1e9
    table.close(f"D5 disc at {gap} mm, per unit chi (nH)", got, expected, "D2 integral [NUM]", rtol=2e-6)


@pytest.mark.parametrize(("mu", "expected"), [(10.0, 1.870968), (1000.0, 2.280222), (math.inf, 16 / 7)])
def test_maxwell_garnett(table, mu, expected):
    """D6: spheres at a fraction of 0.3."""
    source = "Garnett 1904; Sihvola 1999 [RECALL][NUM arithmetic]"
    table.close(f"D6 mu_e at f = 0.3, mu_i = {mu}", maxwell_garnett(0.3, mu), expected, source, rtol=1e-6)


@pytest.mark.parametrize(("fraction", "expected"), [(0.1, 4 / 3), (0.2, 1.75), (0.4, 3.0)])
def test_maxwell_garnett_limit(table, fraction, expected):
    """D7: very permeable spheres, (1 + 2 f)/(1 - f)."""
    got = maxwell_garnett(fraction, math.inf)
    table.close(f"D7 mu_e at f = {fraction}", got, expected, "(1 + 2f)/(1 - f)", rtol=1e-14)


def test_bounds(table):
    """D8: Maxwell Garnett is the lower bound; the symmetric medium lies between."""
    low, high = hashin_shtrikman_bounds(0.3, 1000.0)
    source = "Hashin & Shtrikman 1962 [NUM]"
    table.close("D8 lower bound = Maxwell Garnett", low, float(maxwell_garnett(0.3, 1000.0)), source, rtol=1e-12)
    table.close("D8 upper bound", high, 223.09, source, rtol=1e-4)
    middle = bruggeman(0.3, 1000.0)
    table.close("D8 symmetric Bruggeman", middle, 8.6116, "Bruggeman 1935 [NUM]", rtol=1e-5)
    assert low <= middle <= high


@pytest.mark.parametrize("chi", [0.01, 1.0, 3.0])
def test_finite_disc_coaxial(table, chi):
    """The finite disc with demagnetisation: production, scipy surface charges and volume blocks agree within 1 %."""
    disc = MagneticDisc(3 * MM, 1 * MM, chi)
    response = demagnetised_response(disc)
    centre = np.array([0, 0, 1.5 * MM])
    got = response.inductance_matrix(loop_fields(response.points_m + centre))[0, 0].real * 1e9
    charges = disc_inductance_change([5 * MM], 3 * MM, 1 * MM, 1 * MM, chi, 32) * 1e9
    blocks = block_response(disc, 13)
    volume = blocks.inductance_matrix(loop_fields(blocks.points_m + centre))[0, 0].real * 1e9
    table.close(f"finite disc, chi = {chi} (nH)", got, charges, "surface charges, scipy, coaxial", rtol=0.004)
    table.close(f"finite disc, chi = {chi} (nH)", got, volume, "volume blocks, Newell tensor", rtol=0.01)


def test_finite_disc_displaced_and_tilted(table):
    """Displaced and tilted, the surface charges agree within 1 % with a volume integral over round segments."""
    pytest.importorskip("magpylib")
    disc = MagneticDisc(4 * MM, 1 * MM, 2.0)
    pose, tilt = np.array([1.0, 0.5, 2.0]) * MM, (0.05, 0.1)
    shape, turn = field(), tilt_rotation(tilt)
    got = diagonal_change(board_inductance_change(demagnetised_response(disc), shape, corners(), pose, tilt)) * 1e9

    def segments(rings, layers, sectors):
        points, volumes, matrix = segment_response(4 * MM, 1 * MM, 2.0, rings, layers, sectors)
        placed = points @ turn.T + pose
        fields = [(shape(placed - np.append(c, 0.0)) @ turn).ravel() for c in corners()]
        return np.array([(b * np.repeat(volumes, 3)) @ (matrix @ b) for b in fields]) / MU0 * 1e9

    coarse, fine = segments(4, 2, 16), segments(6, 3, 24)
    table.close("displaced, tilted disc, fine segments (nH)", got, fine, "volume integral, magpylib [LIB]", rtol=0.02)
    # midpoint elements converge with about the 1.7th power of their size (seen on three grids)
    limit = fine + (fine - coarse) / (1.5**1.7 - 1.0)
    table.close("displaced, tilted disc, extrapolated (nH)", got, limit, "volume integral, magpylib [LIB]", rtol=0.005)


def test_blocks_tensor(table):
    """The block tensor behind that comparison: a cube, the trace of a slab, and the far dipole."""
    one = interaction_tensor(np.zeros((1, 3), dtype=int), np.ones(3))
    table.close("N of a cube", np.diag(one), np.full(3, 1 / 3), "symmetry", rtol=1e-9)
    slab = interaction_tensor(np.zeros((1, 3), dtype=int), np.array([1.0, 2.0, 3.0]))
    table.close("trace of N", np.trace(slab), 1.0, "Poisson's equation", rtol=1e-9)
    pair = interaction_tensor(np.array([[0, 0, 0], [6, 4, 2]]), np.ones(3))[3:, :3]
    r = np.array([6.0, 4.0, 2.0])
    dipole = (np.eye(3) / np.linalg.norm(r) ** 3 - 3 * np.outer(r, r) / np.linalg.norm(r) ** 5) / (4 * math.pi)
    table.close("far blocks", pair, dipole, "dipole field", rtol=0.02, atol=1e-6)


def test_blocks_against_library(table):
    """The field of one magnetised block equals the library's."""
    magpylib = pytest.importorskip("magpylib")
    offset = np.array([4, 3, 2])
    pair = interaction_tensor(np.array([[0, 0, 0], offset]), np.ones(3))[3:, :3]
    cube = magpylib.magnet.Cuboid(dimension=(1, 1, 1), magnetization=(1e6, 2e6, 3e6))
    node, weight = np.polynomial.legendre.leggauss(6)
    grid = np.stack(np.meshgrid(node, node, node, indexing="ij"), -1).reshape(-1, 3) / 2 + offset
    weights = np.einsum("i,j,k->ijk", weight, weight, weight).ravel() / 8
    wanted = weights @ cube.getH(grid)
    table.close("averaged field of a block (A/m)", -pair @ [1e6, 2e6, 3e6], wanted, "magpylib Cuboid [LIB]", rtol=1e-6)


def test_surface_charges_converge():
    """The error of the surface charges falls about with the inverse of the number of rings."""
    exact = disc_inductance_change([5 * MM], 3 * MM, 1 * MM, 1 * MM, 2.0, 64)
    errors = []
    for rings in (8, 16, 32):
        response = demagnetised_response(MagneticDisc(3 * MM, 1 * MM, 2.0), rings)
        b = loop_fields(response.points_m + [0, 0, 1.5 * MM])
        errors.append(abs(response.inductance_matrix(b)[0, 0].real / exact - 1))
    assert errors[0] < 0.02
    assert errors[0] > 1.7 * errors[1] > 1.7 * 1.7 * errors[2]


def test_weak_and_full_agree_for_weak_discs(table):
    """With little susceptibility demagnetisation does not matter, in any pose."""
    disc = MagneticDisc(4 * MM, 1 * MM, 1e-3)
    pose, tilt = np.array([1.0, -0.5, 2.0]) * MM, (0.1, -0.05)
    full, weak = (
        diagonal_change(board_inductance_change(r, field(), corners(), pose, tilt))
        for r in (demagnetised_response(disc), weak_response(disc, 8, 24, 6))
    )
    table.close("weak disc, four coils (H)", full, weak, "two routes", rtol=0.005)


def test_wide_disc_is_a_half_space(table):
    """A wide, thick disc close to a small loop answers like the half-space of the image method."""
    disc = MagneticDisc(20 * MM, 20 * MM, 1.0)
    response = demagnetised_response(disc, rings=40, orders=2, nodes=16)
    b = loop_fields(response.points_m + [0, 0, 12 * MM], radius=4 * MM)
    got = response.inductance_matrix(b)[0, 0].real
    table.close(
        "wide disc against half-space (H)", got, float(mutual_coaxial(4 * MM, 4 * MM, 4 * MM)) / 3, IMAGE, rtol=0.02
    )


def test_coil_field_table():
    """The tabulated field equals the sum over turns to 1e-4 of the local field."""
    rng = np.random.default_rng(2)
    points = rng.uniform([-9, -9, 0.5], [9, 9, 7.9], (400, 3)) * MM
    exact = spiral_field(coil(), points)
    size = np.linalg.norm(exact, axis=1, keepdims=True)
    np.testing.assert_allclose(field()(points) / size, exact / size, rtol=0, atol=1e-4)


def test_reciprocity_and_symmetry():
    """The change of mutual inductance is symmetric, and mirroring the pose swaps the coils."""
    response, shape = demagnetised_response(MagneticDisc(4 * MM, 1 * MM, 2.0)), field()
    matrix = board_inductance_change(response, shape, corners(), np.array([0.7, 0.2, 2.0]) * MM, (0.05, 0.02))
    np.testing.assert_allclose(matrix, matrix.T, rtol=1e-12, atol=0)
    mirrored = board_inductance_change(response, shape, corners(), np.array([-0.7, 0.2, 2.0]) * MM, (0.05, -0.02))
    swap = [1, 0, 3, 2]
    np.testing.assert_allclose(mirrored, matrix[np.ix_(swap, swap)], rtol=1e-8, atol=1e-16)


def test_lossy_disc_adds_resistance():
    """A lossy composite raises the loss resistance: the imaginary part of the change is negative."""
    disc = MagneticDisc(4 * MM, 1 * MM, 2.0, 0.2)
    for response in (weak_response(disc), demagnetised_response(disc)):
        change = board_inductance_change(response, field(), corners(), np.array([0, 0, 2.0]) * MM)
        assert np.all(np.diag(change).imag < 0)


def test_tilt_convention():
    """Tilt about y lifts the side at -x and lowers the side at +x."""
    turned = tilt_rotation((0.0, 0.1)) @ np.array([1.0, 0.0, 0.0])
    assert turned[2] < 0


def test_elliptic_mean():
    """The arithmetic-geometric mean gives scipy's integrals at both ends of the range."""
    from soft_tactile_node.physics.elliptic import elliptic_sums

    for m in (1e-12, 1e-3, 0.5, 0.999, 1 - 1e-10):
        k, tail = elliptic_sums(m, math.sqrt(1 - m))
        np.testing.assert_allclose(k, ellipk(m), rtol=1e-14 if m < 0.9 else 1e-6 if m > 0.9999 else 1e-12, atol=0)
        np.testing.assert_allclose(k * (1 - m / 2 - tail), ellipe(m), rtol=1e-8, atol=0)
