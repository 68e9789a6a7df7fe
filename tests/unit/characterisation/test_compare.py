"""Effects of design factors and differences, on figures that were put in."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose

from soft_tactile_node.characterisation.compare import find_spread, main_effects
from soft_tactile_node.characterisation.table import KINDS
from soft_tactile_node.reports.characterise_text import effect_sentence, spread_sentences
from unit.characterisation.items import figure, make_item

SNR = next(kind for kind in KINDS if kind.name == "snr")
HYSTERESIS = next(kind for kind in KINDS if kind.name == "hysteresis")


def study(noise: float, rng: np.random.Generator):
    """Return 2^3 specimens: wall from 0.4 to 0.6 costs 6 dB, a firm silicone 2 dB, the place nothing."""
    return [
        make_item(
            f"{k}",
            factors={"wall_mm": wall, "silicone": stuff, "place": place},
            snr=figure(70.0 - 30.0 * (wall - 0.4) - 2.0 * (stuff == "firm") + noise * float(rng.standard_normal())),
        )
        for k, (wall, stuff, place) in enumerate(itertools.product((0.4, 0.6), ("soft", "firm"), (1.0, 2.0)))
    ]


def test_main_effects_are_those_put_in() -> None:
    """Without noise the effects are exact, in numbers and in words."""
    effects = main_effects(study(0.0, np.random.default_rng(1)), SNR)
    assert [(effect.factor, effect.low, effect.high) for effect in effects] == [
        ("wall_mm", "0.4", "0.6"),
        ("silicone", "soft", "firm"),
        ("place", "1", "2"),
    ]
    assert_allclose([effect.size for effect in effects], [-6.0, -2.0, 0.0], rtol=0, atol=1e-9)


def test_the_uncertainty_of_an_effect_covers_it() -> None:
    """Over many noisy studies nineteen in twenty intervals hold the true effect, and s is sigma sqrt(4 / n)."""
    rng = np.random.default_rng(4)
    found = [main_effects(study(0.5, rng), SNR)[0] for _ in range(300)]
    inside = np.mean([abs(effect.size + 6.0) <= effect.uncertainty.expanded for effect in found])
    assert 0.91 <= inside <= 0.985
    mean_square = np.mean([effect.uncertainty.standard**2 for effect in found])
    assert_allclose(np.sqrt(mean_square), 0.5 * np.sqrt(4 / 8), rtol=0.08)


def test_sentences_say_what_is_seen() -> None:
    """An effect beyond its uncertainty is told with its direction, the rest as not seen."""
    text = effect_sentence(main_effects(study(0.05, np.random.default_rng(2)), SNR))
    assert text.startswith("Signal to noise: wall_mm from 0.4 to 0.6 lowers it by 5.9")
    assert "silicone from soft to firm lowers it by" in text
    assert text.endswith("no effect beyond its uncertainty of place.")


def test_factors_that_cannot_be_told_apart_give_no_effect() -> None:
    """Two factors that always change together have no effects of their own."""
    both = [make_item(f"{k}", factors={"a": k % 2, "b": k % 2}, snr=figure(60.0 + k)) for k in range(6)]
    assert main_effects(both, SNR) == []


@pytest.mark.parametrize(("step", "differs"), [(0.31, False), (0.33, True)])
def test_a_difference_counts_beyond_its_uncertainty(step: float, differs: bool) -> None:
    """Two figures differ when they are further apart than the root of the sum of their squared uncertainties."""
    pair = [make_item("a", hysteresis=figure(3.0)), make_item("b", hysteresis=figure(3.0 + step))]
    found = find_spread(pair, HYSTERESIS)
    assert found is not None
    assert (found.differs, found.best.label) == (differs, "a")
    assert_allclose(found.expanded, 2.262 * 0.1 * np.sqrt(2.0), rtol=1e-12)
    assert ("differs by more than its uncertainty: a is best" in spread_sentences(pair, [HYSTERESIS])[0]) == differs


def test_a_figure_of_either_sign_is_best_near_zero() -> None:
    """A drift of -5 is worse than one of 2; where more is better the largest is best."""
    drift = next(kind for kind in KINDS if kind.name == "drift")
    three = [make_item(f"{k}", drift=figure(1e-3 * k), snr=figure(60.0 + k)) for k in (-5, 1, 2)]
    near, loud = find_spread(three, drift), find_spread(three, SNR)
    assert near is not None
    assert loud is not None
    assert (near.best.label, near.worst.label) == ("1", "-5")
    assert (loud.best.label, loud.worst.label) == ("2", "-5")
