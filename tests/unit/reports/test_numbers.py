"""Figures as people read them."""

from __future__ import annotations

import pytest

from soft_tactile_node.reports.numbers import format_value


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # GUM H.2, results as printed there (JCGM 100:2008, H.2.4, from memory): R = 127.732, u = 0.071; Z = 254.260,
        # u = 0.236, which to two digits is 254.26 and 0.24.
        (127.732, 0.071, "127.732 ± 0.071"),
        (254.260, 0.236, "254.26 ± 0.24"),
        (1234.5, 56.0, "1234 ± 56"),
        (98765.0, 1234.0, "98800 ± 1200"),
        (0.0072411, 0.0000312, "0.007241 ± 0.000031"),
        (1.7612e-6, 2.3e-9, "(1.7612 ± 0.0023)e-6"),
        (-3.2e8, 4.1e6, "(-3.200 ± 0.041)e8"),
        (0.0, 0.012, "0.000 ± 0.012"),
        (-0.3, 20.0, "0 ± 20"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, uncertainty: float, text: str) -> None:
    """Two significant digits of the uncertainty decide how many of the value are shown (JCGM 100:2008, 7.2.6)."""
    assert format_value(value, uncertainty) == text


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (0.123456, None, "0.123"),
        (12.0, None, "12"),
        (7, None, "7"),
        (1234.567, None, "1.23e+03"),
        (0.5, 0.0, "0.5"),
        (0.5, float("nan"), "0.5"),
        (None, None, "not known"),
        (float("nan"), 0.1, "not known"),
        (float("inf"), 0.1, "inf"),
    ],
)
def test_without_uncertainty_three_digits(value: float | None, uncertainty: float | None, text: str) -> None:
    """Without a usable uncertainty three digits are shown; what is not known says so."""
    assert format_value(value, uncertainty) == text
