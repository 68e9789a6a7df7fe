"""What the histogram of the variance shows, in words."""

from __future__ import annotations

import numpy as np
import pytest

from soft_tactile_node.reports.calibration_plots import describe_honesty


@pytest.mark.parametrize(("spread", "word"), [(1.0, "right"), (2.0, "too small"), (0.5, "too large")])
def test_the_sentence_follows_the_errors(spread: float, word: str) -> None:
    """Errors as large as stated, twice as large and half as large."""
    ratio = np.random.default_rng(2).normal(0.0, spread, 4000)
    assert describe_honesty(ratio).endswith(f"the stated variance is {word}.")
    assert f"{100 * np.mean(np.abs(ratio) <= 2):.0f} % of the samples" in describe_honesty(ratio)


def test_without_touches_it_says_so() -> None:
    """An empty histogram shows nothing."""
    assert describe_honesty(np.zeros(0)) == "Nothing was touched."
