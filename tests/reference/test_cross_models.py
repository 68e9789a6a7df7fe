"""Two independent routes to the same number, for every quantity the pads rest on.

| quantity | one route | other route | where |
|---|---|---|---|
| mutual of coaxial loops | Maxwell's elliptic form | Neumann's integral, mpmath | test_filaments |
| mutual of offset loops | closed integral of the vector potential | Neumann's double sum | here |
| field of a loop | elliptic closed form | magpylib; Biot-Savart sum | test_filaments, here |
| self-inductance of a spiral | concentric rings | Dodd & Deeds integral in air | here |
| mutual of two coils | sum of turns | far dipoles; flux of the field | test_spirals, here |
| coil over a conductor | Dodd & Deeds | image coil; mpmath; solid rings | test_eddy |
| film of finite radius | solid rings | stream function in the Fourier plane | test_eddy |
| coil over a permeable half-space | Dodd & Deeds | image method | test_eddy |
| finite magnetic disc, coaxial | surface charges by order | scipy surface charges; volume blocks | test_disc |
| finite magnetic disc, displaced | surface charges by order | volume segments of magpylib | test_disc |
| wide magnetic disc | surface charges by order | image method | test_disc |
| coupled coils by a disc | mutual of the disc's form | reciprocity | test_disc |
| constant curvature | closed form | matrix exponential | test_kinematics |
| coil with a neighbour | reflected impedance | two equations solved | here |
| settled cells | closed root of the cubic | root finder | here |
| noise of a reading | formula | counter simulated | test_resonator |
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

from reference.coupling import neighbour_change, reflected_impedance
from reference.formulas import mutual_inclined, sheet_coil_of
from soft_tactile_node.physics.coil_loss import coil_resistance, direct_resistance, skin_factor
from soft_tactile_node.physics.eddy_layers import air_inductance
from soft_tactile_node.physics.filaments import loop_field
from soft_tactile_node.physics.spiral import SpiralCoil, inductance_rings, mutual_spirals, spiral_field
from soft_tactile_node.physics.two_cells import CellWall, Duct, gravity_head, settled_volume

MM = 1e-3
MU0 = 4e-7 * math.pi


def test_offset_loops_by_neumann(table):
    """Neumann's double sum over both circles gives the mutual inductance of inclined, offset loops."""
    count = 400
    phi = 2 * math.pi * np.arange(count) / count
    a, b, centre = 5 * MM, 3 * MM, np.array([2.0, 1.0, 3.0]) * MM
    tilt = 0.5
    u, v = np.array([1.0, 0, 0]), np.array([0, math.cos(tilt), math.sin(tilt)])
    one = a * np.stack([np.cos(phi), np.sin(phi), 0 * phi], axis=-1)
    d_one = a * np.stack([-np.sin(phi), np.cos(phi), 0 * phi], axis=-1)
    two = centre + b * (np.cos(phi)[:, None] * u + np.sin(phi)[:, None] * v)
    d_two = b * (-np.sin(phi)[:, None] * u + np.cos(phi)[:, None] * v)
    distance = np.linalg.norm(one[:, None, :] - two[None, :, :], axis=-1)
    neumann = MU0 / (4 * math.pi) * np.sum((d_one @ d_two.T) / distance) * (2 * math.pi / count) ** 2
    got = mutual_inclined(a, b, centre, np.cross(u, v))
    table.close("offset, inclined loops (nH)", got * 1e9, neumann * 1e9, "Neumann's double sum", rtol=1e-9)


def test_loop_field_by_biot_savart(table):
    """Summed current elements give the field of a loop."""
    count = 4000
    phi = 2 * math.pi * np.arange(count) / count
    place = 5 * MM * np.stack([np.cos(phi), np.sin(phi), 0 * phi], axis=-1)
    element = 5 * MM * 2 * math.pi / count * np.stack([-np.sin(phi), np.cos(phi), 0 * phi], axis=-1)
    r = np.array([6 * MM, 0, 1.5 * MM]) - place
    total = MU0 / (4 * math.pi) * np.sum(np.cross(element, r) / np.linalg.norm(r, axis=1)[:, None] ** 3, axis=0)
    b_rho, b_z = loop_field(5 * MM, 6 * MM, 1.5 * MM)
    table.close("field of a loop (T)", [float(b_rho), float(b_z)], total[[0, 2]], "Biot-Savart sum", rtol=1e-9)


