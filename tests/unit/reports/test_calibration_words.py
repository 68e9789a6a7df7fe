"""What the plots of a calibration report show, in words: the numbers of the words are those of plot and table."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.calibration.judgement import describe_calibration
from soft_tactile_node.reports.calibration_plots import (
    describe_honesty,
    describe_hysteresis,
    describe_residuals,
    static_share,
)
from soft_tactile_node.reports.calibration_report import _summarise
from unit.characterisation.items import shipped


@pytest.mark.parametrize(("spread", "word"), [(1.0, "right"), (2.0, "too small"), (0.5, "too large")])
def test_the_sentence_follows_the_errors(spread: float, word: str) -> None:
    """Errors as large as stated, twice as large and half as large."""
    ratio = np.random.default_rng(2).normal(0.0, spread, 4000)
    assert describe_honesty(ratio).endswith(f"the stated variance is {word}.")
    assert f"{100 * np.mean(np.abs(ratio) <= 2):.0f} % of the samples" in describe_honesty(ratio)


def test_without_touches_it_says_so() -> None:
    """An empty histogram shows nothing."""
    assert describe_honesty(np.zeros(0)) == "Nothing was touched."


@pytest.mark.parametrize(
    ("mean", "words"), [(-0.06, "is 0.06 N too low"), (0.25, "is 0.25 N too high"), (0.003, "is right")]
)
def test_residuals_are_told_at_the_largest_force(mean: float, words: str) -> None:
    """The last bin of the plot is what the sentence says, with its sign as a direction."""
    said = describe_residuals("estimate", np.array([1.0, 4.84]), np.array([9.0, mean]), np.array([9.0, 0.05]))
    assert said == f"At 4.8 N the estimate {words} on the mean and scatters by 0.05 N."
    assert "too few forces" in describe_residuals("estimate", *[np.zeros(0)] * 3)


def test_what_a_polynomial_leaves_of_a_loop() -> None:
    """A loop of half-width 5 % of the span about a cubic leaves 5 % rms; the cubic itself leaves nothing."""
    pressure_pa = np.concatenate([np.linspace(0.0, 6e4, 500), np.linspace(6e4, 0.0, 500)])
    line = 1e-2 * (pressure_pa / 6e4) ** 3
    way = np.repeat([0.5e-3, -0.5e-3], 500)
    assert_allclose(static_share(pressure_pa, line), 0.0, atol=1e-9)
    assert_allclose(static_share(pressure_pa, line + way), 0.5e-3 / 11e-3, rtol=0.01)


def test_the_loop_tells_the_hysteresis_of_the_table() -> None:
    """Below the loop stands the figure of merit as the table has it."""
    assert describe_hysteresis(shipped()) == "2.6 ± 1.2 % of span"


@pytest.mark.parametrize(
    ("span", "words"), [((20.1, 20.3), ", at 20 °C only. Beyond"), ((17.0, 27.0), ", 17 to 27 °C. Beyond")]
)
def test_one_temperature_is_no_range(span: tuple[float, float], words: str) -> None:
    """Recordings that stayed within a degree are valid at that temperature, not from it to itself."""
    ranges = shipped().ranges.model_copy(update={"temperature_c": span})
    record = shipped().model_copy(update={"ranges": ranges})
    assert words in " ".join(_summarise(describe_calibration(record, record.made_on), None))
