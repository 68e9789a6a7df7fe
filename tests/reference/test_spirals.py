"""Group B: self-inductance of spirals and solenoids."""

import math

import numpy as np
import pytest

from reference.formulas import inductance_current_sheet, inductance_wheeler_flat
from reference.spiral_formulas import (
    MOHAN_MONOMIAL,
    MOHAN_SHEET,
    MOHAN_WHEELER,
    current_sheet,
    modified_wheeler,
    monomial,
    nagaoka_coefficient,
    polygon_rings_inductance,
    solenoid_sheet,
    spiral_inner_diameter,
    wheeler_multilayer,
    wheeler_solenoid,
)
from soft_tactile_node.physics.eddy_layers import SheetCoil, air_inductance
from soft_tactile_node.physics.spiral import (
    SpiralCoil,
    inductance_rings,
    mutual_spirals,
    strip_mean_distance,
)

MOHAN = "Mohan et al. 1999 [NUM arithmetic]"
MM = 1e-3
UM = 1e-6
NAMES = {"square": "square", "hex": "hexagon", "oct": "octagon", "circle": "circle"}


@pytest.mark.parametrize(
    ("row", "shape", "wheeler", "sheet", "fit"),
    [
        ("B1", "square", 4.91649, 4.86711, 4.77415),
        ("B2", "octagon", 4.09690, 4.19012, 4.12205),
        ("B3", "hexagon", 4.05982, 4.19577, 4.15443),
    ],
)
def test_polygons(table, row, shape, wheeler, sheet, fit):
    """The three formulas give their worked values, agree to 3 % and the exact sides lie within 5 % of all."""
    inner = spiral_inner_diameter(200 * UM, 5, 10 * UM, 2 * UM)
    got = [
        modified_wheeler(shape, 5, 200 * UM, inner) * 1e9,
        current_sheet(shape, 5, 200 * UM, inner) * 1e9,
        monomial(shape, 5, 200 * UM, 10 * UM, 2 * UM) * 1e9,
    ]
    for what, value, expected in zip(("modified Wheeler", "current sheet", "monomial"), got, (wheeler, sheet, fit)):
        table.close(f"{row} {shape}, {what} (nH)", value, expected, MOHAN, rtol=1e-5)
    exact = polygon_rings_inductance(shape, 5, 200 * UM, 10 * UM, 2 * UM) * 1e9
    table.close(
        f"{row} {shape}, exact sides against the sheet (nH)", exact, got[1], "Neumann, Grover 1946 ch. 5", rtol=0.03
    )
    assert max(got) / min(got) < 1.035


def test_mohan_coefficients(table, read_table):
    """The coefficients of the three formulas, shape by shape."""
    names = {"square": "square", "hex": "hexagon", "oct": "octagon", "circle": "circle"}
    for row in read_table("mohan_coefficients.csv"):
        shape = names[row.pop("shape")]
        got = (*MOHAN_WHEELER.get(shape, ()), *MOHAN_SHEET[shape], *MOHAN_MONOMIAL.get(shape, ()))
        expected = [value for value in row.values() if value != ""]
        table.close(f"B mohan_coefficients.csv, {shape}", got, expected, MOHAN, rtol=1e-12)


def test_mohan_table(table, read_table):
    """Every worked row of the stored table agrees to 1e-9."""
    got, expected = [], []
    for r in read_table("mohan_worked.csv"):
        shape, outer, inner = NAMES[r["shape"]], r["dout_um"] * UM, r["din_um"] * UM
        got.append(current_sheet(shape, r["n"], outer, inner) * 1e9)
        expected.append(r["L_currentsheet_nH"])
        if shape != "circle":
            got += [
                modified_wheeler(shape, r["n"], outer, inner) * 1e9,
                monomial(shape, r["n"], outer, r["w_um"] * UM, r["s_um"] * UM) * 1e9,
            ]
            expected += [r["L_modWheeler_nH"], r["L_monomial_nH"]]
    table.close("B mohan_worked.csv (nH)", got, expected, MOHAN, rtol=1e-9)


def test_round_spiral_on_a_board(table):
    """B4: 20 turns, 75 um: sheet formula, concentric strips and the exact thick sheet."""
    coil = SpiralCoil(4.15 / 2 * MM, 5 * MM, 20, 75 * UM, 1e-9)
    source = "Mohan 1999 + Maxwell [NUM: two exact routes]"
    sheet = float(inductance_current_sheet(4.15 / 2 * MM, 5 * MM, 20)) * 1e9
    table.close("B4 current sheet (nH)", sheet, 3231.98, MOHAN, rtol=1e-5)
    table.close("B4 20 concentric strips (nH)", inductance_rings(coil) * 1e9, 3215.16, source, rtol=1e-5)
    table.close("B4 sheet against exact (nH)", sheet, inductance_rings(coil) * 1e9, source, rtol=0.01)


def test_flat_sheet(table):
    """B5: exact thin sheet, current sheet and Wheeler for a flat round coil."""
    exact = air_inductance(SheetCoil(2 * MM, 6 * MM, 1 * MM, 1.001 * MM, 20)) * 1e6
    table.close("B5 exact, 1 um thick (uH)", exact, 3.29567, "Dodd & Deeds integral [NUM]", rtol=1e-5)
    sheet = float(inductance_current_sheet(2 * MM, 6 * MM, 20)) * 1e6
    table.close("B5 current sheet (uH)", sheet, 3.30407, MOHAN, rtol=1e-5)
    table.close("B5 current sheet against exact (uH)", sheet, exact, "two routes", rtol=0.005)
    wheeler = float(inductance_wheeler_flat(2 * MM, 6 * MM, 20)) * 1e6
    table.close("B5 Wheeler flat (uH)", wheeler, 3.31538, "Wheeler 1928 [RECALL formula]", rtol=1e-5)
    table.close("B5 Wheeler against exact (uH)", wheeler, exact, "two routes", rtol=0.01)


