"""Any pad: whatever the order, the sign and the number of its channels, and the rate at which they are read."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from unit.estimation.fingers import Finger, make_finger, mirrored

WITHOUT_TOUCH_N = 0.5
"""An estimate of zero would score this rms error over the pick at least (N)."""


def test_the_order_of_the_coils_does_not_matter(iron_disc: Finger) -> None:
    """Coils named in another order, on the bench and in use, give the same force, variance and contacts."""
    table, _ = iron_disc.replay()
    other, _ = iron_disc.with_channels(lambda inductance_h: inductance_h[:, [2, 0, 3, 1]]).replay()
    assert_allclose(other.force_n, table.force_n, rtol=0.0, atol=1e-9)
    assert_allclose(other.force_variance_n2, table.force_variance_n2, rtol=1e-6)
    assert_array_equal(other.in_contact, table.in_contact)


def test_the_sign_of_the_response_does_not_matter(finger: Finger) -> None:
    """A pad that answers a press the other way round tells the same force and contacts, but for rounding."""
    table, _ = finger.replay()
    other, _ = finger.with_channels(mirrored).replay()
    assert_allclose(other.force_n, table.force_n, rtol=0.0, atol=1e-3)
    assert_array_equal(other.in_contact, table.in_contact)


@pytest.mark.parametrize("channels", [1, 2, 3, 4, 8])
def test_any_number_of_channels(finger: Finger, channels: int) -> None:
    """One to eight channels, made by mixing those there are and adding noise, calibrate and tell the touches."""

    def mix(inductance_h: np.ndarray) -> np.ndarray:
        change = inductance_h / np.nanmean(inductance_h[:100], axis=0) - 1.0
        there = change.shape[1]
        mixing = np.eye(there) if there > 1 else np.array([[1.0, 0.5, -0.8, 0.6, 0.9, -0.4, 0.7, 0.3]])
        mixing = np.tile(mixing, (1, 8))[:, :channels]
        noise = np.random.default_rng(len(change)).standard_normal((len(change), channels))
        return np.asarray(4e-6 * (1.0 + change @ mixing + 2e-5 * noise))

    made = finger.with_channels(mix)
    table, _ = made.replay()
    assert made.calibration.channels == channels
    assert made.calibration.force_map.axes == (3 if channels >= 3 else 1)
    assert np.isfinite(table.force_n[table.flags == 0, 2]).all()
    assert np.mean(table.in_contact == made.truth.in_contact) > 0.97
    assert made.error_n(table) < 0.25 < WITHOUT_TOUCH_N < np.sqrt(np.mean(made.truth.force_n[:, 2] ** 2))


@pytest.mark.slow
@pytest.mark.parametrize("pad", ["iron_disc", "liquid_metal"])
def test_the_rate_does_not_matter(pad: str) -> None:
    """Bench and pick at 1 kHz, thinned to 100 Hz: each rate's error is within a fifth of every other's."""
    made = make_finger(pad, 1000.0)
    errors = {}
    for step in (1, 2, 3, 5, 10):
        thinner = made.every(step)
        errors[1000.0 / step] = thinner.error_n(thinner.replay()[0])
    assert max(errors.values()) < 1.2 * min(errors.values()), errors