def test_rings_against_sheet_in_air(table):
    """A spiral of many broad turns has the inductance of the even winding."""
    coil = SpiralCoil(2 * MM, 6 * MM, 60, 0.999 * 4 * MM / 60, 10e-6)
    sheet = air_inductance(sheet_coil_of(coil, 1 * MM))
    table.close("spiral of 60 turns (uH)", inductance_rings(coil) * 1e6, sheet * 1e6, "Dodd & Deeds in air", rtol=0.005)


def test_mutual_of_coils_by_flux(table):
    """The flux of one coil's field through the turns of another is their mutual inductance."""
    one, two = SpiralCoil(1 * MM, 3 * MM, 4), SpiralCoil(1 * MM, 2.5 * MM, 3)
    centre = np.array([4.0, 1.0, 5.0]) * MM
    node, weight = np.polynomial.legendre.leggauss(24)
    phi = 2 * math.pi * np.arange(48) / 48
    flux = 0.0
    for radius in two.radii_m():
        r = radius * 0.5 * (node + 1)
        points = np.stack([np.outer(r, np.cos(phi)), np.outer(r, np.sin(phi)), np.zeros((24, 48))], axis=-1).reshape(
            -1, 3
        )
        b_z = spiral_field(one, points + centre)[:, 2].reshape(24, 48)
        flux += float(np.sum(0.5 * radius * weight * r * np.mean(b_z, axis=1)) * 2 * math.pi)
    got = mutual_spirals(one, two, centre)
    table.close("mutual of two coils (nH)", got * 1e9, flux * 1e9, "flux of the field", rtol=1e-8)


def test_neighbouring_coil(table):
    """A closed neighbour acts as the solution of both circuits' equations says; a short lowers L by k^2 L."""
    mutual, own, other, frequency = -80e-9, 3e-6, 2e-6, 5e6
    omega = 2 * math.pi * frequency
    short, _ = neighbour_change(mutual, other, 1e-9, math.inf, frequency)
    table.close("shorted neighbour (nH)", short * 1e9, -(mutual**2) / other * 1e9, "L (1 - k^2)", rtol=1e-9)
    loop = 2.0 + 1j * (omega * other - 1 / (omega * 470e-12))
    current = np.linalg.solve([[1.0 + 1j * omega * own, 1j * omega * mutual], [1j * omega * mutual, loop]], [1.0, 0.0])
    wanted = 1.0 / current[0] - (1.0 + 1j * omega * own)
    got = reflected_impedance(mutual, loop, frequency)
    table.close(
        "tuned neighbour (ohm)", [got.real, got.imag], [wanted.real, wanted.imag], "two circuits solved", rtol=1e-9
    )
    resonance = 1 / (2 * math.pi * math.sqrt(other * 470e-12))
    above, below = (neighbour_change(mutual, other, 2.0, 470e-12, resonance * k)[0] for k in (1.2, 0.8))
    assert above < 0.0 < below
    at_it, loss = neighbour_change(mutual, other, 2.0, 470e-12, resonance)
    assert abs(at_it) < 1e-6 * abs(above)
    np.testing.assert_allclose(loss, (2 * math.pi * resonance * mutual) ** 2 / 2.0, rtol=1e-9, atol=0)


def test_settled_cells(table):
    """The settled volume is the root of the force balance."""
    press, coil = CellWall(4 * MM, 1.5 * MM, 3e5), CellWall(6 * MM, 2 * MM, 3e5)

    def excess(volume, force):
        return float(press.pressure_pa(volume) + coil.pressure_pa(volume)) - force / (math.pi * press.radius_m**2)

    for force in (0.1, 2.0):
        got = float(settled_volume(force, press, coil))
        root = brentq(excess, 0.0, 1e-6, args=(force,), xtol=1e-20)
        table.close(f"settled volume at {force} N (mm^3)", got * 1e9, root * 1e9, "scipy brentq [LIB]", rtol=1e-9)