def test_wheeler_flat(table):
    """B6: Wheeler's flat spiral in inches, and how far it lies from the exact sheet."""
    got = float(inductance_wheeler_flat(5 * MM, 10 * MM, 30)) * 1e6
    table.close("B6 Wheeler flat (uH)", got, 17.3314, "Wheeler 1928 [RECALL formula][NUM]", rtol=1e-5)
    exact = air_inductance(SheetCoil(5 * MM, 10 * MM, 1 * MM, 1.001 * MM, 30)) * 1e6
    table.close("B6 exact sheet (uH)", exact, 17.0748, "Dodd & Deeds integral [NUM]", rtol=1e-5)
    table.close("B6 Wheeler against exact (uH)", got, exact, "two routes", rtol=0.02)


def test_solenoid(table):
    """B7: Wheeler's solenoid and the exact current sheet."""
    got = wheeler_solenoid(0.0254, 0.0508, 100) * 1e6
    exact = solenoid_sheet(0.0254, 0.0508, 100) * 1e6
    table.close("B7 Wheeler solenoid (uH)", got, 344.828, "Wheeler 1928 [RECALL formula]", rtol=1e-5)
    table.close("B7 exact sheet (uH)", exact, 345.159, "Lorenz [NUM]", rtol=1e-5)
    table.close("B7 Wheeler against exact (uH)", got, exact, "two routes", rtol=0.01)


@pytest.mark.parametrize(("ratio", "expected"), [(0.1, 0.958807), (1, 0.688423), (2, 0.525510), (10, 0.203324)])
def test_nagaoka(table, ratio, expected):
    """B8: Nagaoka's coefficient."""
    source = "Nagaoka 1909; Rosa & Grover 1912 [NUM][RECALL]"
    table.close(f"B8 Nagaoka at {ratio}", nagaoka_coefficient(ratio), expected, source, atol=6e-7)


def test_multilayer(table):
    """B9: Wheeler's multilayer formula for the published benchmark coil, within 1 % of the exact integral."""
    got = wheeler_multilayer(0.5 * (6.15 + 12.4) * MM, 6.15 * MM, (12.4 - 6.15) * MM, 3790) * 1e3
    table.close("B9 multilayer (mH)", got, 224.32, "Wheeler 1928 [NUM]", rtol=1e-4)
    exact = air_inductance(SheetCoil(6.15 * MM, 12.4 * MM, 1 * MM, 7.15 * MM, 3790)) * 1e3
    table.close("B9 exact (mH)", exact, 225.99, "Dodd & Deeds integral [NUM]", rtol=1e-4)
    table.close("B9 Wheeler against exact (mH)", got, exact, "two routes", rtol=0.01)


def test_brooks_coil(table):
    """B10: the Brooks coil, square section c and mean radius 1.5 c."""
    c = 10 * MM
    got = air_inductance(SheetCoil(c, 2 * c, 1 * MM, 1 * MM + c, 100)) / (1.5 * c * 100**2)
    source = "Grover 1946 / Brooks, NBS 1931 [RECALL, reproduced]"
    table.close("B10 Brooks L/(a N^2) (H/m)", got, 1.6994e-6, source, rtol=1e-4)


def test_strip_mean_distance(table):
    """The mean distance of a section: thin strip, square, and the usual 0.2235 (w + t) rule."""
    source = "Rosa & Grover 1912 [RECALL]"
    table.close("mean distance of a thin strip / w", strip_mean_distance(1.0, 1e-9), math.exp(-1.5), source, rtol=1e-9)
    table.close("mean distance of a square / side", strip_mean_distance(1.0, 1.0), 0.44705, source, rtol=1e-5)
    table.close("against 0.2235 (w + t)", strip_mean_distance(1.0, 0.3), 0.2235 * 1.3, source, rtol=0.003)


def test_rings_converge_to_the_sheet():
    """More turns of the same winding approach the exact sheet, the error as 1/N (neighbours count as filaments)."""
    exact = air_inductance(SheetCoil(2 * MM, 6 * MM, 1 * MM, 1.001 * MM, 1))
    errors = []
    for turns in (10, 20, 40):
        coil = SpiralCoil(2 * MM, 6 * MM, turns, 0.999999 * 4 * MM / turns, 1e-9)
        errors.append(abs(inductance_rings(coil) / turns**2 / exact - 1))
    assert errors[0] < 0.02
    rates = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    np.testing.assert_allclose(rates, 1.0, rtol=0, atol=0.15)


def test_far_coils_are_dipoles(table):
    """Two spirals side by side, far apart, couple like two dipoles in one plane: -mu0 m1 m2/(4 pi d^3)."""
    coil = SpiralCoil(2 * MM, 6 * MM, 5)
    moment = math.pi * float(np.sum(coil.radii_m() ** 2))
    distance = 0.5
    dipoles = -4e-7 * math.pi * moment**2 / (4 * math.pi * distance**3)
    got = mutual_spirals(coil, coil, (distance, 0, 0))
    table.close("side by side, far (H)", got, dipoles, "dipole limit", rtol=1e-3)
