from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.grasp.held_object import CLOSURE_SHARE, CONTACT_S, REST_S, HeldObject, OwnCompliance

OWN = OwnCompliance(0.3e-3, 0.05e-3)
WIDTH_M, OBJECT_M_N = 0.060, 2e-3
BEND_VARIANCE_M2 = 1e-8


def squeeze(
    held: HeldObject, *, noise_m: float = 0.0, rest_s: float = 0.0, creep_m: float = 0.0, seed: int = 0
) -> None:
    """Squeeze a spring between two pads from 0.1 to 1.1 N within a second, then let it rest and creep."""
    rng = np.random.default_rng(seed)
    closure_m_n = OBJECT_M_N + 2 * OWN.pad_m_n
    for time_s in np.arange(0.0, 1.0 + rest_s, 0.004):
        force_n = 0.1 + min(time_s, 1.0)
        gap_m = WIDTH_M - closure_m_n * force_n + noise_m * rng.standard_normal() - creep_m * max(time_s - 1.0, 0.0)
        held.add(float(time_s), float(force_n), float(gap_m), BEND_VARIANCE_M2)


def test_takes_off_both_pads() -> None:
    """A spring of 2 mm/N between pads of 0.3 mm/N each is seen as 2 mm/N, without noise exactly."""
    held = HeldObject(OWN)
    squeeze(held)
    value, variance = held.compliance()
    assert_allclose(value, OBJECT_M_N, rtol=1e-9)
    assert_allclose(variance, 4 * OWN.deviation_m_n**2 + (CLOSURE_SHARE * OBJECT_M_N) ** 2, rtol=1e-6)


def test_width_is_that_of_the_undeformed_object() -> None:
    """The gap at contact plus what 0.1 N had pressed together; the pads may not have given way yet."""
    held = HeldObject(OWN)
    squeeze(held)
    width_m, variance_m2 = held.width()
    assert_allclose(width_m, WIDTH_M, rtol=0, atol=1e-12)
    pads_m = 2 * OWN.pad_m_n * (0.1 + CONTACT_S / 2)
    assert_allclose(variance_m2, BEND_VARIANCE_M2 + pads_m**2 / 3, rtol=1e-6)


def test_before_a_squeeze_the_width_is_the_gap_at_contact() -> None:
    """Without a rise of force there is a width, the mean of the first moments, and no compliance yet."""
    held = HeldObject(OWN)
    for number in range(200):
        held.add(0.004 * number, 0.2, 0.05 + 1e-5 * number, BEND_VARIANCE_M2)
    moments = math.floor(CONTACT_S / 0.004) + 1
    assert_allclose(held.width(), [0.05 + 1e-5 * (moments - 1) / 2, BEND_VARIANCE_M2], rtol=1e-9)
    assert math.isnan(held.compliance()[0])


def test_a_long_rest_does_not_tilt_the_line() -> None:
    """Creep of 1 mm during a rest at constant force changes nothing, however long it is."""
    quick, slow = HeldObject(OWN), HeldObject(OWN)
    squeeze(quick)
    squeeze(slow, rest_s=20.0, creep_m=5e-5)
    assert_allclose(slow.compliance(), quick.compliance(), rtol=1e-9)


def test_force_that_rises_again_after_a_rest_is_another_story() -> None:
    """What the answer to a slip presses together later, after creep, is not put on the same line."""
    held = HeldObject(OWN)
    squeeze(held, rest_s=2 * REST_S)
    before = held.compliance()
    for number in range(100):
        held.add(5.0 + 0.004 * number, 1.2 + 0.01 * number, 0.03, BEND_VARIANCE_M2)
    assert held.compliance() == before


def test_what_is_left_beside_the_line_is_not_averaged_away() -> None:
    """The standard uncertainty from the line is the residual over the spread of force, for any number of samples."""
    held = HeldObject(OwnCompliance(0.0, 0.0))
    squeeze(held, noise_m=1e-4, seed=3)
    value, variance = held.compliance()
    spread_n = math.sqrt(1.0 / 12.0)  # of a uniform ramp over 1 N
    expected = (1e-4 / spread_n) ** 2 + (CLOSURE_SHARE * value) ** 2
    assert_allclose(variance, expected, rtol=0.15)


@pytest.mark.parametrize("field", [1, 2, 3])
def test_unknown_moments_are_left_out(field: int) -> None:
    """A moment with an unknown force, gap or variance counts for nothing."""
    held = HeldObject(OWN)
    squeeze(held)
    before = held.width(), held.compliance()
    moment = [1.01, 1.2, 0.058, BEND_VARIANCE_M2]
    moment[field] = math.nan
    held.add(*moment)
    assert (held.width(), held.compliance()) == before


def test_is_silent_without_cause() -> None:
    """Nothing held is NaN; so is a compliance without the pads' own; clearing forgets."""
    assert all(math.isnan(value) for value in HeldObject(OWN).width())
    held = HeldObject(OwnCompliance())
    squeeze(held)
    assert math.isnan(held.compliance()[0])
    assert math.isfinite(held.width()[0])
    held.clear()
    assert math.isnan(held.width()[0])
