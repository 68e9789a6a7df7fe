"""Features of the force map: what they are after one scan and at rest, in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.calibration.map_fit import PadRange
from soft_tactile_node.estimation.features import (
    FIRST_TERMS,
    KNOTS,
    PATH_TERMS,
    SIDE_MEMORIES,
    STRETCH_TERMS,
    advance_features,
    feature_list,
    new_filters,
    restart_features,
)
from soft_tactile_node.estimation.tuning import TUNING

DT_S = 0.002
WIDE = 10.0


def pad_of(count: int, rise_s: float = 0.0, fall_s: float = 0.0) -> PadRange:
    """Return a pad whose coordinates are believed far beyond what is used here."""
    return PadRange(np.full(count, -WIDE), np.full(count, WIDE), rise_s, fall_s)


def follow(pad: PadRange, start: list[float], n: list[float], stretch: float, scans: int) -> np.ndarray:
    """Return the features after some scans at new coordinates."""
    count = len(n)
    filters = new_filters(TUNING)[0]
    restart_features(pad, filters, np.array(start))
    out = np.zeros(feature_list(count, TUNING).size)
    for _ in range(scans):
        advance_features(TUNING, pad, filters, np.array(n), stretch, False, DT_S, out)
    return out


@pytest.mark.parametrize("count", [1, 2, 4])
def test_at_rest_features_are_a_polynomial(count: int) -> None:
    """Where nothing moves features are polynomials of v and w, sides times 1, v and w, and the memories are empty."""
    n, w = [4.0, -1.0, 0.5, 2.0][:count], 0.7
    out = follow(pad_of(count), n, n, w, 1)
    v = n[0]
    wanted = [a * term for a in n[1:] for term in (1.0, v, w)]
    wanted += [v * term for term in (1.0, v, v * v, w, w * w, v * w, v * w * w)]
    for share in (0.3, 0.5, 0.7)[:KNOTS]:
        wanted += [max(v - share * WIDE, 0.0) ** 2, max(v - share * WIDE, 0.0) ** 2 * w]
    wanted += [w**power for power in range(1, STRETCH_TERMS + 1)]
    assert_allclose(out, wanted + [0.0] * (out.size - len(wanted)), rtol=1e-12, atol=1e-15)


def test_a_lag_that_is_undone() -> None:
    """One scan after a step v is q plus the lag times its rate, each way with the lag of that way."""
    q = 1.0 - math.exp(-DT_S / TUNING.smooth_s)
    for sign, lag_s, slope_s in ((1.0, 0.06, TUNING.rise_s), (-1.0, 0.4, TUNING.fall_s)):
        out = follow(pad_of(1, 0.06, 0.4), [0.0], [sign], 0.0, 1)
        rate = (q - (1.0 - math.exp(-DT_S / slope_s)) * q) / slope_s
        assert_allclose(out[0], sign * (q + lag_s * rate), rtol=1e-12)


def test_memories_follow_the_step_response() -> None:
    """Long after a step each memory is the part of it that its low-pass has not yet reached (first-order lag)."""
    scans = 1000
    out = follow(pad_of(1), [0.0], [1.0], 0.0, scans)
    first = FIRST_TERMS + 2 * KNOTS + STRETCH_TERMS + PATH_TERMS
    for j, tau in enumerate(TUNING.memory_s):
        # both lags see the step at the same scans: their chain has a closed form
        a, b = math.exp(-DT_S / TUNING.smooth_s), math.exp(-DT_S / tau)
        steps = np.arange(1, scans + 1)
        level = float(np.sum((1.0 - b) * b ** (scans - steps) * (1.0 - a**steps)))
        assert_allclose(out[first + j], 1.0 - a**scans - level, rtol=1e-9, atol=1e-12)


def test_coordinates_are_believed_within_their_range() -> None:
    """What lies beyond the range counts as its edge."""
    pad = PadRange(np.array([-1.0, -2.0]), np.array([1.0, 2.0]), 0.0, 0.0)
    assert_allclose(follow(pad, [5.0, -7.0], [5.0, -7.0], 0.3, 1), follow(pad, [1.0, -2.0], [1.0, -2.0], 0.3, 1))


@pytest.mark.parametrize("count", [1, 3, 4])
def test_each_feature_has_an_order_and_a_kind(count: int) -> None:
    """Orders and kinds are as many as features; doubling coordinates and stretch grows none beyond its order."""
    listed = feature_list(count, TUNING)
    orders, quick = listed["order"], listed["quick"]
    assert listed["path"].sum() == PATH_TERMS
    n = [0.8, -0.5, 0.3, 0.2][:count]
    one, two = (follow(pad_of(count), [0.0] * count, [k * a for a in n], k * 0.6, 3) for k in (1.0, 2.0))
    assert quick.sum() == sum(tau < 1.0 for tau in (*TUNING.memory_s, *TUNING.memory_s[:SIDE_MEMORIES] * (count - 1)))
    plain = np.abs(one) > 0.0
    assert_allclose(two[plain], one[plain] * 2.0 ** orders[plain], rtol=1e-9)


def test_the_path_is_counted_from_the_touch() -> None:
    """How far the stretch went since the touch stands alone and times v; free, it is zero."""
    pad, filters = pad_of(1), new_filters(TUNING)[0]
    restart_features(pad, filters, np.array([2.0]))
    out = np.zeros(feature_list(1, TUNING).size)
    first = FIRST_TERMS + 2 * KNOTS + STRETCH_TERMS
    for stretch, touched, wanted in ((0.3, False, 0.0), (0.3, True, 0.0), (0.5, True, 0.2), (0.6, False, 0.0)):
        advance_features(TUNING, pad, filters, np.array([2.0]), stretch, touched, DT_S, out)
        assert_allclose(out[first : first + PATH_TERMS], [wanted, 2.0 * wanted], atol=1e-12)
