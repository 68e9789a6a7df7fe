"""B-spline tables: exact for cubics, in one, two and four variables; clamped outside."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.simulation.spline_table import spline_1d, spline_2d, spline_4d, spline_coefficients

WORK = np.empty((4, 4))


def cubic(x):
    """Return an arbitrary cubic."""
    return 0.3 - 1.2 * x + 0.4 * x**2 - 0.05 * x**3


@pytest.mark.parametrize("place", [0.0, 0.2, 3.7, 6.5, 8.0])
def test_cubics_are_reproduced(place):
    """A table of a cubic gives that cubic between its points, as an interpolating cubic spline must.

    Source: C. de Boor, A Practical Guide to Splines (1978): not-a-knot splines reproduce cubics (recalled).
    """
    grid = np.arange(9.0)
    table = spline_coefficients(cubic(grid))
    assert_allclose(spline_1d(table, place, WORK), cubic(place), rtol=0.0, atol=1.0e-12)
    table = spline_coefficients(cubic(grid)[:, None] * cubic(grid[:6])[None, :])
    assert_allclose(spline_2d(table, (place, 2.3), WORK), cubic(place) * cubic(2.3), rtol=0.0, atol=1.0e-11)


def test_four_variables_are_not_mixed_up():
    """Each coordinate acts on its own axis."""
    axes = [np.arange(5.0), np.arange(6.0), np.arange(7.0), np.arange(8.0)]
    a, b, c, d = np.meshgrid(*axes, indexing="ij")
    table = spline_coefficients(a**2 + 2.0 * b**3 - 3.0 * c * d + 0.5 * d**2)
    place = (1.3, 2.7, 4.1, 5.9)
    expected = 1.3**2 + 2.0 * 2.7**3 - 3.0 * 4.1 * 5.9 + 0.5 * 5.9**2
    assert_allclose(spline_4d(table, place, WORK), expected, rtol=1.0e-12, atol=0.0)


def test_outside_the_table_the_edge_holds():
    """A position outside gives the value at the edge, not an extrapolation."""
    table = spline_coefficients(cubic(np.arange(9.0)))
    assert_allclose(spline_1d(table, -5.0, WORK), cubic(0.0), rtol=0.0, atol=1.0e-12)
    assert_allclose(spline_1d(table, 50.0, WORK), cubic(8.0), rtol=0.0, atol=1.0e-12)


def test_error_falls_with_the_fourth_power_of_the_step():
    """Halving the step divides the error by about sixteen.

    Source: order of cubic spline interpolation; de Boor (1978) (recalled).
    """
    errors = []
    for points in (11, 21):
        x = np.linspace(0.0, 3.0, points)
        table = spline_coefficients(np.sin(x))
        places = np.linspace(0.7, 2.3, 201)
        got = np.array([spline_1d(table, place / x[1], WORK) for place in places])
        errors.append(np.max(np.abs(got - np.sin(places))))
    assert 10.0 < errors[0] / errors[1] < 25.0
