"""Features of the force map: what normal force and shear are linear in.

The departure's few coordinates are low-passed; the first one, which rises with a press, has the pad's own lag undone:

    v = q + rise * max((q - ema q) / rise_s, 0) + fall * min((q - ema q) / fall_s, 0)

A cell that fills and empties through a duct follows its load with one rate up and another down, so load = level + lag *
rate. Features are polynomials of v and of the stretch w (how far the free finger would bend), the other coordinates
times 1, v and w, three truncated powers of v (a pad that stiffens), powers of w, how far the stretch has gone since the
pad was touched (a finger that is stopped is held by its own friction, one that is pushed back is not), and coordinates
less their own low-passes (what a viscoelastic pad remembers). Signs of the coordinates do not matter, so the order of
the coils does not either.

Source: truncated powers, de Boor, A Practical Guide to Splines (1978), ch. IX (from memory); the combination is our
own.
"""

from __future__ import annotations

import numpy as np

from soft_tactile_node.compiled import Record, compiled
from soft_tactile_node.estimation.tuning import Tuning
from soft_tactile_node.samples import Array

MOST_COORDINATES = 4
"""More principal directions of a pad carry noise only: three forces and a place."""

FIRST_TERMS = 7
SIDE_TERMS = 3
KNOTS = 3
STRETCH_TERMS = 3
PATH_TERMS = 2
SIDE_MEMORIES = 2


FEATURE = np.dtype([("order", "f8"), ("quick", "?"), ("path", "?")])
"""A feature: its order as a polynomial, whether it is a memory below a second or how far the stretch has gone."""


def feature_list(coordinates: int, tuning: Tuning) -> np.ndarray:
    """Return what each feature is, in the order in which `advance_features` writes them.

    Parameters
    ----------
    coordinates : int
        Number of coordinates (1).
    tuning : Tuning
        Memories.

    Returns
    -------
    numpy.ndarray, shape (f,)
        Records of FEATURE (orders: 1). A higher order is penalised more; shear, which is slow, leaves quick ones out:
        they carry noise.
    """
    sides = coordinates - 1
    memories = (*tuning.memory_s, *tuning.memory_s[:SIDE_MEMORIES] * sides)
    plain = [1, 2, 2] * sides + [1, 2, 3, 2, 3, 3, 4] + [1, 2] * KNOTS + [1, 2, 3]
    rows = [(order, False, False) for order in plain]
    rows += [(1, False, True), (2, False, True)]
    rows += [(1, tau_s < 1.0, False) for tau_s in memories]
    return np.array(rows, FEATURE)


def new_filters(tuning: Tuning) -> np.ndarray:
    """Return what the filters remember, shape (1,): a record with room for the most coordinates and for `tuning`."""
    return np.zeros(
        1,
        np.dtype(
            [
                ("low", "f8", (MOST_COORDINATES,)),  # each coordinate, smoothed
                ("rise", "f8"),  # the first one, low-passed further as it rises and falls
                ("fall", "f8"),
                ("memory", "f8", (len(tuning.memory_s),)),  # what a viscoelastic pad remembers of it
                ("side", "f8", (MOST_COORDINATES - 1, SIDE_MEMORIES)),  # the same of the others
                ("origin", "f8"),  # stretch when the pad was touched
            ]
        ),
    )


@compiled
def believe(pad: Record, i: int, coordinate: float) -> float:
    """Return a coordinate as far as it is believed."""
    return float(max(pad.low[i], min(pad.high[i], coordinate)))


@compiled
def restart_features(pad: Record, s: Record, n: Array) -> None:
    """Set every filter to the present coordinates, as far as they are believed, in place."""
    s.rise = s.fall = n[0]
    s.memory[:] = believe(pad, 0, n[0])
    for i in range(n.shape[0]):
        s.low[i] = n[i]
        if i > 0:
            s.side[i - 1, :] = believe(pad, i, n[i])


@compiled
def advance_features(
    tuning: Tuning, pad: Record, s: Record, n: Array, stretch: float, touched: bool, dt: float, out: Array
) -> None:
    """Advance the filters by one scan and write the features, in place; pad has low, high, rise and fall."""
    count = n.shape[0]
    gain = 1.0 - np.exp(-dt / tuning.smooth_s)
    for i in range(count):
        s.low[i] += gain * (n[i] - s.low[i])
    q = s.low[0]
    s.rise += (1.0 - np.exp(-dt / tuning.rise_s)) * (q - s.rise)
    s.fall += (1.0 - np.exp(-dt / tuning.fall_s)) * (q - s.fall)
    up = max((q - s.rise) / tuning.rise_s, 0.0)
    down = min((q - s.fall) / tuning.fall_s, 0.0)
    v = believe(pad, 0, q + pad.rise * up + pad.fall * down)
    w = stretch
    k = 0
    for i in range(1, count):
        a = believe(pad, i, s.low[i])
        out[k] = a
        out[k + 1] = a * v
        out[k + 2] = a * w
        k += SIDE_TERMS
    out[k] = v
    out[k + 1] = v * v
    out[k + 2] = v * v * v
    out[k + 3] = v * w
    out[k + 4] = v * w * w
    out[k + 5] = v * v * w
    out[k + 6] = v * v * w * w
    k += FIRST_TERMS
    for j in range(KNOTS):
        beyond = max(v - (0.3 + 0.2 * j) * pad.high[0], 0.0)
        out[k] = beyond * beyond
        out[k + 1] = beyond * beyond * w
        k += 2
    power = 1.0
    for _ in range(STRETCH_TERMS):
        power *= w
        out[k] = power
        k += 1
    if not touched:
        s.origin = w
    out[k] = w - s.origin
    out[k + 1] = v * (w - s.origin)
    k += PATH_TERMS
    for j in range(len(tuning.memory_s)):
        s.memory[j] += (1.0 - np.exp(-dt / tuning.memory_s[j])) * (v - s.memory[j])
        out[k] = v - s.memory[j]
        k += 1
    for i in range(1, count):
        a = believe(pad, i, s.low[i])
        for j in range(SIDE_MEMORIES):
            s.side[i - 1, j] += (1.0 - np.exp(-dt / tuning.memory_s[j])) * (a - s.side[i - 1, j])
            out[k] = a - s.side[i - 1, j]
            k += 1


@compiled
def feature_rows(
    tuning: Tuning, pad: Record, time_s: Array, n: Array, stretch: Array, touched: Array, s: Record, count: int
) -> Array:
    """Return the features of a recording (n, f); s is scratch space."""
    out = np.zeros((n.shape[0], count))
    restart_features(pad, s, n[0])
    for i in range(n.shape[0]):
        dt = 0.0 if i == 0 else max(0.0, time_s[i] - time_s[i - 1])
        advance_features(tuning, pad, s, n[i], stretch[i], touched[i], dt, out[i])
    return out