def test_gravity_head(table):
    """Ten millimetres of alloy under gravity."""
    table.close(
        "head of 10 mm of alloy (Pa)", gravity_head(0.01, 9.80665), 6250 * 9.80665 * 0.01, "hydrostatics", rtol=1e-12
    )


def test_plate_profile_holds_its_volume():
    """The bulge of a roof encloses the volume it stands for."""
    wall = CellWall(6 * MM, 2 * MM, 3e5)
    node, weight = np.polynomial.legendre.leggauss(30)
    r = 3 * MM * (node + 1)
    volume = float(np.sum(weight * 3 * MM * 2 * math.pi * r * wall.profile_m(1e-8, r)))
    np.testing.assert_allclose(volume, 1e-8, rtol=1e-12, atol=0)


def test_plate_formulas_by_hand(table):
    """A clamped plate: centre deflection p a^4/(64 D), shear beside it, and membrane's share at large deflection."""
    a, t, modulus, poisson = 8e-3, 0.4e-3, 3e5, 0.5
    wall = CellWall(a, t, modulus, poisson)
    source = "Timoshenko & Woinowsky-Krieger 1959 [RECALL]"
    rigidity = modulus * t**3 / (12 * (1 - poisson**2))
    node, weight = np.polynomial.legendre.leggauss(30)
    r = 0.5 * a * (node + 1)
    bending = 1.0 * a**4 / (64 * rigidity) * (1 - (r / a) ** 2) ** 2
    # transverse shear of the same plate: w = p (a^2 - r^2)/(4 k G t), k = 5/6
    shear = 1.0 * (a**2 - r**2) / (4 * 5 / 6 * modulus / (2 * (1 + poisson)) * t)
    volume = float(np.sum(weight * 0.5 * a * 2 * math.pi * r * (bending + shear)))
    table.close("volume per pascal (m^3/Pa)", wall.compliance_m3_pa(), volume, source, rtol=1e-12)
    centre = 2e-3
    stretched = modulus * t * (7 - poisson) / (3 * (1 - poisson)) * centre**3 / a**4
    held = math.pi * a**2 * centre / 3
    cubic = float(wall.pressure_pa(held)) - held / wall.compliance_m3_pa()
    table.close("membrane pressure at 2 mm (Pa)", cubic, stretched, source, rtol=1e-9)


def test_duct_by_its_velocity_profile(table):
    """The flow through the duct is the integral of the parabola of velocity."""
    duct = Duct(0.3 * MM, 8 * MM)
    node, weight = np.polynomial.legendre.leggauss(12)
    r = 0.5 * duct.radius_m * (node + 1)
    velocity = (duct.radius_m**2 - r**2) / (4 * duct.viscosity_pa_s * duct.length_m)  # for 1 Pa
    flow_rate = float(np.sum(weight * 0.5 * duct.radius_m * 2 * math.pi * r * velocity))
    table.close("duct resistance (Pa s/m^3)", duct.resistance_pa_s_m3(), 1 / flow_rate, "Hagen-Poiseuille", rtol=1e-12)


def test_loss_resistance(table):
    """Direct resistance by hand; skin effect against its two limits; loss grows with frequency."""
    coil = SpiralCoil(2 * MM, 6 * MM, 20)
    length = 2 * math.pi * 4 * MM * 20
    by_hand = 1.7241e-8 * length / (0.1 * MM * 35e-6)
    table.close("direct resistance (ohm)", direct_resistance(coil), by_hand, "length over section", rtol=1e-3)
    table.close("skin factor, thin", skin_factor(1 * MM, 10e-6, 1e5, 1.7241e-8), 1.0, "limit", rtol=1e-3)
    delta = math.sqrt(1.7241e-8 / (math.pi * 1e9 * MU0))
    thick = skin_factor(1 * MM, 100e-6, 1e9, 1.7241e-8)
    table.close("skin factor, thick", thick, 100e-6 / (2 * delta), "both faces, limit", rtol=1e-6)
    losses = [coil_resistance(coil, f) for f in (1e5, 1e6, 1e7)]
    assert losses[0] < losses[1] < losses[2]
