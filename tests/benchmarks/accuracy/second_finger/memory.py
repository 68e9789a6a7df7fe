"""Hysteresis and creep of the finger: a Preisach distribution of relays and a fractional-order element.

Preisach model: output = integral of mu(alpha, beta) * relay(alpha, beta)(u) over alpha >= beta, with the factorised
Lorentzian density mu ~ lorentz((alpha - c)/w) * lorentz((beta + c)/w) (Bertotti, Hysteresis in Magnetism, 1998, ch. 13,
from memory). Its minor loops change size with their place, which a play-operator sum's do not. Evaluated in Everett
form by the stack of input extrema (Mayergoyz, Mathematical Models of Hysteresis, 1991, ch. 1, from memory): output =
E-sums over alternating extrema; smooth, and an extremum passed again is wiped out.

Creep: moment = K * D^order(u), order 0.1 to 0.2, power-law relaxation t^-order / Gamma(1 - order). Realised as the
diffusive integral 1/(Gamma(a) Gamma(1-a)) * int r^(a-1) exp(-r t) dr on log-spaced nodes (Montseny, ESAIM Proc. 5
(1998) 159, from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma

from soft_tactile_node.compiled import compiled

Array = NDArray[np.float64]

EVERETT_LOW, EVERETT_HIGH, EVERETT_POINTS = -0.5, 1.8, 461
STACK = 64
CREEP_NODES = 16


def tabulate_everett(centre: float, width: float) -> Array:
    """Everett function E(alpha, beta) on a square grid, scaled so that a sweep from 0 to 1 gives 1.

    Parameters
    ----------
    centre, width : float
        Place and width of the relay density, input units (1).

    Returns
    -------
    numpy.ndarray, shape (points, points)
        E over (alpha, beta); zero where alpha <= beta.
    """
    x = np.linspace(EVERETT_LOW, EVERETT_HIGH, EVERETT_POINTS)
    step = x[1] - x[0]
    up = 1.0 / (1.0 + ((x - centre - 0.12) / width) ** 2)
    down = 1.0 / (1.0 + ((x - centre + 0.12) / width) ** 2)
    inner = np.concatenate([[0.0], np.cumsum(0.5 * (down[1:] + down[:-1]) * step)])
    # E(alpha, beta) = int_beta^alpha up(a) * (inner(a) - inner(beta)) da
    first = np.concatenate([[0.0], np.cumsum(0.5 * ((up * inner)[1:] + (up * inner)[:-1]) * step)])
    second = np.concatenate([[0.0], np.cumsum(0.5 * (up[1:] + up[:-1]) * step)])
    table = first[:, None] - first[None, :] - (second[:, None] - second[None, :]) * inner[None, :]
    table = np.where(x[:, None] > x[None, :], table, 0.0)
    zero, one = np.searchsorted(x, 0.0), np.searchsorted(x, 1.0)
    return np.asarray(table / table[one, zero])


@compiled
def everett(table, alpha, beta):  # type: ignore[no-untyped-def]
    """Bilinear look-up of the Everett table."""
    if alpha <= beta:
        return 0.0
    scale = (EVERETT_POINTS - 1) / (EVERETT_HIGH - EVERETT_LOW)
    a = min(max((alpha - EVERETT_LOW) * scale, 0.0), EVERETT_POINTS - 1.001)
    b = min(max((beta - EVERETT_LOW) * scale, 0.0), EVERETT_POINTS - 1.001)
    i, j = int(a), int(b)
    fa, fb = a - i, b - j
    low = table[i, j] * (1 - fa) + table[i + 1, j] * fa
    high = table[i, j + 1] * (1 - fa) + table[i + 1, j + 1] * fa
    return low * (1 - fb) + high * fb


@compiled
def relays_step(table, stack, depth, value):  # type: ignore[no-untyped-def]
    """Move the relays' input to `value`; return (output, new depth).

    `stack` holds the alternating extrema, oldest first: low, high, low, ...; `stack[0]` is negative saturation. The
    last entry is the present input. Output is zero at negative saturation.
    """
    last = stack[depth - 1]
    if value != last:
        rising = value > last
        if depth >= 2 and ((depth - 1) % 2 == 1) == rising:
            stack[depth - 1] = value  # on in the same direction: the present point moves
        else:
            if depth == STACK:  # full: forget the newest, smallest loop
                depth -= 2
            stack[depth] = value
            depth += 1
        while depth >= 4 and (value >= stack[depth - 3] if rising else value <= stack[depth - 3]):
            stack[depth - 3] = value  # an extremum passed again is wiped out with its loop
            depth -= 2
    total = 0.0
    for k in range(1, depth):
        if k % 2 == 1:
            total += everett(table, stack[k], stack[k - 1])
        else:
            total -= everett(table, stack[k - 1], stack[k])
    return total, depth


def creep_nodes(order: float) -> tuple[Array, Array]:
    """Rates (1/s) and weights of the exponentials that make up t^-order / Gamma(1 - order) from 20 ms to an hour.

    Parameters
    ----------
    order : float
        Order of the fractional derivative, 0 to 1.

    Returns
    -------
    tuple of numpy.ndarray, shape (nodes,)
        Rates and weights.
    """
    exponent = np.linspace(np.log(1e-5), np.log(150.0), CREEP_NODES)
    spacing = exponent[1] - exponent[0]
    rates = np.exp(exponent)
    weights = spacing * rates**order / (gamma(order) * gamma(1.0 - order))
    # the integral below the slowest node is a constant over an hour
    weights[0] += rates[0] ** order * np.exp(-0.5 * spacing * order) / (order * gamma(order) * gamma(1.0 - order))
    return rates, weights
