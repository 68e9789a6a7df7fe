"""Group H: hysteresis operators."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from soft_tactile_node.physics.hysteresis import (
    bouc_wen,
    bouc_wen_rate_formula,
    inverse_prandtl_ishlinskii,
    play,
    prandtl_ishlinskii,
)

HAND = "Krasnosel'skii & Pokrovskii 1989 [NUM, by hand]"
WEIGHTS, RADII = [0.5, 0.3, 0.2], [0.0, 1.0, 2.0]
TRACE = [0, 2, 4, 6, 3, 1, -2, -5, 0, 5, 7]


def test_hand_trace(table, read_table):
    """H1 and H2: the trace worked by hand, and the stored one with four widths."""
    table.close("H1 play, r = 1", play(TRACE, [1.0])[:, 0], [0, 1, 3, 5, 4, 2, -1, -4, -1, 4, 6], HAND, atol=1e-15)
    wanted = [0, 1.3, 3.3, 5.3, 3.5, 1.7, -1.3, -4.3, -0.7, 4.3, 6.3]
    table.close("H2 weighted sum", prandtl_ishlinskii(TRACE, WEIGHTS, RADII), wanted, HAND, atol=1e-14)
    rows = read_table("play_operator.csv")
    u = [r["u"] for r in rows]
    stored = [[r[f"r{k}"] for k in range(4)] for r in rows]
    table.close("H play_operator.csv", play(u, [0.0, 1.0, 2.0, 3.0]), stored, HAND, atol=1e-15)
    table.close(
        "H play_operator.csv, sum", prandtl_ishlinskii(u, WEIGHTS, RADII), [r["PI"] for r in rows], HAND, atol=1e-14
    )


@pytest.mark.parametrize(
    ("long", "short", "expected"), [([0, 5, 2, 4, 1, 6], [0, 6], 5.3), ([0, 5, -1, 3, 0, 2, 1, 5], [0, 5, -1, 5], 4.3)]
)
def test_wiping_out(table, long, short, expected):
    """H3: inner extrema leave no trace."""
    ends = [prandtl_ishlinskii(u, WEIGHTS, RADII)[-1] for u in (long, short)]
    table.close(f"H3 after {long}", ends, [expected, expected], "wiping-out property [NUM]", atol=1e-14)


def test_congruency(table):
    """H4: a minor loop has the same height whatever came before."""
    above = prandtl_ishlinskii([6, 1, 3, 1], WEIGHTS, RADII)[1:]
    below = prandtl_ishlinskii([-6, 1, 3, 1], WEIGHTS, RADII)[1:]
    table.close("H4 from above", above, [1.7, 2.7, 1.7], "congruency [NUM]", atol=1e-14)
    table.close("H4 from below", below, [0.3, 2.3, 1.3], "congruency [NUM]", atol=1e-14)
    table.close(
        "H4 heights of the closing branch", [above[1] - above[2], below[1] - below[2]], [1.0, 1.0], "[NUM]", atol=1e-14
    )


def loop_area(u, y):
    """Area of the closed loop (u, y)."""
    return abs(float(np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(u))))


def test_loop_area(table):
    """H5: the area of a loop under +-A."""
    sweep = np.concatenate([np.linspace(-4, 4, 801), np.linspace(4, -4, 801)[1:]])
    twice = np.concatenate([sweep, sweep[1:]])
    last = slice(sweep.size - 1, None)
    one = play(twice, [1.0])[last, 0]
    table.close("H5 play, r = 1, A = 4", loop_area(twice[last], one), 12.0, "4 r (A - r) [NUM]", rtol=1e-9)
    total = prandtl_ishlinskii(twice, WEIGHTS, RADII)[last]
    table.close("H5 weighted sum", loop_area(twice[last], total), 6.8, "sum of w 4 r (A - r) [NUM]", rtol=1e-9)


def test_inverse(table):
    """H6: the closed-form inverse undoes the operator to rounding over a random walk."""
    weights, radii = inverse_prandtl_ishlinskii(WEIGHTS, RADII)
    table.close("H6 inverse weights", weights, [2.0, -0.75, -0.25], "Kuhnen 2003 [RECALL][NUM]", atol=1e-14)
    table.close("H6 inverse radii", radii, [0.0, 0.5, 1.3], "Kuhnen 2003 [RECALL][NUM]", atol=1e-14)
    walk = np.cumsum(np.random.default_rng(3).normal(0, 0.3, 5000))
    back = prandtl_ishlinskii(prandtl_ishlinskii(walk, WEIGHTS, RADII), weights, radii)
    table.close("H6 inverse of 5000 random steps", back, walk, "identity", atol=1e-12)


def test_rate_independence():
    """H7: resampling a monotone piece changes nothing at the extrema."""
    fine = np.concatenate([np.linspace(a, b, 37)[1:] for a, b in zip(TRACE[:-1], TRACE[1:])])
    got = prandtl_ishlinskii(np.concatenate([[0.0], fine]), WEIGHTS, RADII)[::36]
    np.testing.assert_allclose(got, prandtl_ishlinskii(TRACE, WEIGHTS, RADII), rtol=0, atol=1e-13)


@pytest.mark.parametrize(("args", "expected"), [((1.0, 0.5, 0.5, 1.0), 1.0), ((1.0, 3.0, 1.0, 2.0), 0.5)])
def test_bouc_wen_saturation(table, args, expected):
    """H8: saturation at (A/(beta + gamma))^(1/n)."""
    gain, beta, gamma, order = args
    got = bouc_wen(np.linspace(0, 60, 400), gain=gain, beta=beta, gamma=gamma, order=order)[-1]
    table.close(f"H8 saturation, n = {order:g}", got, expected, "Ismail et al. 2009 [NUM]", rtol=1e-6)


@pytest.mark.parametrize(("order", "expected"), [(1.0, 1 - math.exp(-1)), (2.0, math.tanh(1.0))])
def test_bouc_wen_loading(table, order, expected):
    """H9: virgin loading in closed form, and against a general integrator."""
    got = bouc_wen([0.0, 1.0], order=order)[-1]
    table.close(f"H9 z(1), n = {order:g}", got, expected, "closed form [NUM: ODE]", rtol=1e-8)
    wave = lambda t: 2 * math.sin(3 * t)  # noqa: E731
    rate = lambda t, z: [bouc_wen_rate_formula(z[0], 6 * math.cos(3 * t), 1.0, 0.5, 0.5, order)]  # noqa: E731
    times = np.linspace(0, 4, 4001)
    wanted = solve_ivp(rate, (0, 4), [0.0], t_eval=times, rtol=1e-10, atol=1e-12, max_step=0.005).y[0]
    path = bouc_wen([wave(t) for t in times], order=order)
    table.close(f"H9 path under a sine, n = {order:g}", path, wanted, "general integrator [LIB scipy]", atol=2e-4)
